//! The computer's clocks while something is recorded: capture time never jumps, but what the wall clock does is remarked.

use std::time::{Duration, Instant};

use rustix::time::{ClockId, clock_gettime};

use crate::base::Nanoseconds;

/// The clocks are compared so often.
const EVERY: Duration = Duration::from_secs(1);

/// Less is no step: clocks that are disciplined slew by at most 0.5 ms in a second (adjtimex(2)).
const LEAST_STEP: Nanoseconds = Nanoseconds::from_millis(500);

/// A reading that took longer was interrupted, and means nothing.
const LONGEST_LOOK: Nanoseconds = Nanoseconds::from_millis(50);

/// The clocks of clock_gettime(2) at one instant.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Reading {
    /// Runs while the computer does; capture time is taken from it.
    monotonic: Nanoseconds,
    /// Runs while the computer sleeps, too.
    boot: Nanoseconds,
    /// What people set.
    wall: Nanoseconds,
}

fn read(clock: ClockId) -> Nanoseconds {
    let time = clock_gettime(clock);
    Nanoseconds(time.tv_sec.saturating_mul(Nanoseconds::SECOND.0).saturating_add(time.tv_nsec))
}

impl Reading {
    fn now() -> Option<Self> {
        let monotonic = read(ClockId::Monotonic);
        let (boot, wall) = (read(ClockId::Boottime), read(ClockId::Realtime));
        (read(ClockId::Monotonic) - monotonic < LONGEST_LOOK).then_some(Self { monotonic, boot, wall })
    }

    /// What happened between an earlier reading and this one.
    fn since(self, earlier: Self) -> Option<String> {
        let asleep = (self.boot - earlier.boot) - (self.monotonic - earlier.monotonic);
        let set = (self.wall - earlier.wall) - (self.boot - earlier.boot);
        let asleep = (asleep >= LEAST_STEP).then(|| {
            format!("the computer slept for {:.1} s: nothing was recorded meanwhile", asleep.seconds())
        });
        let way = if set.0 < 0 { "back" } else { "forward" };
        let set = (set.0.abs() >= LEAST_STEP.0)
            .then(|| format!("the computer's clock was set {way} by {:.1} s", set.seconds().abs()));
        match (asleep, set) {
            (Some(asleep), Some(set)) => Some(format!("{asleep}; {set}")),
            (asleep, set) => asleep.or(set),
        }
    }
}

/// Looks at the clocks once a second.
pub(super) struct Clocks {
    looked: Instant,
    last: Option<Reading>,
}

impl Clocks {
    /// From now on.
    pub(super) fn start() -> Self {
        Self { looked: Instant::now(), last: Reading::now() }
    }

    /// What is to be remarked now.
    pub(super) fn remark(&mut self) -> Option<String> {
        if self.looked.elapsed() < EVERY {
            return None;
        }
        self.looked = Instant::now();
        let now = Reading::now()?;
        let last = self.last.replace(now)?;
        now.since(last)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(monotonic_ms: i64, boot_ms: i64, wall_ms: i64) -> Reading {
        let [monotonic, boot, wall] = [monotonic_ms, boot_ms, wall_ms].map(Nanoseconds::from_millis);
        Reading { monotonic, boot, wall }
    }

    #[test]
    fn a_clock_that_only_runs_is_no_remark() {
        assert_eq!(at(2000, 7000, 92_000).since(at(1000, 6000, 91_000)), None);
        // A busy computer looks late, and a disciplined clock slews.
        assert_eq!(at(61_000, 66_000, 151_029).since(at(1000, 6000, 91_000)), None);
    }

    #[test]
    fn steps_of_the_wall_clock_are_told_both_ways() {
        let before = at(1000, 6000, 91_000);
        let forward = at(2000, 7000, 92_000 + 3_600_000).since(before);
        assert_eq!(forward.as_deref(), Some("the computer's clock was set forward by 3600.0 s"));
        let back = at(2000, 7000, 92_000 - 1000).since(before);
        assert_eq!(back.as_deref(), Some("the computer's clock was set back by 1.0 s"));
    }

    #[test]
    fn sleep_is_told_apart_from_a_step() {
        let slept = at(2000, 7000 + 90_000, 92_000 + 90_000).since(at(1000, 6000, 91_000));
        assert_eq!(slept.as_deref(), Some("the computer slept for 90.0 s: nothing was recorded meanwhile"));
        let both = at(2000, 97_000, 182_000 + 5000).since(at(1000, 6000, 91_000)).unwrap();
        assert!(both.contains("slept for 90.0 s") && both.contains("forward by 5.0 s"), "{both}");
    }

    #[test]
    fn the_clocks_of_this_computer_can_be_read() {
        let reading = Reading::now().or_else(Reading::now).unwrap();
        assert!(reading.boot.0 + LONGEST_LOOK.0 >= reading.monotonic.0);
        assert!(reading.wall > reading.boot);
    }
}
