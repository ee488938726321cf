//! How long the set was on, interval by interval.

use crate::analysis::event_sequence::EventSequence;
use crate::analysis::power::{Power, Switch};
use crate::base::Nanoseconds;

/// How an interval with the set on began.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Origin {
    /// The capture found the set as it was.
    Found,
    /// Switched on, as far as is known after long enough off to be cold.
    Cold,
    /// Restarted, or woken from a short standby: still warm from before.
    Warm,
}

/// An interval in which the set was on without a pause.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct OnInterval {
    /// When it began, on the sequence's axis.
    pub start: Nanoseconds,
    /// When it ended.
    pub end: Nanoseconds,
    /// How it began.
    pub origin: Origin,
    /// In which capture.
    pub segment: u32,
    /// How long the set had been on when it began, seconds, where that is known.
    pub age_s: Option<f64>,
}

impl OnInterval {
    /// Its length in seconds.
    pub fn seconds(&self) -> f64 {
        (self.end - self.start).seconds().max(0.0)
    }
}

/// When the set was on while it was watched.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct OnTime {
    /// The intervals in their order.
    pub intervals: Vec<OnInterval>,
    /// Seconds in standby.
    pub asleep_s: f64,
}

impl OnTime {
    /// Of all captures of a sequence.
    pub fn of(sequence: &EventSequence) -> Self {
        let mut found = Self::default();
        let mut switches = sequence.switches().iter().peekable();
        let mut clock = PowerClock::new(Nanoseconds::ZERO, 0, None);
        let segments = sequence.segments();
        for (segment, number) in segments.iter().zip(0u32..) {
            // One capture is one interval, whatever of it was observed: on the sequence's axis its parts lie end to end.
            if !segment.continues {
                clock = PowerClock::new(segment.span.start, number, segment.age_s());
            }
            while let Some(switch) = switches.next_if(|switch| switch.segment == number) {
                found.intervals.extend(clock.take(*switch));
            }
            if segments.get(number as usize + 1).is_none_or(|next| !next.continues) {
                found.intervals.extend(clock.current(segment.span.end));
                found.asleep_s += clock.asleep_s(segment.span.end);
            }
        }
        found
    }
}

/// Follows the supply of the set through one capture. O(1) a step.
#[derive(Clone, Copy, Debug)]
pub struct PowerClock {
    on: Option<(Nanoseconds, Origin)>,
    /// When it was switched off, and the same on the capture's clock.
    off: Option<(Nanoseconds, Nanoseconds)>,
    spoke: bool,
    /// How long the set had been on when the capture began, seconds.
    age_s: Option<f64>,
    segment: u32,
    asleep_s: f64,
}

impl PowerClock {
    /// From the start of a capture.
    pub fn new(start: Nanoseconds, segment: u32, age_s: Option<f64>) -> Self {
        Self { on: Some((start, Origin::Found)), off: None, spoke: false, age_s, segment, asleep_s: 0.0 }
    }

    /// Takes the next switch and gives the interval that it ended. What lies before a first boot of which nothing was
    /// heard is no interval: the set was off, or may have been.
    pub fn take(&mut self, switch: Switch) -> Option<OnInterval> {
        let spoke = std::mem::replace(&mut self.spoke, true);
        match switch.power {
            Power::Awake if self.on.is_some() => None,
            Power::Awake | Power::Boot => {
                let ended = self.current(switch.t).filter(|_| spoke);
                let warm = match self.off.take() {
                    Some((off, at)) => {
                        self.asleep_s += (switch.t - off).seconds().max(0.0);
                        switch.at - at < COOLING
                    }
                    None => spoke,
                };
                self.on = Some((switch.t, if warm { Origin::Warm } else { Origin::Cold }));
                ended
            }
            Power::Standby => {
                let ended = self.current(switch.t);
                self.on = None;
                self.off = self.off.or(Some((switch.t, switch.at)));
                ended
            }
        }
    }

    /// The interval that goes on, up to now.
    pub fn current(&self, now: Nanoseconds) -> Option<OnInterval> {
        let segment = self.segment;
        self.on.map(|(start, origin)| {
            let age_s = match origin {
                Origin::Cold => Some(0.0),
                Origin::Found => self.age_s,
                Origin::Warm => None,
            };
            OnInterval { start, end: now.max(start), origin, segment, age_s }
        })
    }

    /// Seconds in standby so far.
    pub fn asleep_s(&self, now: Nanoseconds) -> f64 {
        self.asleep_s + self.off.map_or(0.0, |(off, _)| (now - off).seconds().max(0.0))
    }
}

/// Off for less than this, a set is still warm. A rule of our own: no publication gives a cooling time for all sets.
pub(crate) const COOLING: Nanoseconds = Nanoseconds::from_millis(600_000);
