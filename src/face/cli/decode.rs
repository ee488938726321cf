//! `decode`: capture files to events on standard output.

use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Duration;

use indicatif::{ProgressBar, ProgressStyle};

use crate::base::{Event, Result, write_event};
use crate::decode::plain;
use crate::face::cli::args::{Decode, Reading};
use crate::face::cli::line;
use crate::face::out::{Out, Outcome, safe};
use crate::timeline::{Options, Protocols, Sink, Summary, Unwatched, Watch, decode_watched};

/// Events are handed to the operating system in pieces of about this size.
const PIECE: usize = 1 << 17;

pub(super) fn run(options: &Decode, protocols: &Protocols, out: &mut Out) -> Result<Outcome> {
    out.plain();
    let mut found = false;
    let mut reading = options.reading.clone();
    let mut protocols = protocols.clone();
    if options.text {
        let mut library = (*protocols.library).clone();
        library.put(plain::chassis()?);
        protocols.library = Arc::new(library);
        reading.chassis = Some(plain::NAME.to_owned());
    }
    for file in &options.files {
        let mut buffer = Vec::with_capacity(PIECE + 4096);
        let summary = read(file, &reading, &protocols, &mut |event: Event| {
            found |= event.is_input();
            if out.json {
                write_event(&event, None, &mut buffer);
            } else {
                buffer.extend_from_slice(line::event(&event).as_bytes());
            }
            buffer.push(b'\n');
            if buffer.len() >= PIECE {
                out.bytes(&buffer)?;
                buffer.clear();
            }
            Ok(())
        });
        // What was decoded before a damage is shown before the complaint.
        out.bytes(&buffer)?;
        out.flush()?;
        tell(&summary?, out);
    }
    Ok(if options.check && found { Outcome::Found } else { Outcome::Done })
}

/// Decodes one file with a progress display on standard error.
pub(super) fn read(
    file: &Path,
    reading: &Reading,
    protocols: &Protocols,
    sink: &mut Sink<'_>,
) -> Result<Summary> {
    watched(file, reading, protocols, &mut Unwatched, sink)
}

/// The same under the eyes of who asks when an input would have been seen.
pub(super) fn watched(
    file: &Path,
    reading: &Reading,
    protocols: &Protocols,
    watch: &mut dyn Watch,
    sink: &mut Sink<'_>,
) -> Result<Summary> {
    let wires = reading.wire.iter().map(|wire| wire.parse()).collect::<Result<Vec<_>>>()?;
    let progress = Arc::new(AtomicU64::new(0));
    let options = Options {
        chassis: reading.chassis.clone(),
        wires,
        sample_rate_hz: reading.sample_rate,
        threshold: reading.threshold,
        progress: Some(Arc::clone(&progress)),
    };
    let bar = bar(file);
    let mut count = 0u32;
    let result = decode_watched(file, protocols, &options, watch, &mut |event| {
        count = count.wrapping_add(1);
        if count.is_multiple_of(4096) {
            bar.set_position(progress.load(Ordering::Relaxed));
        }
        sink(event)
    });
    bar.finish_and_clear();
    result
}

fn bar(file: &Path) -> ProgressBar {
    let length = std::fs::metadata(file).map(|metadata| metadata.len()).unwrap_or(0);
    // A file that is read in a blink needs no bar, and a pipe has no length to show.
    if length < 32 << 20 || !std::io::IsTerminal::is_terminal(&std::io::stderr()) {
        return ProgressBar::hidden();
    }
    let bar = ProgressBar::new(length);
    if let Ok(style) = ProgressStyle::with_template("  {percent:>3} %  {bytes} of {total_bytes}, {eta} left")
    {
        bar.set_style(style);
    }
    bar.enable_steady_tick(Duration::from_millis(200));
    bar
}

/// Says on standard error what was read and how it was understood.
pub(super) fn tell(summary: &Summary, out: &Out) {
    let mut text = format!("{}: {}", safe(&summary.capture), summary.kind);
    if let Some(choice) = &summary.chassis {
        text.push_str(&match (choice.given, choice.score, choice.margin) {
            (false, Some(score), Some(margin)) => format!(
                ", chassis {} recognised (score {score:.2}, {:.0} % ahead of the next)",
                choice.name,
                100.0 * margin
            ),
            _ => format!(", chassis {}", choice.name),
        });
    }
    let seen = summary.counters;
    if seen.records > 0 {
        text.push_str(&format!(
            "; {} records: {} decoded, {} damaged",
            seen.records, seen.decoded, seen.damaged
        ));
        // Among pulses, what is no frame is counted beside the records; see `Counters`.
        text.push_str(&if seen.decoded + seen.damaged + seen.not_mine == seen.records {
            format!(", {} of something else", seen.not_mine)
        } else {
            format!("; {} pulses beside them that make no frame", seen.not_mine)
        });
    }
    if let Some(span) = summary.span {
        text.push_str(&format!("; {:.3} s", span.length().seconds()));
    }
    text.push_str(&format!("; {} events", summary.events));
    out.note(text);
    for remark in &summary.remarks {
        out.note(format!("  {}", safe(remark)));
    }
}
