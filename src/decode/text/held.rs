//! Keys that are down, by the set's own words: press, repeat and release, with or without a printed release.

use crate::base::{ControlPath, Event, EventKind, Key, Name, Nanoseconds};
use crate::decode::chassis::{Timeout, Timeouts};
use crate::decode::protocol::KeyState;

/// Most keys that are down at once; more than a hand has fingers means damaged releases.
const MOST_DOWN: usize = 16;

#[derive(Clone, Debug)]
struct Down {
    path: ControlPath,
    key: Option<Key>,
    since: Nanoseconds,
    last: Nanoseconds,
    /// When silence means up; `None` when the set prints releases.
    deadline: Option<Nanoseconds>,
    /// The press, for what its release must carry (format, address, initiator …).
    press: Event,
}

/// The reasons that notes give, made once.
#[derive(Clone, Debug)]
struct Words {
    timeout: Name,
    another: Name,
    again: Name,
    no_press: Name,
    no_release: Name,
}

/// Keys that are down.
#[derive(Clone, Debug)]
pub(super) struct Held {
    timeouts: Timeouts,
    /// The set prints repeats in another way than presses.
    printed_repeats: bool,
    /// The set reports one key of a path at a time: its releases or repeats name no key. A path whose releases it does
    /// not print is like that too.
    one_at_a_time: bool,
    down: Vec<Down>,
    words: Words,
}

impl Held {
    pub(super) fn new(timeouts: Timeouts, printed_repeats: bool, one_at_a_time: bool) -> Self {
        Self {
            timeouts,
            printed_repeats,
            one_at_a_time,
            down: Vec::with_capacity(MOST_DOWN),
            words: Words {
                timeout: "release by time-out: the set prints none".into(),
                another: "release by another key: none was printed".into(),
                again: "release by another press: the set prints none".into(),
                no_press: "no press before".into(),
                no_release: "no release before".into(),
            },
        }
    }

    /// Takes what the set says of a key; the last event of `out` knows everything but its kind and how long the key was
    /// held. A `nameless` record names no key: it is of whichever was down, and nothing where none was, since a set may print
    /// a release as long as no key is pressed.
    pub(super) fn take(&mut self, state: KeyState, nameless: bool, out: &mut Vec<Event>) {
        let at = out.len();
        let Some(event) = out.last_mut() else { return };
        let silence = self.timeout(event.path);
        let found = self.down.iter().position(|d| d.path == event.path && (nameless || d.key == event.key));
        if nameless && found.is_none() {
            out.pop();
            return;
        }
        match (state, found) {
            (KeyState::Release, Some(i)) => {
                let down = self.down.swap_remove(i);
                event.kind = EventKind::Release;
                event.key = down.key;
                event.held = Some(event.t - down.since);
            }
            (KeyState::Release, None) => {
                event.kind = EventKind::Release;
                event.note.get_or_insert_with(|| self.words.no_press.clone());
            }
            (KeyState::Press, Some(i)) if silence.is_none() => {
                event.kind = EventKind::Press;
                event.note.get_or_insert_with(|| self.words.no_release.clone());
                self.renew(i, event.t, None);
                if let Some(down) = self.down.get_mut(i) {
                    down.since = event.t;
                }
            }
            (KeyState::Press, Some(i)) if self.printed_repeats => {
                // The set prints repeats as such: this is a second press.
                let down = self.down.swap_remove(i);
                event.kind = EventKind::Press;
                let t = event.t;
                self.begin(at, silence.map(|s| s.first), out);
                out.insert(at - 1, release(&down, t, self.words.again.clone()));
            }
            (KeyState::Press | KeyState::Repeat, Some(i)) => {
                event.kind = EventKind::Repeat;
                event.key = self.down.get(i).and_then(|down| down.key);
                self.renew(i, event.t, silence.map(|s| s.next));
            }
            (KeyState::Press, None) => {
                event.kind = EventKind::Press;
                self.begin(at, silence.map(|s| s.first), out);
            }
            (KeyState::Repeat, None) => {
                event.kind = EventKind::Repeat;
                event.note.get_or_insert_with(|| self.words.no_press.clone());
                self.begin(at, silence.map(|s| s.next), out);
            }
        }
    }

    /// How long a key of this path may be silent.
    fn timeout(&self, path: ControlPath) -> Option<Timeout> {
        self.timeouts.get(path as usize).copied().flatten()
    }

    fn renew(&mut self, i: usize, t: Nanoseconds, silence: Option<Nanoseconds>) {
        if let Some(down) = self.down.get_mut(i) {
            down.last = t;
            down.deadline = silence.map(|silence| t + silence);
        }
    }

    /// Notes the press that is event number `at` of `out`, counted from 1.
    fn begin(&mut self, at: usize, silence: Option<Nanoseconds>, out: &mut Vec<Event>) {
        let Some(event) = out.last().cloned() else { return };
        if self.one_at_a_time || self.timeout(event.path).is_some() {
            while let Some(i) = self.down.iter().position(|d| d.path == event.path) {
                let down = self.down.swap_remove(i);
                out.insert(at - 1, release(&down, event.t, self.words.another.clone()));
            }
        }
        if self.down.len() >= MOST_DOWN {
            self.down.remove(0);
        }
        self.down.push(Down {
            path: event.path,
            key: event.key,
            since: event.t,
            last: event.t,
            deadline: silence.map(|silence| event.t + silence),
            press: event,
        });
    }

    /// Whether no key is down.
    #[inline]
    pub(super) fn is_empty(&self) -> bool {
        self.down.is_empty()
    }

    /// Releases the keys whose time has run out, in the order in which it did.
    pub(super) fn expire(&mut self, now: Nanoseconds, out: &mut Vec<Event>) {
        while let Some(i) = self.first_due(now) {
            let down = self.down.swap_remove(i);
            let t = down.deadline.unwrap_or(now);
            out.push(release(&down, t, self.words.timeout.clone()));
        }
    }

    fn first_due(&self, now: Nanoseconds) -> Option<usize> {
        self.down
            .iter()
            .enumerate()
            .filter_map(|(i, down)| Some((down.deadline.filter(|deadline| *deadline <= now)?, i)))
            .min()
            .map(|(_, i)| i)
    }

    /// Releases everything, because the set restarted.
    pub(super) fn interrupt(&mut self, t: Nanoseconds, why: &Name, out: &mut Vec<Event>) {
        for down in self.down.drain(..) {
            out.push(release(&down, t, why.clone()));
        }
    }
}

/// `held` counts to the last line that said so: later is not known.
fn release(down: &Down, t: Nanoseconds, note: Name) -> Event {
    let mut event = down.press.clone();
    event.t = t;
    event.kind = EventKind::Release;
    event.held = Some(down.last - down.since);
    event.note = Some(note);
    event.offset = None;
    event.length = None;
    event
}
