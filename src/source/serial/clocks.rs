//! The computer's clocks while something is recorded: capture time runs on while the computer sleeps and never jumps
//! otherwise; sleep, and what the wall clock does, is marked.

use std::time::{SystemTime, UNIX_EPOCH};

use crate::base::{Nanoseconds, system};
use crate::source::What;

/// The clocks are compared so often.
const EVERY: Nanoseconds = Nanoseconds::SECOND;

/// Less is no step: clocks that are disciplined slew by at most 0.5 ms in a second (adjtimex(2)).
const LEAST_STEP: Nanoseconds = Nanoseconds::from_millis(500);

/// So long between two looks, the process was stopped, or starved: the system's buffers hold less. A look is due each
/// second, and a read waits 200 ms at most. Where no clock stands still in sleep, that is what sleep looks like.
const LEAST_STOP: Nanoseconds = Nanoseconds::from_millis(3_000);

/// A reading that took longer was interrupted, and means nothing.
const LONGEST_LOOK: Nanoseconds = Nanoseconds::from_millis(50);

/// The computer's clocks at one instant.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Reading {
    /// Runs while the computer does.
    monotonic: Nanoseconds,
    /// Runs while the computer sleeps, too; capture time is taken from it.
    boot: Nanoseconds,
    /// What people set.
    wall: Nanoseconds,
}

fn wall() -> Nanoseconds {
    let since = SystemTime::now().duration_since(UNIX_EPOCH).unwrap_or_default();
    Nanoseconds(i64::try_from(since.as_nanos()).unwrap_or(i64::MAX))
}

impl Reading {
    fn now() -> Option<Self> {
        let monotonic = system::running();
        let (boot, wall) = (system::elapsed(), wall());
        (system::running() - monotonic < LONGEST_LOOK).then_some(Self { monotonic, boot, wall })
    }

    /// What happened between an earlier reading and this one.
    fn since(self, earlier: Self) -> Vec<What> {
        let ran = self.monotonic - earlier.monotonic;
        let asleep = (self.boot - earlier.boot) - ran;
        let set = (self.wall - earlier.wall) - (self.boot - earlier.boot);
        let mut marks = Vec::new();
        if ran >= LEAST_STOP {
            marks.push(What::Stopped { ns: ran.0 });
        }
        if asleep >= LEAST_STEP {
            marks.push(What::Slept { ns: asleep.0, counted: true });
        }
        if set.0.abs() >= LEAST_STEP.0 {
            let way = if set.0 < 0 { "back" } else { "forward" };
            marks.push(What::remark(format!(
                "the computer's clock was set {way} by {:.1} s",
                set.seconds().abs()
            )));
        }
        marks
    }
}

/// Looks at the clocks once a second, and as soon as a sleep has ended.
pub(super) struct Clocks {
    looked: Nanoseconds,
    last: Option<Reading>,
}

impl Clocks {
    /// From now on.
    pub(super) fn start() -> Self {
        Self { looked: system::elapsed(), last: Reading::now() }
    }

    /// What is to be marked now.
    pub(super) fn marks(&mut self) -> Vec<What> {
        let elapsed = system::elapsed();
        if elapsed - self.looked < EVERY {
            return Vec::new();
        }
        self.looked = elapsed;
        let Some(now) = Reading::now() else { return Vec::new() };
        self.last.replace(now).map_or_else(Vec::new, |last| now.since(last))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(monotonic_ms: i64, boot_ms: i64, wall_ms: i64) -> Reading {
        let [monotonic, boot, wall] = [monotonic_ms, boot_ms, wall_ms].map(Nanoseconds::from_millis);
        Reading { monotonic, boot, wall }
    }

    fn sentences(marks: &[What]) -> Vec<String> {
        marks.iter().map(What::to_string).collect()
    }

    #[test]
    fn a_clock_that_only_runs_is_no_mark() {
        assert_eq!(at(2000, 7000, 92_000).since(at(1000, 6000, 91_000)), []);
        // A busy computer looks late, and a disciplined clock slews.
        assert_eq!(at(3900, 8900, 93_929).since(at(1000, 6000, 91_000)), []);
    }

    #[test]
    fn steps_of_the_wall_clock_are_marked_both_ways() {
        let before = at(1000, 6000, 91_000);
        let forward = at(2000, 7000, 92_000 + 3_600_000).since(before);
        assert_eq!(sentences(&forward), ["the computer's clock was set forward by 3600.0 s"]);
        let back = at(2000, 7000, 92_000 - 1000).since(before);
        assert_eq!(sentences(&back), ["the computer's clock was set back by 1.0 s"]);
    }

    #[test]
    fn sleep_and_a_stopped_process_are_no_step() {
        let slept = at(2000, 7000 + 90_000, 92_000 + 90_000).since(at(1000, 6000, 91_000));
        assert_eq!(slept, [What::Slept { ns: 90_000_000_000, counted: true }]);
        let both = at(2000, 97_000, 182_000 + 5000).since(at(1000, 6000, 91_000));
        assert!(both.len() == 2 && both[0] == slept[0], "{both:?}");
        let stopped = at(36_000, 41_000, 126_000).since(at(1000, 6000, 91_000));
        assert_eq!(stopped, [What::Stopped { ns: 35_000_000_000 }]);
    }

    #[test]
    fn the_clocks_of_this_computer_can_be_read() {
        let reading = Reading::now().or_else(Reading::now).unwrap();
        assert!(reading.boot.0 + LONGEST_LOOK.0 >= reading.monotonic.0);
        assert!(reading.wall > reading.boot);
    }
}
