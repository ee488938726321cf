//! The firmware of the simulated set that turns converter counts into keys: scan, debounce, auto-repeat.

use crate::base::{Key, Nanoseconds};

/// What the firmware believes that a hand did.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Action {
    /// A key went down.
    Press(Key),
    /// It is still down; the firmware repeats it.
    Repeat(Key),
    /// It went up.
    Release(Key),
}

impl Action {
    /// The key.
    pub fn key(self) -> Key {
        match self {
            Self::Press(key) | Self::Repeat(key) | Self::Release(key) => key,
        }
    }
}

/// One line's key state machine.
///
/// A key counts as down (or up) after two scans in a row agree, and repeats itself half a second later, then
/// ten times a second. The times are common practice, no source.
#[derive(Clone, Debug, Default)]
pub struct Keypad {
    candidate: Option<Key>,
    agreed: u32,
    down: Option<Key>,
    next_repeat: Nanoseconds,
}

/// Scans in a row that must agree.
pub const DEBOUNCE: u32 = 2;
/// From press to the first repeat.
pub const REPEAT_DELAY: Nanoseconds = Nanoseconds::from_millis(500);
/// From repeat to repeat.
pub const REPEAT_PERIOD: Nanoseconds = Nanoseconds::from_millis(100);

impl Keypad {
    /// Takes the window of one scan at `now` and appends what follows from it, at most a release and a press.
    pub fn scan(&mut self, now: Nanoseconds, window: Option<Key>, out: &mut Vec<Action>) {
        if window == self.candidate {
            self.agreed = self.agreed.saturating_add(1);
        } else {
            self.candidate = window;
            self.agreed = 1;
        }
        if self.agreed >= DEBOUNCE && self.down != self.candidate {
            if let Some(key) = self.down.take() {
                out.push(Action::Release(key));
            }
            if let Some(key) = self.candidate {
                self.down = Some(key);
                self.next_repeat = now + REPEAT_DELAY;
                out.push(Action::Press(key));
            }
        } else if let Some(key) = self.down
            && now >= self.next_repeat
        {
            self.next_repeat = self.next_repeat + REPEAT_PERIOD;
            out.push(Action::Repeat(key));
        }
    }

    /// The key that is down.
    pub fn down(&self) -> Option<Key> {
        self.down
    }
}
