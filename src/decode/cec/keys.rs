//! Keys over CEC: repeats while a key is held, and releases that were lost.
//!
//! A held key is Pressed again every 200 to 500 ms; a follower treats 550 ms of silence as a release. A lost
//! Released is the CEC form of a stuck key, so that it is said.

use crate::base::{ControlPath, Event, EventKind, Key, Name, Nanoseconds};

/// The hold time-out.
///
/// # Source
/// HDMI CEC 13.13.3, 550 ms at least (from memory); the Linux kernel's rc-cec has 550 ms too.
pub const HOLD: Nanoseconds = Nanoseconds(550_000_000);

/// Most keys that can be down: one for each initiator.
const MOST: usize = 16;

#[derive(Debug)]
struct Down {
    initiator: u8,
    destination: u8,
    opcode: u8,
    operands: Option<Vec<u8>>,
    key: Option<Key>,
    since: Nanoseconds,
    latest: Nanoseconds,
    decoder: Option<Name>,
    capture: Option<Name>,
}

/// Turns messages into press, repeat and release. Serves the wire and printed messages alike.
#[derive(Debug, Default)]
pub struct Keys {
    down: Vec<Down>,
}

impl Keys {
    /// No key down.
    pub fn new() -> Self {
        Self::default()
    }

    /// Takes the event of a message, in the order of time; passes it on as what it comes to. A press that
    /// nobody acknowledged reached nobody and becomes a `frame`.
    pub fn push(&mut self, mut event: Event, out: &mut Vec<Event>) {
        self.advance(event.t, out);
        let initiator = event.initiator.unwrap_or(15);
        let at = self.down.iter().position(|down| down.initiator == initiator);
        match event.kind {
            EventKind::Press if event.ack == Some(false) => {
                event.kind = EventKind::Frame;
                event.key = None;
                remark(&mut event, "not acknowledged: the key reached nobody");
            }
            EventKind::Press => self.press(at, &mut event, out),
            EventKind::Release => match at {
                Some(at) => {
                    let down = self.down.remove(at);
                    event.key = down.key;
                    event.held = Some(event.t - down.since);
                }
                None => remark(&mut event, "release with no press before it"),
            },
            _ => {}
        }
        out.push(event);
    }

    fn press(&mut self, at: Option<usize>, event: &mut Event, out: &mut Vec<Event>) {
        if let Some(down) = at.and_then(|at| self.down.get_mut(at)) {
            if Some(down.opcode) == event.opcode && down.operands == event.operands {
                down.latest = event.t;
                event.kind = EventKind::Repeat;
                return;
            }
            // Another key without a release between: the standard takes the first as released.
            if let Some(at) = at {
                let down = self.down.remove(at);
                out.push(released(&down, event.t, event.t, "by the next press, no release came"));
            }
        }
        if self.down.len() < MOST {
            self.down.push(Down {
                initiator: event.initiator.unwrap_or(15),
                destination: event.destination.unwrap_or(15),
                opcode: event.opcode.unwrap_or_default(),
                operands: event.operands.clone(),
                key: event.key,
                since: event.t,
                latest: event.t,
                decoder: event.decoder.clone(),
                capture: event.capture.clone(),
            });
        }
    }

    /// Releases by time-out what nothing confirmed up to `now`.
    pub fn advance(&mut self, now: Nanoseconds, out: &mut Vec<Event>) {
        while let Some(at) = (0..self.down.len())
            .filter(|at| self.down.get(*at).is_some_and(|down| down.latest + HOLD <= now))
            .min_by_key(|at| self.down.get(*at).map(|down| down.latest))
        {
            let down = self.down.remove(at);
            let t = down.latest + HOLD;
            out.push(released(&down, t, down.latest, "by time-out: no release came, or it was lost"));
        }
    }

    /// Releases what is down at the end of the capture.
    pub fn finish(&mut self, end: Nanoseconds, out: &mut Vec<Event>) {
        self.advance(end, out);
        for down in std::mem::take(&mut self.down) {
            let t = end.max(down.latest);
            out.push(released(&down, t, t, "down until the capture ended"));
        }
    }
}

fn released(down: &Down, t: Nanoseconds, until: Nanoseconds, how: &str) -> Event {
    let mut event = Event::new(t, ControlPath::Cec, EventKind::Release);
    event.key = down.key;
    event.initiator = Some(down.initiator);
    event.destination = Some(down.destination);
    event.held = Some(until - down.since);
    event.note = Some(how.into());
    event.decoder = down.decoder.clone();
    event.capture = down.capture.clone();
    event
}

/// Adds a remark to an event's note.
pub(super) fn remark(event: &mut Event, text: &str) {
    let note = match &event.note {
        Some(note) => format!("{note}; {text}"),
        None => text.to_owned(),
    };
    event.note = Some(note.into());
}
