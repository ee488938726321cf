//! A decoder for `linden`, an invented set whose readings are printed as differences.

use std::collections::BTreeMap;
use std::sync::Arc;

use straykey::base::{ControlPath, Event, EventKind, Name, Nanoseconds};
use straykey::decode::Counters;
use straykey::decode::chassis::Chassis;
use straykey::decode::decoder::Decoder;
use straykey::decode::set_clock::TimeBasis;
use straykey::decode::text::TextDecoder;

/// Longest line that is held, bytes, and most lines of a keypad that are remembered.
const LONGEST: usize = 256;
const MOST_LINES: usize = 16;

/// Writes short records out and hands them to the decoder of the chassis file.
struct Linden {
    inner: TextDecoder,
    capture: Name,
    pending: Vec<u8>,
    /// Where the pending line begins, when it came, and its length so far.
    begun: Option<(u64, Option<Nanoseconds>, u64)>,
    /// Uptime and readings that the next short record leans on; empty until a full one came.
    uptime_ms: i64,
    counts: BTreeMap<String, i64>,
    damaged: u64,
}

/// Begins a capture: what `Chassis::decoded_by` takes.
pub(crate) fn begin(chassis: &Arc<Chassis>, capture: Name) -> Box<dyn Decoder> {
    Box::new(Linden {
        inner: TextDecoder::new(Arc::clone(chassis), Arc::clone(&capture)),
        capture,
        pending: Vec::new(),
        begun: None,
        uptime_ms: 0,
        counts: BTreeMap::new(),
        damaged: 0,
    })
}

impl Linden {
    /// A record written out; `None` when it is damaged or leans on one that never came.
    fn written_out(&mut self, line: &str) -> Option<String> {
        let (full, rest) = match line.split_at_checked(1)? {
            ("#", rest) => (true, rest),
            ("+", rest) => (false, rest),
            _ => return None,
        };
        let (time, reading) = rest.split_once(' ')?;
        let time: i64 = time.parse().ok()?;
        let end = reading.find(|c: char| !c.is_ascii_alphabetic()).unwrap_or(reading.len());
        let (name, number) = reading.split_at_checked(end).filter(|(name, _)| !name.is_empty())?;
        let uptime_ms = if full { time } else { self.uptime_ms.checked_add(time)? };
        let counts = match (full, number) {
            (true, number) => number.strip_prefix('=')?.parse().ok()?,
            (false, "") => *self.counts.get(name)?,
            (false, number) => self.counts.get(name)?.checked_add(number.parse().ok()?)?,
        };
        if self.counts.len() >= MOST_LINES && !self.counts.contains_key(name) {
            return None;
        }
        self.uptime_ms = uptime_ms;
        self.counts.insert(name.to_owned(), counts);
        Some(format!("{uptime_ms} {name}={counts}\n"))
    }

    fn end_line(&mut self, out: &mut Vec<Event>) {
        let Some((offset, arrival, length)) = self.begun.take() else { return };
        let line = String::from_utf8_lossy(&std::mem::take(&mut self.pending)).into_owned();
        if line.is_empty() {
            return;
        }
        let first = out.len();
        let whole = length <= LONGEST as u64;
        match self.written_out(&line).filter(|_| whole) {
            Some(plain) => self.inner.push(arrival, offset, plain.as_bytes(), out),
            None => {
                // What leans on a damaged record is not known either, up to the next full one.
                self.counts.clear();
                self.damaged += 1;
                let mut event = Event::new(self.inner.now(), ControlPath::System, EventKind::Noise);
                event.note = Some("no record, or one that leans on a record that is missing".into());
                event.capture = Some(Arc::clone(&self.capture));
                event.decoder = Some(Arc::clone(self.inner.chassis().decoder()));
                event.offset = Some(offset);
                out.push(event);
            }
        }
        // The raw bytes, not those that were written out.
        for event in out.iter_mut().skip(first).filter(|event| event.offset.is_some()) {
            event.length = Some(u32::try_from(length).unwrap_or(u32::MAX));
        }
    }
}

impl Decoder for Linden {
    fn push(&mut self, arrival: Option<Nanoseconds>, offset: u64, bytes: &[u8], out: &mut Vec<Event>) {
        for (at, byte) in (offset..).zip(bytes) {
            if matches!(byte, b'\n' | b'\r') {
                self.end_line(out);
                continue;
            }
            self.begun.get_or_insert((at, arrival, 0)).2 += 1;
            if self.pending.len() < LONGEST {
                self.pending.push(*byte);
            }
        }
    }

    fn tick(&mut self, now: Nanoseconds, out: &mut Vec<Event>) {
        self.inner.tick(now, out);
    }

    fn finish(&mut self, out: &mut Vec<Event>) {
        self.end_line(out);
        self.inner.finish(out);
    }

    fn counters(&self) -> Counters {
        let mut counters = self.inner.counters();
        counters.records += self.damaged;
        counters.damaged += self.damaged;
        counters
    }

    fn time_basis(&self) -> TimeBasis {
        self.inner.time_basis()
    }

    fn now(&self) -> Nanoseconds {
        self.inner.now()
    }
}
