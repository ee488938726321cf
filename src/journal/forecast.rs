//! How long the disk lasts.

use std::fmt;

use super::disk::Room;
use crate::base::Nanoseconds;

/// The rate is smoothed over this: 10 minutes. Short enough to see a port that floods, long enough not to
/// warn of a burst.
const SMOOTHED_OVER_S: f64 = 600.0;

/// A disk with less than this share free is low whatever the rate.
const LOW_SHARE: f64 = 0.02;

/// A warning ends only when there is this much more room than what began it, so that it does not flicker.
const CALM: f64 = 1.25;

/// How the disk is.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum DiskLevel {
    /// Enough room.
    #[default]
    Fine,
    /// Full sooner than the warning time, or less than 2 % free.
    Low,
    /// Recording stands still for want of room.
    Full,
}

impl fmt::Display for DiskLevel {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Fine => "fine",
            Self::Low => "low",
            Self::Full => "full",
        })
    }
}

/// Room, rate, and how long it lasts.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Forecast {
    /// Bytes that may still be written.
    pub free: u64,
    /// Bytes of the whole disk.
    pub total: u64,
    /// Bytes a second that the journals grow, before packing, smoothed over 10 minutes.
    pub bytes_per_s: f64,
    /// Hours until the disk is full at this rate; `None` when nothing grows. Packing makes it longer.
    pub hours_left: Option<f64>,
    /// How it is.
    pub level: DiskLevel,
}

/// Watches one disk.
#[derive(Clone, Debug)]
pub(super) struct Watch {
    warn_hours: f64,
    before: Option<(Nanoseconds, u64)>,
    pub(super) now: Forecast,
}

impl Watch {
    pub(super) fn new(warn_hours: f64) -> Self {
        Self { warn_hours, before: None, now: Forecast::default() }
    }

    /// Takes a look: monotonic time, bytes written so far by all journals, room; `full` when a journal could
    /// not grow. `true` when the level has changed.
    pub(super) fn look(&mut self, now: Nanoseconds, written: u64, room: Room, full: bool) -> bool {
        if let Some((then, bytes)) = self.before {
            let elapsed = now.saturating_sub(then).seconds();
            if elapsed > 0.0 {
                let rate = written.saturating_sub(bytes) as f64 / elapsed;
                // The first stretch counts whole: a warning must not wait for ten minutes.
                let share =
                    if self.now.bytes_per_s > 0.0 { 1.0 - (-elapsed / SMOOTHED_OVER_S).exp() } else { 1.0 };
                self.now.bytes_per_s += share * (rate - self.now.bytes_per_s);
            }
        }
        self.before = Some((now, written));
        (self.now.free, self.now.total) = (room.free, room.total);
        self.now.hours_left =
            (self.now.bytes_per_s >= 1.0).then(|| room.free as f64 / self.now.bytes_per_s / 3600.0);
        let level = self.level(full);
        std::mem::replace(&mut self.now.level, level) != level
    }

    fn level(&self, full: bool) -> DiskLevel {
        if full {
            return DiskLevel::Full;
        }
        let factor = if self.now.level == DiskLevel::Fine { 1.0 } else { CALM };
        let soon = self.now.hours_left.is_some_and(|hours| hours < self.warn_hours * factor);
        let little = (self.now.free as f64) < LOW_SHARE * factor * self.now.total as f64;
        if soon || little { DiskLevel::Low } else { DiskLevel::Fine }
    }
}

impl fmt::Display for Forecast {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:.1} MB free", self.free as f64 / 1e6)?;
        match self.hours_left {
            Some(hours) if hours < 1.0 => write!(f, ", full in {:.0} min at the present rate", hours * 60.0),
            Some(hours) if hours < 100.0 => write!(f, ", full in {hours:.1} h at the present rate"),
            Some(hours) => write!(f, ", full in {:.0} days at the present rate", hours / 24.0),
            None => Ok(()),
        }
    }
}
