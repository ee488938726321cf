//! What a chassis file leaves of a capture: the lines that nothing decodes, by their shape.

use std::sync::Arc;

use crate::base::{Event, Result};
use crate::decode::Counters;
use crate::decode::chassis::Chassis;
use crate::decode::nearest::{Nearest, nearest};
use crate::decode::shape::{Shape, parse, read_beginning};
use crate::decode::text::TextDecoder;
use crate::learn::load::each_line;
use crate::learn::shape;
use crate::learn::tree::Miner;
use crate::source::{ByteSource, Pulled};

/// Lines of one shape that gave nothing.
#[derive(Clone, Debug, PartialEq, Eq, serde::Serialize, schemars::JsonSchema)]
pub struct Unread {
    /// The shape as a record of the file would have it, without the file's prefix; `None` where shapes cannot say it.
    pub shape: Option<String>,
    /// How many lines.
    pub lines: u64,
    /// The first of them, without the prefix, at most 1,024 bytes.
    pub example: String,
    /// The record of the file that it comes nearest to.
    pub nearest: Option<Nearest>,
}

/// What became of the records of a capture.
#[derive(Clone, Debug, Default, PartialEq, serde::Serialize, schemars::JsonSchema)]
pub struct Coverage {
    /// Lines, or binary frames, by what became of them.
    #[serde(flatten)]
    pub counters: Counters,
    /// Bytes of a binary protocol that belong to no frame.
    pub skipped_bytes: u64,
    /// Lines of something else, most frequent first.
    pub foreign: Vec<Unread>,
    /// Lines that begin like a record and are none, most frequent first.
    pub broken: Vec<Unread>,
    /// Lines that were counted and not grouped, since there were too many shapes.
    pub ungrouped: u64,
}

impl Coverage {
    /// Share of the records that are decoded, 0 to 1; 1 where there are none.
    #[allow(clippy::cast_precision_loss)]
    pub fn share(&self) -> f64 {
        if self.counters.records == 0 {
            return 1.0;
        }
        self.counters.decoded as f64 / self.counters.records as f64
    }
}

/// Decodes what a port printed and gathers what gave nothing; the events go to `sink`.
///
/// One pass, in bounded memory: of each shape its number of lines and the first one are kept, see [`Miner`].
///
/// # Errors
/// As the source's.
pub fn coverage(
    chassis: &Arc<Chassis>,
    name: &str,
    source: &mut dyn ByteSource,
    sink: &mut dyn FnMut(Event),
) -> Result<Coverage> {
    let mut decoder = TextDecoder::new(Arc::clone(chassis), name.into());
    let mut events = Vec::new();
    let (mut foreign, mut broken) = (Miner::new(), Miner::new());
    if chassis.file().frame.is_some() {
        loop {
            match source.pull()? {
                Pulled::Chunk(chunk) => decoder.push(chunk.arrival, chunk.offset, chunk.bytes, &mut events),
                Pulled::Mark(_) | Pulled::Quiet(_) => {}
                Pulled::End => break,
            }
            events.drain(..).for_each(&mut *sink);
        }
    } else {
        let prefixes: Vec<Shape> = chassis
            .file()
            .text
            .prefixes
            .iter()
            .filter_map(|prefix| parse(None, prefix.get_ref()).ok())
            .collect();
        let mut ended = Vec::new();
        each_line(source, &mut |arrival, line| {
            let line = line.trim_ascii_end();
            ended.clear();
            ended.extend_from_slice(line);
            ended.push(b'\n');
            let before = decoder.counters();
            decoder.push(arrival, 0, &ended, &mut events);
            let after = decoder.counters();
            let bare = || prefixes.iter().find_map(|prefix| read_beginning(&prefix.parts, line, &mut []));
            if after.not_mine > before.not_mine {
                foreign.push(bare().unwrap_or(line));
            } else if after.damaged > before.damaged {
                broken.push(bare().unwrap_or(line));
            }
            events.drain(..).for_each(&mut *sink);
        })?;
    }
    decoder.finish(&mut events);
    events.drain(..).for_each(&mut *sink);
    Ok(Coverage {
        counters: decoder.counters(),
        skipped_bytes: decoder.skipped_bytes(),
        foreign: unread(chassis, &foreign),
        broken: unread(chassis, &broken),
        ungrouped: foreign.ungrouped() + broken.ungrouped(),
    })
}

/// The groups, most frequent first.
fn unread(chassis: &Arc<Chassis>, miner: &Miner) -> Vec<Unread> {
    let (groups, _) = miner.settled();
    let mut unread: Vec<Unread> = groups
        .iter()
        .map(|group| Unread {
            shape: shape::text(group, None, &|_| None),
            lines: group.lines,
            example: String::from_utf8_lossy(&group.example).into_owned(),
            nearest: nearest(std::iter::once(chassis), &group.example),
        })
        .collect();
    unread.sort_by(|a, b| b.lines.cmp(&a.lines).then_with(|| a.example.cmp(&b.example)));
    unread
}
