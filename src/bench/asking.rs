//! A key check as it runs, the same for terminal and daemon: which key is asked for now, and when to go on.

use serde::Serialize;

use crate::analysis::ladder::Network;
use crate::base::{ControlPath, Error, Event, EventKind, Key, Nanoseconds, Result};
use crate::timeline::Protocols;

/// The line at rest is watched this long before the first prompt.
const REST: Nanoseconds = Nanoseconds::from_millis(1_000);
/// Between release and the next prompt: long enough to read what came.
const PAUSE: Nanoseconds = Nanoseconds::from_millis(700);
/// A set that is not recognised by then is not going to be.
const RECOGNISE: Nanoseconds = Nanoseconds(30_000_000_000);

/// What is to be done now.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Turn {
    /// Ask for this key: it is to be noted in the job as a prompt at this instant.
    Ask(Key),
    /// Nothing.
    Wait,
    /// The check is at its end.
    Done,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Phase {
    /// Nothing is asked for until then; not set before the set was heard.
    Rest(Option<Nanoseconds>),
    /// A key was asked for at that time.
    Asked(Nanoseconds),
    /// A press came; its release is waited for until the time.
    Pressed(Key, Nanoseconds),
    Over,
}

/// Where a key check stands.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct KeyState {
    /// The key that is asked for, or was last; null before the first.
    pub asked: Option<Key>,
    /// What the set saw for it; null while it saw nothing.
    pub seen: Option<Key>,
    /// Which one it is, from 1; 0 before the first.
    pub number: usize,
    /// Of so many; 0 while the chassis is not known.
    pub all: usize,
    /// Seconds for which its answer is still waited for; null while none is.
    pub left_s: Option<f64>,
    /// Whether the check is at its end.
    pub over: bool,
}

/// A key check that runs.
#[derive(Clone, Debug)]
pub struct KeyRun {
    named: Vec<Key>,
    keys: Option<Vec<Key>>,
    next: usize,
    patience: Nanoseconds,
    phase: Phase,
    seen: Option<Key>,
    skip: bool,
    now: Nanoseconds,
}

impl KeyRun {
    /// Asks for the keys that are named, else for all of the chassis's ladders; then it waits until it is told the chassis.
    pub fn new(named: Vec<Key>, patience_s: f64) -> Self {
        Self {
            keys: (!named.is_empty()).then(|| named.clone()),
            named,
            next: 0,
            patience: Nanoseconds::from_seconds(patience_s),
            phase: Phase::Rest(None),
            seen: None,
            skip: false,
            now: Nanoseconds::ZERO,
        }
    }

    /// Whether it still has to be told the chassis.
    pub fn is_waiting_for_chassis(&self) -> bool {
        self.keys.is_none()
    }

    /// Takes the chassis of the set.
    ///
    /// # Errors
    /// `Usage` when there is no such chassis, or when it has no ladder and no key is named.
    pub fn chassis(&mut self, name: &str, protocols: &Protocols) -> Result<()> {
        let chassis = protocols.library.chassis(name)?;
        let mut keys = self.named.clone();
        if keys.is_empty() {
            for (_, windows) in chassis.lines() {
                for key in Network::from(windows.line()).keys.iter().map(|key| key.key) {
                    if !keys.contains(&key) {
                        keys.push(key);
                    }
                }
            }
        }
        if keys.is_empty() {
            return Err(Error::usage("the chassis file names no keys of a ladder")
                .help("name the keys: --keys KEY_VOLUMEUP,KEY_VOLUMEDOWN"));
        }
        self.keys = Some(keys);
        Ok(())
    }

    /// Goes on without an answer.
    pub fn skip(&mut self) {
        self.skip = true;
    }

    /// How many keys were asked for.
    pub fn asked(&self) -> usize {
        self.next
    }

    /// Where it stands.
    pub fn state(&self) -> KeyState {
        let left = |until: Nanoseconds| Some((until - self.now).seconds().max(0.0));
        KeyState {
            asked: self
                .keys
                .as_ref()
                .zip(self.next.checked_sub(1))
                .and_then(|(keys, at)| keys.get(at).copied()),
            seen: self.seen,
            number: self.next,
            all: self.keys.as_ref().map_or(0, Vec::len),
            left_s: match self.phase {
                Phase::Asked(since) => left(since + self.patience),
                _ => None,
            },
            over: self.phase == Phase::Over,
        }
    }

    /// What is due at this instant; `events` are those since the last call, `heard` says that bytes came at all.
    pub fn step(&mut self, now: Nanoseconds, events: &[Event], heard: bool) -> Turn {
        self.now = self.now.max(now);
        let skip = std::mem::take(&mut self.skip);
        let turn = self.turn(now, events, heard, skip);
        if turn == Turn::Done {
            self.phase = Phase::Over;
        }
        turn
    }

    fn turn(&mut self, now: Nanoseconds, events: &[Event], heard: bool, skip: bool) -> Turn {
        let Some(keys) = &self.keys else {
            return if now > RECOGNISE { Turn::Done } else { Turn::Wait };
        };
        match self.phase {
            Phase::Rest(None) if heard => self.phase = Phase::Rest(Some(now + REST)),
            Phase::Rest(Some(until)) if now >= until => {
                let Some(key) = keys.get(self.next).copied() else { return Turn::Done };
                self.next += 1;
                self.seen = None;
                self.phase = Phase::Asked(now);
                return Turn::Ask(key);
            }
            Phase::Rest(_) => {
                // A set that never speaks ends the check too.
                if !heard && now > RECOGNISE {
                    return Turn::Done;
                }
            }
            Phase::Asked(since) => {
                let press = events.iter().find(|event| {
                    event.kind == EventKind::Press
                        && event.t > since
                        && matches!(event.path, ControlPath::Keypad | ControlPath::Infrared)
                });
                if let Some(key) = press.and_then(|event| event.key) {
                    self.seen = Some(key);
                    self.phase = Phase::Pressed(key, now + self.patience);
                    self.released(key, now, events);
                } else if skip || now >= since + self.patience {
                    self.phase = Phase::Rest(Some(now + PAUSE));
                }
            }
            Phase::Pressed(key, until) => {
                self.released(key, now, events);
                if skip || now >= until {
                    self.phase = Phase::Rest(Some(now + PAUSE));
                }
            }
            Phase::Over => return Turn::Done,
        }
        Turn::Wait
    }

    fn released(&mut self, key: Key, now: Nanoseconds, events: &[Event]) {
        let last = events.iter().rev().find(|event| {
            event.key == Some(key) && matches!(event.kind, EventKind::Press | EventKind::Release)
        });
        if last.is_some_and(|event| event.kind == EventKind::Release) {
            self.phase = Phase::Rest(Some(now + PAUSE));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn ms(ms: i64) -> Nanoseconds {
        Nanoseconds::from_millis(ms)
    }

    fn event(kind: EventKind, key: &str, at: i64) -> Event {
        let mut event = Event::new(ms(at), ControlPath::Keypad, kind);
        event.key = Key::from_name(key);
        event
    }

    fn key(name: &str) -> Key {
        Key::from_name(name).unwrap()
    }

    #[test]
    fn each_key_is_asked_for_once_and_the_next_after_its_answer() {
        let mut run = KeyRun::new(vec![key("KEY_MENU"), key("KEY_OK"), key("KEY_POWER")], 5.0);
        assert_eq!(run.step(ms(100), &[], false), Turn::Wait, "nothing was heard");
        assert_eq!(run.step(ms(200), &[], true), Turn::Wait);
        assert_eq!(run.step(ms(1200), &[], true), Turn::Ask(key("KEY_MENU")));
        // A press that is late to be told came before its question.
        assert_eq!(run.step(ms(1300), &[event(EventKind::Press, "KEY_OK", 1100)], true), Turn::Wait);
        assert_eq!((run.state().seen, run.state().left_s), (None, Some(4.9)));
        run.step(ms(2000), &[event(EventKind::Press, "KEY_OK", 1950)], true);
        assert_eq!(
            (run.state().seen, run.state().number),
            (Some(key("KEY_OK")), 1),
            "another key is told as it is"
        );
        assert_eq!(run.step(ms(4000), &[], true), Turn::Wait, "it is still down");
        run.step(ms(4100), &[event(EventKind::Release, "KEY_OK", 4050)], true);
        assert_eq!(run.step(ms(4800), &[], true), Turn::Ask(key("KEY_OK")));
        // Nobody answers.
        assert_eq!(run.step(ms(9800), &[], true), Turn::Wait);
        assert_eq!(run.step(ms(10_500), &[], true), Turn::Ask(key("KEY_POWER")));
        run.skip();
        run.step(ms(10_600), &[], true);
        assert_eq!((run.step(ms(11_300), &[], true), run.state().over), (Turn::Done, true));
    }

    #[test]
    fn a_set_that_never_speaks_ends_the_check() {
        let protocols = Protocols::load(None).unwrap();
        let mut run = KeyRun::new(Vec::new(), 5.0);
        assert_eq!(run.step(ms(30_001), &[], false), Turn::Done);
        let mut known = KeyRun::new(Vec::new(), 5.0);
        known.chassis("alder", &protocols).unwrap();
        assert_eq!(known.state().all, 8, "six keys on one line and two on the other");
        assert_eq!(known.step(ms(30_001), &[], false), Turn::Done);
        assert!(KeyRun::new(Vec::new(), 5.0).chassis("linux-input", &protocols).is_err());
    }
}
