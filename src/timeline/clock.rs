//! Set time to host time, by the lower envelope.
//!
//! A line that the set printed at its own time `u` arrives at host time `a = u + offset + delay`. The delay
//! (the time on the wire, the lumps of up to 16 ms of a USB adapter, a busy host) is never negative, so the
//! smallest `a - u` within a window is the best estimate of the offset: the other lines were later. The
//! window is limited because the two clocks drift apart.
//!
//! Source: the principle of the minimum filter for one-way delays, as in Moon, Skelly and Towsley (1999),
//! "Estimation and removal of clock skew from network delay measurements", IEEE INFOCOM (title and year
//! from memory; the window and the bookkeeping are ours).

use std::collections::VecDeque;

use crate::base::Nanoseconds;

/// Length of the window: 60 s. At a drift of 100 ppm (a poor quartz) the offset moves by 6 ms within it,
/// which is below the lumps that it removes.
pub const WINDOW: Nanoseconds = Nanoseconds(60_000_000_000);

/// An uptime that falls back by more than this is a reboot; less is taken for lines printed out of order.
pub const REBOOT_AFTER: Nanoseconds = Nanoseconds(1_000_000_000);

/// What one pair of times gave.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Fitted {
    /// When the line was printed, on the capture clock; never before the one before it.
    pub t: Nanoseconds,
    /// Whether the set has started anew before this line.
    pub rebooted: bool,
}

/// Fits a set's own time to the capture clock, at constant memory.
#[derive(Clone, Debug, Default)]
pub struct SetClock {
    /// Candidates for the smallest offset: arrival times ascending, offsets strictly ascending.
    window: VecDeque<(Nanoseconds, i64)>,
    newest: Option<Nanoseconds>,
    last: Option<Nanoseconds>,
    reboots: u32,
    /// Smallest offset of the first full window since the last reboot, and when it was met.
    first: Option<(Nanoseconds, i64)>,
    began: Option<Nanoseconds>,
}

/// Most candidates that are kept: a window in which each offset is larger than the one before.
const MOST_CANDIDATES: usize = 1024;

impl SetClock {
    /// A clock that knows nothing.
    pub fn new() -> Self {
        Self::default()
    }

    /// Takes a line that arrived at `arrival` with the set's own time `set_time`; gives when it was printed.
    ///
    /// The result is at most `arrival`, and never runs backwards.
    pub fn push(&mut self, arrival: Nanoseconds, set_time: Nanoseconds) -> Fitted {
        let rebooted = self.newest.is_some_and(|newest| newest.saturating_sub(set_time) > REBOOT_AFTER);
        if rebooted {
            self.window.clear();
            self.first = None;
            self.began = None;
            self.newest = None;
            self.reboots += 1;
        }
        self.newest = Some(self.newest.map_or(set_time, |newest| newest.max(set_time)));
        let began = *self.began.get_or_insert(arrival);
        let offset = arrival.saturating_sub(set_time).0;
        while self.window.back().is_some_and(|(_, larger)| *larger >= offset) {
            self.window.pop_back();
        }
        if self.window.len() == MOST_CANDIDATES {
            // The newest candidate is the largest and would be the last to be used.
            self.window.pop_back();
        }
        self.window.push_back((arrival, offset));
        while self.window.front().is_some_and(|(when, _)| arrival.saturating_sub(*when) > WINDOW) {
            self.window.pop_front();
        }
        let smallest = self.window.front().map_or(offset, |(_, smallest)| *smallest);
        if self.first.is_none() && arrival.saturating_sub(began) >= WINDOW {
            self.first = self.window.front().copied();
        }
        let fitted = set_time.saturating_add(Nanoseconds(smallest)).min(arrival);
        let t = self.last.map_or(fitted, |last| fitted.max(last));
        self.last = Some(t);
        Fitted { t, rebooted }
    }

    /// How often the set has started anew.
    pub fn reboots(&self) -> u32 {
        self.reboots
    }

    /// The offset now: capture time minus set time. `None` before the first line.
    pub fn offset(&self) -> Option<Nanoseconds> {
        self.window.front().map(|(_, smallest)| Nanoseconds(*smallest))
    }

    /// By how much the set's clock is slow, in parts per million (negative: fast), from the envelope's
    /// lowest points in the first window since the last start and in the latest. `None` until they lie two
    /// windows apart.
    #[allow(clippy::cast_precision_loss)]
    pub fn drift_ppm(&self) -> Option<f64> {
        let (t0, first) = self.first?;
        let (t1, latest) = *self.window.front()?;
        let apart = t1.saturating_sub(t0);
        (apart.0 >= 2 * WINDOW.0).then(|| (latest - first) as f64 / apart.0 as f64 * 1e6)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ever_later_lines_do_not_fill_the_memory_and_the_earliest_still_counts() {
        let mut clock = SetClock::new();
        for i in 0..200_000 {
            // Within one window, each offset larger than the one before.
            clock.push(Nanoseconds(i * 1000), Nanoseconds(i * 500));
            assert!(clock.window.len() <= MOST_CANDIDATES);
        }
        assert_eq!(clock.offset(), Some(Nanoseconds::ZERO));
    }
}
