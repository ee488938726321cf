//! `[[example]]` blocks of format files: marks and spaces, and what they must decode to.

use std::sync::Arc;

use serde::Deserialize;

use crate::base::{Event, Nanoseconds};
use crate::decode::infrared::{Decoder, Formats};
use crate::signal::Pulse;

/// One example of a format file.
#[derive(Clone, Debug, Deserialize, schemars::JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Example {
    /// The format whose file it stands in.
    #[serde(skip)]
    pub format: String,
    /// Where the marks and spaces and their meaning come from.
    pub source: String,
    /// Marks and spaces in microseconds, beginning and ending with a mark.
    pub pulses_us: Vec<f64>,
    /// Word of the event kind: `press` where absent and the format is checked, else `frame`.
    pub kind: Option<String>,
    /// Address that must come out.
    pub address: Option<u32>,
    /// Command that must come out.
    pub command: Option<u32>,
    /// Toggle that must come out.
    pub toggle: Option<bool>,
    /// The bits in air order, first on air most significant, hexadecimal.
    pub raw: Option<String>,
}

impl Example {
    /// What comes out of the example with all formats.
    pub fn events(&self, formats: &Arc<Formats>) -> Vec<Event> {
        let lengths: Vec<Nanoseconds> =
            self.pulses_us.iter().map(|length| Nanoseconds::from_seconds(length / 1e6)).collect();
        decode_all(formats, &lengths)
    }

    /// Decodes the example with all formats and compares; `Err` says what came out instead.
    pub fn check(&self, formats: &Arc<Formats>) -> Result<(), String> {
        let events = self.events(formats);
        let checked = formats.find(&self.format).is_some_and(crate::decode::infrared::Format::is_checked);
        let kind = self.kind.as_deref().unwrap_or(if checked { "press" } else { "frame" });
        let first = events.first().ok_or("nothing came out")?;
        let found = (first.format.as_deref(), first.kind.word());
        if found != (Some(&self.format), kind) {
            return Err(format!("expected {} {kind}, got {found:?}: {:?}", self.format, first.note));
        }
        let right = self.address.is_none_or(|address| first.address == Some(address))
            && self.command.is_none_or(|command| first.command == Some(command))
            && self.toggle.is_none_or(|toggle| first.toggle == Some(toggle))
            && self.raw.as_ref().is_none_or(|raw| first.raw.as_deref() == Some(raw));
        if right {
            Ok(())
        } else {
            Err(format!(
                "expected address {:?}, command {:?}, toggle {:?}, raw {:?}; got {:?}, {:?}, {:?}, {:?}",
                self.address,
                self.command,
                self.toggle,
                self.raw,
                first.address,
                first.command,
                first.toggle,
                first.raw
            ))
        }
    }
}

/// Events of marks and spaces by themselves, one quiet second before and after.
fn decode_all(formats: &Arc<Formats>, lengths: &[Nanoseconds]) -> Vec<Event> {
    let mut decoder = Decoder::new(Arc::clone(formats), "example".into());
    let mut events = Vec::new();
    for pulse in pulses(Nanoseconds::SECOND, lengths) {
        decoder.push(pulse, &mut events);
    }
    let end = lengths.iter().fold(Nanoseconds(2 * Nanoseconds::SECOND.0), |t, length| t + *length);
    decoder.finish(end, &mut events);
    events
}

/// Lengths that alternate between mark and space, mark first, as pulses that begin at `start`.
pub fn pulses(start: Nanoseconds, lengths: &[Nanoseconds]) -> Vec<Pulse> {
    let mut t = start;
    let mut pulses = Vec::with_capacity(lengths.len());
    for (i, length) in lengths.iter().enumerate() {
        pulses.push(Pulse { t, mark: i % 2 == 0, length: *length, offset: i as u64 });
        t = t + *length;
    }
    pulses
}
