//! What a line says of an event that a later line completes.

use crate::base::{Event, Nanoseconds};

/// Lines of one event follow each other at once; what stands longer was never completed. Common practice, no source.
const LONGEST: Nanoseconds = Nanoseconds::SECOND;

/// The parts that wait, at most one for each control path.
#[derive(Clone, Debug, Default)]
pub(super) struct Parts(Vec<Event>);

impl Parts {
    /// Keeps a part in place of the one before it.
    pub(super) fn keep(&mut self, part: Option<Event>) {
        let Some(part) = part else { return };
        self.0.retain(|other| other.path != part.path);
        self.0.push(part);
    }

    /// Gives an event what it lacks and a part of its path has; whether there was one.
    #[inline]
    pub(super) fn complete(&mut self, event: &mut Event) -> bool {
        if self.0.is_empty() {
            return false;
        }
        let Some(at) = self.0.iter().position(|part| part.path == event.path) else { return false };
        let part = self.0.swap_remove(at);
        if event.t - part.t > LONGEST {
            return false;
        }
        macro_rules! fill {
            ($($field:ident),*) => {$( if event.$field.is_none() { event.$field = part.$field; } )*};
        }
        fill!(key, line, format, address, command, toggle, raw, item, value, note);
        true
    }

    /// Forgets all.
    pub(super) fn clear(&mut self) {
        self.0.clear();
    }
}
