//! The set's own uptime placed on the capture clock.
//!
//! Bytes reach the computer late, never early, and in lumps: a USB adapter delivers every few milliseconds.
//! So the smallest `arrival - uptime` of the last minute is the best estimate of the offset between the two
//! clocks, and `uptime + offset` is when the line was printed. The window of a minute follows the drift of
//! the set's crystal (100 ppm is 6 ms a minute).

use std::collections::VecDeque;

use crate::base::Nanoseconds;

/// How far back the smallest delay is sought.
const WINDOW: Nanoseconds = Nanoseconds(60_000_000_000);
/// Width of one bucket of the window; bounds the memory to 61 entries.
const BUCKET: Nanoseconds = Nanoseconds::SECOND;
/// An uptime that falls back by more than this is a restart; less is two processors printing out of order.
const RESTART: Nanoseconds = Nanoseconds(500_000_000);
/// A stamp that runs ahead of the arrival by more than this is doubted until the next one agrees.
const LEAP: Nanoseconds = Nanoseconds(2_000_000_000);

/// Where a time came from.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum TimeBasis {
    /// The capture says when each byte arrived.
    Arrival,
    /// The set's own stamps; pauses before the first stamp and across a restart are not known.
    SetUptime,
    /// The set prints at a fixed period; lost lines shift the time.
    NominalPeriod,
    /// Nothing tells the time: order is known, rates and periods are not.
    #[default]
    None,
}

/// Where one line stands in time.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Placed {
    /// On the capture clock, never before the line before it.
    pub t: Nanoseconds,
    /// The set restarted between the last line and this one: its uptime fell back from this value.
    pub restarted_from: Option<Nanoseconds>,
}

/// Fits the set's clock to the capture's.
///
/// # Source
/// Lower envelope of one-way delays, as used for clock skew from one-way delay measurements (Moon, Skelly,
/// Towsley 1999, "Estimation and removal of clock skew from network delay measurements"), cited from memory;
/// here windowed instead of a fitted line, because a set's clock is corrected neither by steps nor by slope.
#[derive(Clone, Debug, Default)]
pub struct SetClock {
    last: Option<Nanoseconds>,
    last_uptime: Option<Nanoseconds>,
    last_arrival: Option<Nanoseconds>,
    /// Smallest `arrival - uptime` per bucket, increasing from front to back.
    smallest: VecDeque<(i64, Nanoseconds)>,
    doubted: Option<Nanoseconds>,
    /// `t - uptime` while no arrival is known, or only a coarse one.
    base: Nanoseconds,
    /// Arrivals are whole multiples of it, rounded down.
    quantum: Nanoseconds,
    basis: TimeBasis,
}

impl SetClock {
    /// A clock that knows nothing yet.
    pub fn new() -> Self {
        Self::default()
    }

    /// Arrivals will be whole multiples of `quantum`, rounded down: they say no more than within which step a line
    /// came, so the set's own times go before them.
    pub fn coarse(&mut self, quantum: Nanoseconds) {
        self.quantum = quantum;
    }

    /// What the times rest on so far; the best basis that was met.
    pub fn basis(&self) -> TimeBasis {
        self.basis
    }

    /// The set's uptime on the last line that carried one.
    pub fn uptime(&self) -> Option<Nanoseconds> {
        self.last_uptime
    }

    /// The time of the last line.
    pub fn now(&self) -> Nanoseconds {
        self.last.unwrap_or_default()
    }

    /// Places a line. `step` is the nominal time since the last line, used when neither stamp is known.
    /// With `may_jump` the stamp is a wall clock, which may be set back without a restart.
    pub fn place(
        &mut self,
        arrival: Option<Nanoseconds>,
        uptime: Option<Nanoseconds>,
        step: Option<Nanoseconds>,
        may_jump: bool,
    ) -> Placed {
        let mut restarted_from = None;
        if let Some(now) = uptime
            && let Some(before) = self.last_uptime
            && now + RESTART < before
        {
            restarted_from = Some(before).filter(|_| !may_jump);
            self.smallest.clear();
            self.doubted = None;
            self.last_uptime = None;
        }
        let raw = match (arrival, uptime) {
            (Some(arrival), Some(uptime)) => self.with_both(arrival, uptime),
            (Some(arrival), None) if self.quantum > Nanoseconds::ZERO => {
                self.last.map_or(arrival, |last| self.within(last + step.unwrap_or_default(), arrival))
            }
            (Some(arrival), None) => arrival,
            (None, Some(uptime)) => self.with_uptime(uptime),
            (None, None) => self.last.map_or(Nanoseconds::ZERO, |last| last + step.unwrap_or_default()),
        };
        self.note_basis(arrival, uptime, step);
        self.last_arrival = arrival.or(self.last_arrival);
        let t = self.last.map_or(raw, |last| raw.max(last));
        self.last = Some(t);
        Placed { t, restarted_from }
    }

    fn note_basis(
        &mut self,
        arrival: Option<Nanoseconds>,
        uptime: Option<Nanoseconds>,
        step: Option<Nanoseconds>,
    ) {
        let seen = match (arrival, uptime, step) {
            (Some(_), _, _) => TimeBasis::Arrival,
            (None, Some(_), _) => TimeBasis::SetUptime,
            (None, None, Some(_)) => TimeBasis::NominalPeriod,
            _ => return,
        };
        let rank = |basis| match basis {
            TimeBasis::Arrival => 3,
            TimeBasis::SetUptime => 2,
            TimeBasis::NominalPeriod => 1,
            TimeBasis::None => 0,
        };
        if rank(seen) > rank(self.basis) {
            self.basis = seen;
        }
    }

    fn with_uptime(&mut self, uptime: Nanoseconds) -> Nanoseconds {
        if self.last_uptime.is_none() {
            self.base = self.now() - uptime;
        }
        self.last_uptime = Some(self.last_uptime.map_or(uptime, |last| last.max(uptime)));
        uptime + self.base
    }

    fn with_both(&mut self, arrival: Nanoseconds, uptime: Nanoseconds) -> Nanoseconds {
        if let (Some(last_uptime), Some(last_arrival)) = (self.last_uptime, self.last_arrival)
            && uptime - last_uptime > (arrival - last_arrival) + LEAP
        {
            // One damaged digit must not carry the clock away; two stamps that agree are a stepped clock.
            let agrees = self.doubted.is_some_and(|doubted| {
                let gap = uptime - doubted;
                gap >= Nanoseconds::ZERO && gap <= (arrival - last_arrival) + LEAP
            });
            if !agrees {
                self.doubted = Some(uptime);
                return arrival;
            }
            self.smallest.clear();
        }
        self.doubted = None;
        let first = self.last_uptime.is_none();
        self.last_uptime = Some(self.last_uptime.map_or(uptime, |last| last.max(uptime)));
        if self.quantum > Nanoseconds::ZERO {
            let expected = if first { arrival } else { uptime + self.base };
            let t = self.within(expected, arrival);
            self.base = t - uptime;
            return t;
        }
        uptime + self.offset(arrival, arrival - uptime)
    }

    /// The time that is expected, as far as a coarse arrival allows: the first line may have come anywhere in its step,
    /// and so may this one.
    fn within(&self, expected: Nanoseconds, arrival: Nanoseconds) -> Nanoseconds {
        expected.max(arrival - self.quantum).min(arrival + self.quantum)
    }

    /// Smallest `arrival - uptime` of the window that ends now.
    fn offset(&mut self, arrival: Nanoseconds, difference: Nanoseconds) -> Nanoseconds {
        let bucket = arrival.0.div_euclid(BUCKET.0);
        let oldest = (arrival - WINDOW).0.div_euclid(BUCKET.0);
        while self.smallest.front().is_some_and(|(b, _)| *b < oldest) {
            self.smallest.pop_front();
        }
        while self.smallest.back().is_some_and(|(_, d)| *d >= difference) {
            self.smallest.pop_back();
        }
        if self.smallest.back().is_none_or(|(b, _)| *b != bucket) {
            self.smallest.push_back((bucket, difference));
        }
        self.smallest.front().map_or(difference, |(_, d)| *d)
    }
}
