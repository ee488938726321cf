//! Binary frames to events: the same records as those of lines, with fields of bits instead of placeholders.

use std::sync::Arc;

use crate::base::{Event, Name, Nanoseconds};
use crate::decode::chassis::{Chassis, PacketPattern};
use crate::decode::frame::{Field, Found};
use crate::decode::report::Reported;
use crate::decode::shape;
use crate::decode::text::fields::Fields;
use crate::decode::text::{Origin, TextDecoder};

/// Quality of what a frame without any check says, of 1. Ours: as likely damaged as not, once damage occurs.
const UNCHECKED: f32 = 0.5;

impl TextDecoder {
    pub(super) fn push_framed(
        &mut self,
        arrival: Option<Nanoseconds>,
        offset: u64,
        bytes: &[u8],
        out: &mut Vec<Event>,
    ) {
        let Some(mut framer) = self.framer.take() else { return };
        let chassis = Arc::clone(&self.chassis);
        framer.push(arrival, offset, bytes, &mut |found| self.found(&chassis, &found, out));
        self.framer = Some(framer);
    }

    pub(super) fn finish_framed(&mut self, out: &mut Vec<Event>) {
        let Some(mut framer) = self.framer.take() else { return };
        let chassis = Arc::clone(&self.chassis);
        framer.finish(&mut |found| self.found(&chassis, &found, out));
        self.framer = Some(framer);
    }

    fn found(&mut self, chassis: &Chassis, found: &Found<'_>, out: &mut Vec<Event>) {
        self.counters.records += 1;
        match *found {
            Found::Frame { offset, length, arrival, bytes } => {
                self.frame(chassis, Origin { arrival, offset, length }, bytes, out);
            }
            Found::Gap { offset, length, arrival, why } => {
                self.counters.damaged += 1;
                let note = match why {
                    Some(why) => format!("{length} bytes that are no frame: {why}"),
                    None => format!("{length} bytes that are no frame"),
                };
                self.noise(Origin { arrival, offset, length }, note.into(), out);
            }
        }
    }

    fn frame(&mut self, chassis: &Chassis, origin: Origin, bytes: &[u8], out: &mut Vec<Event>) {
        let packets = chassis.frames.as_ref().map_or(&[][..], |frames| &frames.packets);
        let Some(packet) = packets.iter().find(|packet| packet.when.iter().all(|tell| tell.fits(bytes)))
        else {
            self.counters.not_mine += 1;
            let t = origin.arrival.unwrap_or_default().max(self.clock.now());
            self.report(t, Reported::Foreign);
            return;
        };
        let first = out.len();
        let mut text = std::mem::take(&mut self.cleaned);
        let read = self.packet(chassis, packet, origin, bytes, &mut text, out);
        self.cleaned = text;
        self.sign(first, self.records.silent, Some(origin), out);
        if chassis.frames.as_ref().is_some_and(|frames| frames.layout.checksum.is_none()) {
            for event in out.get_mut(first + self.records.silent..).unwrap_or_default() {
                event.quality = Some(event.quality.unwrap_or(1.0) * UNCHECKED);
            }
        }
        match read {
            Ok(()) => {
                self.counters.decoded += 1;
                self.report(self.clock.now(), Reported::Good);
            }
            Err(note) => {
                self.counters.damaged += 1;
                self.noise(origin, note, out);
            }
        }
    }

    fn packet(
        &mut self,
        chassis: &Chassis,
        packet: &PacketPattern,
        origin: Origin,
        bytes: &[u8],
        text: &mut Vec<u8>,
        out: &mut Vec<Event>,
    ) -> Result<(), Name> {
        text.clear();
        let mut slots = [shape::Captured::default(); shape::MOST_PLACEHOLDERS];
        for ((field, spoken), slot) in packet.fields.iter().zip(&packet.spoken).zip(&mut slots) {
            // A frame has at most LONGEST_FRAME bytes.
            #[allow(clippy::cast_possible_truncation)]
            let end = |text: &[u8]| text.len() as u32;
            slot.start = end(text);
            slot.number = field.write(bytes, *spoken, text).ok_or_else(|| too_short(bytes.len(), field))?;
            slot.end = end(text);
        }
        let fields = Fields::given(&packet.pattern, text, slots);
        self.records.apply(chassis, &fields, origin.arrival, &mut self.clock, out)
    }
}

#[cold]
fn too_short(length: usize, field: &Field) -> Name {
    format!("a frame of {length} bytes is too short for its field `{}`", field.name).into()
}
