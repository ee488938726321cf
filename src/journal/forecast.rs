//! How long the disk lasts.

use std::fmt;

use crate::base::Nanoseconds;
use crate::journal::disk::Room;

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

#[cfg(test)]
mod tests {
    use super::*;

    const HOUR: i64 = 3600 * 1_000_000_000;

    /// A disk of 10 GB written at 10 kB/s: full in 277.8 hours, low from 48 hours on, whichever way it is
    /// looked at; by hand, 10^10 B / 10^4 B/s / 3600 s.
    #[test]
    fn the_warning_comes_two_days_before_the_end() {
        let mut watch = Watch::new(48.0);
        let total = 10_000_000_000u64;
        let mut warned = None;
        for hour in 0..277i64 {
            let written = hour as u64 * 36_000_000;
            let room = Room { free: total - written, total };
            let changed = watch.look(Nanoseconds(hour * HOUR), written, room, false);
            if hour == 1 {
                assert!((watch.now.hours_left.unwrap_or(0.0) - 276.78).abs() < 0.01, "{:?}", watch.now);
            }
            if changed {
                assert_eq!(watch.now.level, DiskLevel::Low);
                assert!(warned.replace(hour).is_none(), "told once");
            }
        }
        assert_eq!(warned, Some(230));
    }

    #[test]
    fn a_burst_is_forgotten_and_the_warning_does_not_flicker() {
        let mut watch = Watch::new(48.0);
        let room = Room { free: 1_000_000_000, total: 10_000_000_000 };
        let mut written = 0;
        let mut changes = 0;
        for step in 0..720i64 {
            // 20 kB/s for a minute, then 1 kB/s for two hours.
            written += if step < 6 { 200_000 } else { 10_000 };
            changes += usize::from(watch.look(Nanoseconds(step * 10 * 1_000_000_000), written, room, false));
        }
        assert_eq!(changes, 2, "low, and fine again");
        assert_eq!(watch.now.level, DiskLevel::Fine);
        // A full disk is full at once, and says so once.
        assert!(watch.look(Nanoseconds(7200 * 1_000_000_000), written, room, true));
        assert!(!watch.look(Nanoseconds(7201 * 1_000_000_000), written, room, true));
    }
}
