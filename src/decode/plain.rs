//! The text of a set whose chassis is not known, line by line: what it prints, before anything is known of its meaning.

use std::path::Path;
use std::sync::Arc;

use crate::base::{ControlPath, Event, EventKind, Name, Nanoseconds, Result, is_line_end, quote_up_to};
use crate::decode::Counters;
use crate::decode::chassis::Chassis;
use crate::decode::decoder::Decoder;
use crate::decode::set_clock::TimeBasis;

/// Name of the chassis that stands for any set.
pub const NAME: &str = "any-text";

/// Longest line that comes in one event; a longer one comes in several.
const LONGEST: usize = 1024;

/// A chassis whose every line is an event: a change of the item `text`, control characters made visible.
///
/// # Errors
/// None but for a mistake in its file, which the tests exclude.
pub fn chassis() -> Result<Chassis> {
    let text = format!(
        "[chassis]\nname = \"{NAME}\"\nversion = 1\nabout = \"any set: the text itself\"\nsource = \"none\"\n\
         [[record]]\nshape = \"{{value:text}}\"\nevent = \"change\"\nitem = \"text\"\n"
    );
    Ok(Chassis::parse(Path::new("any-text.toml"), &text)?.decoded_by(begin))
}

fn begin(chassis: &Arc<Chassis>, capture: Name) -> Box<dyn Decoder> {
    Box::new(Plain {
        capture,
        decoder: chassis.decoder().clone(),
        line: Vec::new(),
        from: (0, None),
        now: Nanoseconds::ZERO,
        timed: false,
        counters: Counters::default(),
    })
}

struct Plain {
    capture: Name,
    decoder: Name,
    line: Vec<u8>,
    /// Place and arrival of its first byte.
    from: (u64, Option<Nanoseconds>),
    now: Nanoseconds,
    timed: bool,
    counters: Counters,
}

impl Plain {
    fn end(&mut self, out: &mut Vec<Event>) {
        if self.line.is_empty() {
            return;
        }
        let (offset, arrival) = self.from;
        self.timed |= arrival.is_some();
        self.now = arrival.map_or(self.now, |arrival| arrival.max(self.now));
        let mut event = Event::new(self.now, ControlPath::System, EventKind::Change);
        event.item = Some("text".into());
        event.value = Some(quote_up_to(&self.line, LONGEST).into());
        event.capture = Some(self.capture.clone());
        event.decoder = Some(self.decoder.clone());
        event.offset = Some(offset);
        event.length = u32::try_from(self.line.len()).ok();
        out.push(event);
        self.line.clear();
        self.counters.records += 1;
        self.counters.decoded += 1;
    }
}

impl Decoder for Plain {
    fn push(&mut self, arrival: Option<Nanoseconds>, offset: u64, bytes: &[u8], out: &mut Vec<Event>) {
        for (byte, at) in bytes.iter().zip(offset..) {
            if is_line_end(*byte) {
                self.end(out);
                continue;
            }
            if self.line.is_empty() {
                self.from = (at, arrival);
            }
            self.line.push(*byte);
            if self.line.len() == LONGEST {
                self.end(out);
            }
        }
    }

    fn tick(&mut self, _now: Nanoseconds, _out: &mut Vec<Event>) {}

    fn cut(&mut self, out: &mut Vec<Event>) {
        self.end(out);
    }

    fn finish(&mut self, out: &mut Vec<Event>) {
        self.end(out);
    }

    fn counters(&self) -> Counters {
        self.counters
    }

    fn time_basis(&self) -> TimeBasis {
        if self.timed { TimeBasis::Arrival } else { TimeBasis::None }
    }

    fn now(&self) -> Nanoseconds {
        self.now
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_are_whole_on_any_chunking_and_nothing_in_them_acts() {
        let chassis = Arc::new(chassis().unwrap());
        let bytes = [&b"\x1b[2Jboot \xff\r\n\r\nadc=0x85\n"[..], &[b'x'; 1500], b"\rlast"].concat();
        for piece in [1, 2, 7, 5000] {
            let mut decoder = chassis.begin("c".into());
            let mut out = Vec::new();
            let mut offset = 0;
            for chunk in bytes.chunks(piece) {
                decoder.push(None, offset, chunk, &mut out);
                offset += chunk.len() as u64;
            }
            decoder.finish(&mut out);
            let texts: Vec<String> =
                out.iter().map(|event| event.value.as_deref().unwrap().to_owned()).collect();
            let (first, rest) = ("x".repeat(1024), "x".repeat(476));
            assert_eq!(texts, ["\\x1b[2Jboot \\xff", "adc=0x85", &first, &rest, "last"], "{piece}");
            assert_eq!(
                out.iter().map(|event| event.offset.unwrap()).collect::<Vec<_>>(),
                [0, 14, 23, 1047, 1524]
            );
        }
    }
}
