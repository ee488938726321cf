//! When the set was on, as its own boot and standby messages tell; where they tell nothing, from the start of the
//! capture on. A fault that comes with warmth is looked for on this clock.

pub use crate::analysis::on_time::PowerClock;
pub use crate::analysis::on_time::{OnInterval, OnTime, Origin};
use crate::base::{ControlPath, Event, EventKind, Nanoseconds};

/// What an event tells about the supply of the set.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Power {
    /// The set started.
    Boot,
    /// The set went to standby.
    Standby,
    /// The set is on: it woke, or it did something that only a set that is on does.
    Awake,
}

impl Power {
    /// What this event tells, if anything.
    pub fn of(event: &Event) -> Option<Self> {
        match (event.kind, event.path) {
            (EventKind::Boot, _) => Some(Self::Boot),
            (EventKind::Standby, _) => match event.value.as_deref() {
                None | Some("standby") => Some(Self::Standby),
                Some(_) => Some(Self::Awake),
            },
            (EventKind::Change, ControlPath::Menu) => Some(Self::Awake),
            _ => None,
        }
    }
}

/// One such instant on a sequence's axis.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Switch {
    /// When.
    pub t: Nanoseconds,
    /// The same on the capture's own clock, from which no time was taken off.
    pub at: Nanoseconds,
    /// What.
    pub power: Power,
    /// In which capture.
    pub segment: u32,
}
