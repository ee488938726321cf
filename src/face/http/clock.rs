//! All captures of a job on one clock of seconds.

use crate::base::{Anchor, Name, Nanoseconds, Span};
use crate::timeline::job::{CaptureRef, Hands, Job};

/// One capture on the job's timeline.
#[derive(Clone, Debug, PartialEq)]
pub struct Placed {
    /// Name of the capture.
    pub capture: Name,
    /// Its stage, from 1.
    pub stage: usize,
    /// Whether anybody pressed keys.
    pub hands: Hands,
    /// Where its clock's zero stands, seconds.
    pub base_s: f64,
    /// Observed stretch on its own clock.
    pub span: Span,
}

/// The clock.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct JobClock {
    /// The captures in the order of the job.
    pub captures: Vec<Placed>,
    /// Wall clock at zero, when any capture knows it.
    pub origin: Option<Anchor>,
    last_base_s: f64,
    end_s: f64,
}

impl JobClock {
    /// Places the captures of a job by their wall anchors; those without one follow the one before. A wall clock that
    /// was set back moves nothing before what was there already, and a stage begins after the one before. `span` tells the observed stretch.
    pub fn of(job: &Job, span: impl Fn(&CaptureRef) -> Option<Span>) -> Self {
        let mut clock = Self::default();
        for stage in job.stages() {
            // A step lies between two stages, so they do not overlap, whatever clock the set's time was fitted to.
            clock.last_base_s = clock.last_base_s.max(clock.end_s);
            for capture in &stage.captures {
                let span = capture.span.or_else(|| span(capture)).unwrap_or_default();
                let base_s = clock.base(capture.started, span);
                clock.last_base_s = base_s;
                clock.end_s = clock.end_s.max(base_s + span.end.seconds());
                clock.captures.push(Placed {
                    capture: capture.name.as_str().into(),
                    stage: stage.number,
                    hands: capture.keys_given(),
                    base_s,
                    span,
                });
            }
        }
        clock
    }

    fn base(&mut self, started: Option<Anchor>, span: Span) -> f64 {
        let Some(started) = started else { return self.end_s - span.start.seconds().min(0.0) };
        let origin = *self.origin.get_or_insert(Anchor {
            unix_ns: started.unix_ns.saturating_sub(Nanoseconds::from_seconds(self.end_s).0),
        });
        Nanoseconds(started.unix_ns.saturating_sub(origin.unix_ns)).seconds().max(self.last_base_s)
    }

    /// Where a capture stands.
    pub fn find(&self, capture: &str) -> Option<&Placed> {
        self.captures.iter().find(|placed| &*placed.capture == capture)
    }

    /// The end of the last stretch, seconds.
    pub fn end_s(&self) -> f64 {
        self.end_s
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_clock_that_is_set_back_moves_nothing_before_what_was_there() {
        let mut clock = JobClock::default();
        let hour = 3600 * 1_000_000_000i64;
        let mut place = |unix_ns: Option<i64>, seconds: f64| {
            let span = Span { start: Nanoseconds::ZERO, end: Nanoseconds::from_seconds(seconds) };
            let base = clock.base(unix_ns.map(|unix_ns| Anchor { unix_ns }), span);
            clock.last_base_s = base;
            clock.end_s = clock.end_s.max(base + seconds);
            base
        };
        let places = [
            place(None, 60.0),
            place(None, 30.0),
            place(Some(10 * hour), 100.0),
            place(Some(11 * hour), 100.0),
            place(Some(9 * hour), 50.0),
            place(Some(12 * hour), 1.0),
        ];
        // By hand: two without a clock, 90 s; the first hour follows at once; set back by two hours stays where it is.
        assert_eq!(places, [0.0, 60.0, 90.0, 3690.0, 3690.0, 7290.0]);
    }
}
