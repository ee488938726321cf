//! What a decoder met, before anything is thinned for display: the raw material of the ledger of evidence.

use crate::base::{Event, EventKind, Key, Name, Nanoseconds};

/// What a line of a keypad is taken to be in.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum LineState {
    /// No key is down.
    Rest,
    /// A key is down.
    Key(Key),
    /// On the way from one to the other: fewer equal readings than the debounce asks for.
    Between,
}

/// What one record, or one reading in it, was.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Reported {
    /// A reading, every one.
    Reading {
        /// Name of the line.
        line: Name,
        /// In converter counts.
        counts: u32,
        /// Of the line after this reading.
        state: LineState,
    },
    /// The line holds the level of its last reading up to now; it need not be read so often to know that.
    Same {
        /// Name of the line.
        line: Name,
    },
    /// A reading beyond what the line can have: the probe is not on it.
    Away {
        /// Name of the line.
        line: Name,
    },
    /// How long the set has been on, by its own clock; the first time that it says so.
    Uptime(Nanoseconds),
    /// A whole record.
    Good,
    /// A record that is damaged, a line with unprintable bytes, bytes that are no frame.
    Bad,
    /// A readable line of something else.
    Foreign,
}

/// One thing that a decoder met.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Report {
    /// When, on the capture clock; never before the report before it.
    pub t: Nanoseconds,
    /// What.
    pub what: Reported,
}

/// Whether a line is noise rather than text of something else: it has control characters, or is no UTF-8 for the most
/// part. Ours, no publication: a wrong rate gives bytes that are near to random.
pub(super) fn is_noise(line: &[u8]) -> bool {
    let control = |byte: &u8| (*byte < 0x20 && !matches!(*byte, b'\t' | 0x1b)) || *byte == 0x7f;
    if line.iter().any(control) {
        return true;
    }
    let replaced = line.utf8_chunks().map(|chunk| chunk.invalid().len()).sum::<usize>();
    replaced * 8 > line.len()
}

/// What events alone tell, for decoders that report nothing themselves.
pub(super) fn of_events(events: &[Event], out: &mut Vec<Report>) {
    for event in events {
        let what = match (event.kind, &event.line, event.counts) {
            (EventKind::Reading, Some(line), Some(counts)) => {
                Reported::Reading { line: Name::clone(line), counts, state: LineState::Between }
            }
            (EventKind::Noise | EventKind::Fault, _, _) => Reported::Bad,
            _ => Reported::Good,
        };
        out.push(Report { t: event.t, what });
    }
}
