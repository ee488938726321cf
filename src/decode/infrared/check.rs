//! An example of a format file, decoded with all formats and compared.

use std::sync::Arc;

use crate::base::{Event, Nanoseconds};
use crate::decode::infrared::decoder::Decoder;
use crate::decode::infrared::example::{Example, pulses};
use crate::decode::infrared::format::Format;
use crate::decode::infrared::formats::Formats;

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
        let checked = formats.find(&self.format).is_some_and(Format::is_checked);
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
