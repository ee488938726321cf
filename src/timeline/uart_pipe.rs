//! One UART channel: edges to characters, characters to lines, lines to the decoder of their chassis.

use std::sync::Arc;

use crate::base::{ControlPath, Event, EventKind, Name, Nanoseconds, Result};
use crate::signal::uart::{Framing, Receiver, UartSpec};
use crate::signal::{Character, Edge};
use crate::timeline::text_stage::TextStage;

/// A pause between two characters after which a line without end is handed on.
const LINE_PAUSE: Nanoseconds = Nanoseconds(200_000_000);
/// Longest piece of a line that is gathered before it is handed on.
const LONGEST_PIECE: usize = 4096;

pub(super) struct UartPipe {
    pub(super) receiver: Receiver,
    characters: Vec<Character>,
    pub(super) text: TextStage,
    capture: Name,
    line: Vec<u8>,
    /// Time and place of the first character of the line, and the last one's.
    first: Option<(Nanoseconds, u64)>,
    last: Option<(Nanoseconds, u64)>,
    /// A run of faulty characters with the same fault.
    faulty: Option<(Nanoseconds, u64, &'static str, u64)>,
    faults: u64,
    total: u64,
}

impl UartPipe {
    pub(super) fn new(rate: Option<f64>, text: TextStage, capture: Name) -> Self {
        Self {
            // Who names a rate means 8N1, the trade's default: a faulty stop bit must stay a fault and not
            // become the ninth data bit of a framing that would explain it. Without a rate all is found.
            receiver: Receiver::new(UartSpec {
                rate_hz: rate,
                framing: rate.map(|_| Framing::default()),
                inverted: None,
            }),
            characters: Vec::new(),
            text,
            capture,
            line: Vec::new(),
            first: None,
            last: None,
            faulty: None,
            faults: 0,
            total: 0,
        }
    }

    #[inline]
    pub(super) fn push(&mut self, edge: Edge, out: &mut Vec<Event>) -> Result<()> {
        self.receiver.push(edge, &mut self.characters);
        if self.characters.is_empty() { Ok(()) } else { self.take(out) }
    }

    fn take(&mut self, out: &mut Vec<Event>) -> Result<()> {
        let mut characters = std::mem::take(&mut self.characters);
        for character in characters.drain(..) {
            self.character(&character, out)?;
        }
        self.characters = characters;
        Ok(())
    }

    fn character(&mut self, character: &Character, out: &mut Vec<Event>) -> Result<()> {
        self.total += 1;
        if self.last.is_some_and(|(t, _)| character.t - t > LINE_PAUSE) {
            self.hand_on(out)?;
        }
        match character.fault {
            Some(fault) => {
                self.faults += 1;
                match &mut self.faulty {
                    Some((_, _, same, count)) if *same == fault => *count += 1,
                    _ => {
                        self.end_faults(out);
                        self.faulty = Some((character.t, character.offset, fault, 1));
                    }
                }
            }
            None if self.faulty.is_none() => {}
            None => self.end_faults(out),
        }
        let place = (character.t, character.offset);
        self.first.get_or_insert(place);
        self.last = Some(place);
        // A faulty character stays in its line: the line is damaged there, not shorter.
        let byte = if character.fault.is_some() { 0xff } else { (character.value & 0xff) as u8 };
        self.line.push(byte);
        if byte == b'\n' || self.line.len() >= LONGEST_PIECE {
            self.hand_on(out)?;
        }
        Ok(())
    }

    fn end_faults(&mut self, out: &mut Vec<Event>) {
        if let Some((t, offset, fault, count)) = self.faulty.take() {
            let mut event = Event::new(t, ControlPath::System, EventKind::Fault);
            event.note = Some(if count == 1 {
                Name::from(fault)
            } else {
                format!("{fault}, {count} characters in a row").into()
            });
            event.capture = Some(Arc::clone(&self.capture));
            event.offset = Some(offset);
            event.decoder = Some("uart".into());
            out.push(event);
        }
    }

    /// Hands the line on; its events stand where its characters stand in the capture.
    fn hand_on(&mut self, out: &mut Vec<Event>) -> Result<()> {
        let (Some((t, offset)), Some((_, last))) = (self.first.take(), self.last.take()) else {
            return Ok(());
        };
        let from = out.len();
        self.text.push(Some(t), offset, &self.line, out)?;
        self.line.clear();
        for event in out.iter_mut().skip(from).filter(|event| event.t >= t) {
            event.offset = Some(offset);
            event.length = u32::try_from(last.saturating_sub(offset)).ok();
        }
        Ok(())
    }

    pub(super) fn finish(&mut self, end: Nanoseconds, out: &mut Vec<Event>) -> Result<()> {
        self.receiver.finish(end, &mut self.characters);
        self.take(out)?;
        self.end_faults(out);
        self.hand_on(out)?;
        self.text.finish(out)
    }

    pub(super) fn remark(&self, channel: &str) -> String {
        match self.receiver.found() {
            Some(found) => format!(
                "{channel}: uart at {:.0} baud{}, {}{}, certainty {:.0} %; {} characters, {} faulty",
                found.usual_hz.unwrap_or(found.rate_hz),
                if found.usual_hz.is_some() { "" } else { " (no usual rate)" },
                found.framing,
                if found.inverted { ", inverted" } else { "" },
                100.0 * found.certainty,
                self.total,
                self.faults
            ),
            None => format!("{channel}: no UART characters could be read from this channel"),
        }
    }
}
