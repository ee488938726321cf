//! Analog samples of a keypad line to the readings that the set's converter would give, and the ripple
//! beside them.
//!
//! Readings are taken at the firmware's scan period, whatever the sample rate was: each is the last sample
//! before its instant, as a converter with a hold stage sees it. The lowest and highest sample since the
//! reading before show what the firmware missed. Ripple is measured only while the line rests, so that a
//! key is not taken for one.

mod ripple;

use self::ripple::RippleMeter;
pub use self::ripple::{BINS, Ripple};
use crate::base::{Counts, Nanoseconds, Volts};
use crate::source::{Change, Value};

/// Readings of an unchanged line between two samples, at most: more than any firmware debounces, and a bound
/// where an export leaves out what does not change.
const HELD: u32 = 64;

/// How a line is read.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LevelSpec {
    /// Largest reading of the converter; the reference voltage reads this.
    pub full_scale: u32,
    /// Voltage of the full-scale reading, above zero.
    pub reference: Volts,
    /// The firmware's scan period, above zero.
    pub period: Nanoseconds,
}

impl LevelSpec {
    /// What an ideal converter reads: rounded to the nearest, clamped to its range; not a number reads 0.
    ///
    /// # Formula
    /// `counts = volts / reference × full_scale`
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
    pub fn counts(&self, volts: f64) -> Counts {
        let counts = (volts / self.reference.0 * f64::from(self.full_scale)).round();
        // The cast saturates, and takes what is no number for 0.
        Counts((counts as u32).min(self.full_scale))
    }
}

/// One reading.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Reading {
    /// The scan instant.
    pub t: Nanoseconds,
    /// What the converter reads.
    pub counts: Counts,
    /// The voltage.
    pub volts: Volts,
    /// Lowest sample since the reading before.
    pub lowest: Volts,
    /// Highest sample since the reading before.
    pub highest: Volts,
    /// Where the sample stands in the raw capture.
    pub offset: u64,
    /// The ripple, once in a stretch that is long enough to measure it.
    pub ripple: Option<Ripple>,
}

/// Reads one analog line.
#[derive(Clone, Debug)]
pub struct LevelReader {
    spec: LevelSpec,
    held: Option<Sample>,
    next: Nanoseconds,
    lowest: f64,
    highest: f64,
    meter: RippleMeter,
    ripple: Option<Ripple>,
    skipped: Option<Nanoseconds>,
}

#[derive(Clone, Copy, Debug)]
struct Sample {
    volts: f64,
    offset: u64,
}

impl LevelReader {
    /// For a line that is read like this. A period or reference that is not positive is taken as 1 ms, 1 V.
    pub fn new(spec: LevelSpec) -> Self {
        let positive = spec.reference.0.is_finite() && spec.reference.0 > 0.0;
        let spec = LevelSpec {
            full_scale: spec.full_scale,
            reference: if positive { spec.reference } else { Volts(1.0) },
            period: if spec.period > Nanoseconds::ZERO { spec.period } else { Nanoseconds::from_millis(1) },
        };
        Self {
            spec,
            held: None,
            next: Nanoseconds::ZERO,
            lowest: 0.0,
            highest: 0.0,
            meter: RippleMeter::new(spec.reference.0),
            ripple: None,
            skipped: None,
        }
    }

    /// Up to when the level was held without further readings, once; `None` where each scan was read.
    pub fn skipped(&mut self) -> Option<Nanoseconds> {
        self.skipped.take()
    }

    /// Takes one sample of this line; levels (`0`, `1`) are no voltages and are passed over.
    pub fn push(&mut self, change: Change, out: &mut Vec<Reading>) {
        let Value::Volts(volts) = change.value else { return };
        let volts = f64::from(volts);
        if !volts.is_finite() {
            return;
        }
        self.read(change.t, out);
        if self.held.is_none() {
            self.next = change.t;
            (self.lowest, self.highest) = (volts, volts);
        }
        self.held = Some(Sample { volts, offset: change.offset });
        self.lowest = self.lowest.min(volts);
        self.highest = self.highest.max(volts);
        if let Some(ripple) = self.meter.push(change.t, volts) {
            self.ripple = Some(ripple);
        }
    }

    /// The source has ended at `end`: reads the last sample as long as it was seen.
    pub fn finish(&mut self, end: Nanoseconds, out: &mut Vec<Reading>) {
        self.read(end.saturating_add(Nanoseconds(1)), out);
    }

    /// Readings at the scan instants before `now`.
    fn read(&mut self, now: Nanoseconds, out: &mut Vec<Reading>) {
        let Some(sample) = self.held else { return };
        let mut count = 0;
        while self.next < now {
            if count == HELD {
                // On with the first instant from `now` on, on the same grid.
                let missed = (now - self.next).0.saturating_add(self.spec.period.0 - 1) / self.spec.period.0;
                self.next = self.next + Nanoseconds(missed.saturating_mul(self.spec.period.0));
                self.skipped = Some(self.next - self.spec.period);
                break;
            }
            out.push(Reading {
                t: self.next,
                counts: self.spec.counts(sample.volts),
                volts: Volts(sample.volts),
                lowest: Volts(self.lowest),
                highest: Volts(self.highest),
                offset: sample.offset,
                ripple: self.ripple.take(),
            });
            (self.lowest, self.highest) = (sample.volts, sample.volts);
            self.next = self.next + self.spec.period;
            count += 1;
        }
    }
}
