//! What a chassis file leaves of a capture, for people and programs.

use std::fs::File;
use std::io::Read;
use std::path::Path;
use std::sync::Arc;

use crate::base::words::plural;
use crate::base::{Error, Event, Result};
use crate::decode::chassis::Chassis;
use crate::decode::recognise::decoded;
use crate::face::out::{Out, safe};
use crate::journal::Reader;
use crate::learn::{Coverage, Unread, coverage, source};
use crate::source::ByteSource;

/// Shapes that are shown to people; programs get all.
const SHOWN: usize = 20;
/// Longest example that is shown to people, characters.
const LONGEST: usize = 160;

/// One capture as one chassis file reads it.
#[derive(serde::Serialize, schemars::JsonSchema)]
pub(in crate::face::cli) struct Covered {
    capture: String,
    chassis: String,
    /// Share of the records that are decoded, 0 to 1.
    share: f64,
    #[serde(flatten)]
    coverage: Coverage,
    #[serde(skip)]
    framed: bool,
}

impl Covered {
    /// Reads a capture; the events go to `sink`.
    pub(super) fn read(path: &Path, chassis: &Arc<Chassis>, sink: &mut dyn FnMut(Event)) -> Result<Self> {
        let name =
            path.file_name().map_or_else(|| path.display().to_string(), |n| n.to_string_lossy().into());
        let at = |error: Error| if error.place().path.is_none() { error.at(path) } else { error };
        let coverage = open(path, chassis)
            .and_then(|mut source| coverage(chassis, &name, &mut *source, sink))
            .map_err(at)?;
        let framed = chassis.file().frame.is_some();
        Ok(Self {
            capture: name,
            chassis: chassis.name().to_owned(),
            share: coverage.share(),
            coverage,
            framed,
        })
    }

    /// Shows it.
    pub(super) fn print(&self, out: &mut Out) -> Result<()> {
        let seen = self.coverage.counters;
        out.line(format!(
            "{} by {}: {}, {} decoded ({:.1} %), {} damaged, {} of something else",
            safe(&self.capture),
            self.chassis,
            plural(seen.records, if self.framed { "frame" } else { "line" }),
            seen.decoded,
            100.0 * self.share,
            seen.damaged,
            seen.not_mine
        ))?;
        if self.coverage.skipped_bytes > 0 {
            out.line(format!("  {} that belong to no frame", plural(self.coverage.skipped_bytes, "byte")))?;
        }
        list("nothing decodes these; most frequent first", &self.coverage.foreign, out)?;
        list("these begin like a record and are none", &self.coverage.broken, out)?;
        if self.coverage.ungrouped > 0 {
            out.line(format!("  {} of yet other shapes", plural(self.coverage.ungrouped, "line")))?;
        }
        Ok(())
    }
}

fn list(heading: &str, unread: &[Unread], out: &mut Out) -> Result<()> {
    if unread.is_empty() {
        return Ok(());
    }
    out.line(format!("  {heading}"))?;
    for unread in unread.iter().take(SHOWN) {
        let example = safe(&unread.example);
        let cut: String = example.chars().take(LONGEST).collect();
        let more = if cut.len() < example.len() { "…" } else { "" };
        // Where no shape says the line, the line itself is all there is to show.
        let shape = unread.shape.as_deref().map_or_else(|| cut.clone(), safe);
        out.line(format!("  {:>8}  {shape}", unread.lines))?;
        if shape != cut {
            out.line(format!("            {cut}{more}"))?;
        }
        if let Some(near) = &unread.nearest {
            let from = if near.from.is_empty() {
                "the line's end".to_owned()
            } else {
                format!("`{}`", safe(&near.from))
            };
            out.line(format!("            fits `{}` up to {from}", safe(&near.shape)))?;
        }
    }
    if let Some(more) = unread.len().checked_sub(SHOWN).filter(|more| *more > 0) {
        out.line(format!("            and {more} more; --json lists all"))?;
    }
    Ok(())
}

fn open(path: &Path, chassis: &Arc<Chassis>) -> Result<Box<dyn ByteSource>> {
    let reader: Box<dyn Read + Send> = if path.as_os_str() == "-" {
        Box::new(std::io::stdin())
    } else {
        if path.is_dir() {
            let not = |_| Error::input("this is a folder, not a capture file").at(path);
            return Reader::open(path).map(|segments| Box::new(segments) as Box<dyn ByteSource>).map_err(not);
        }
        let file = File::open(path).map_err(|error| Error::io("cannot open the capture", path, error))?;
        Box::new(file)
    };
    source(reader, &mut |lines| decoded(chassis, lines))
}
