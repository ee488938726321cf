//! What a baseline soak will ask of the soak after a repair, while it runs.

use crate::analysis::episode::{episodes, fold};
use crate::analysis::event_sequence::EventSequence;
use crate::analysis::quiet::{Demand, NEAR, quiet_times};
use crate::analysis::quiet_intervals::QuietIntervals;
use crate::analysis::rate::Count;
use crate::base::Nanoseconds;

/// Pauses that the forecast of a running baseline rests on.
const PAUSES: usize = 256;
/// A forecast is worked out again with each episode, and when so much more was watched.
const LONGER: f64 = 1.02;
/// Without a gap that was learned, a held key's repeats begin no episode of their own.
const SHORTEST_GAP: Nanoseconds = Nanoseconds::from_millis(1000);

/// The quiet soak that a repair will need, seconds; `None` where quiet alone will not prove it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Forecast {
    /// For 95 %.
    pub(super) likely_s: Option<f64>,
    /// For 99 %.
    pub(super) certain_s: Option<f64>,
}

/// The quiet intervals of a baseline, as they come.
#[derive(Clone, Debug)]
pub(super) struct Baseline {
    gap: Nanoseconds,
    /// Of many whole ones the last [`PAUSES`].
    pauses: QuietIntervals,
    whole: usize,
    /// Longest quiet before an episode, seconds.
    longest_s: f64,
    /// Episodes of which the beginning was not seen: what came before was not watched for as long as a pause lasts.
    unseen: u64,
    last: Option<Nanoseconds>,
    /// What a repair would need if this baseline stopped now (95 %, 99 %), with the episodes and the seconds of which it
    /// was last worked out.
    forecast: Option<(u64, f64, Forecast)>,
}

impl Baseline {
    pub(super) fn new(gap: Option<Nanoseconds>) -> Self {
        Self {
            gap: gap.unwrap_or(SHORTEST_GAP).clamp(SHORTEST_GAP, NEAR),
            pauses: QuietIntervals::default(),
            whole: 0,
            longest_s: 0.0,
            unseen: 0,
            last: None,
            forecast: None,
        }
    }

    /// Takes the earlier captures of the stage.
    pub(super) fn resume(&mut self, earlier: &EventSequence) {
        let found = episodes(&fold(earlier), Some(self.gap));
        let seen = quiet_times(earlier, &found, Some(self.gap));
        seen.whole.into_iter().for_each(|pause| self.pause(pause));
        self.pauses.leading.extend(seen.leading);
        self.pauses.trailing.extend(seen.trailing);
    }

    fn pause(&mut self, seconds: f64) {
        let place = self.whole % PAUSES;
        match self.pauses.whole.get_mut(place) {
            Some(oldest) => *oldest = seconds,
            None => self.pauses.whole.push(seconds),
        }
        self.whole += 1;
        self.longest_s = self.longest_s.max(seconds);
    }

    /// Takes a stray. O(1).
    pub(super) fn stray(&mut self, t: Nanoseconds, begun: Nanoseconds) {
        if self.last.is_none_or(|last| t - last > self.gap) {
            let quiet = t - self.last.unwrap_or(begun);
            self.unseen += u64::from(quiet < self.gap);
            if self.last.is_some() {
                self.pause(quiet.seconds());
            } else {
                self.longest_s = self.longest_s.max(quiet.seconds());
                self.pauses.leading.push(quiet.seconds());
            }
        }
        self.last = Some(self.last.map_or(t, |last| last.max(t)));
    }

    /// The quiet soak that a repair would need if the baseline stopped at `end` (95 %, 99 %), by the rules of
    /// [`QuietPlan`](crate::analysis::quiet::QuietPlan); nothing while no episode was seen to begin.
    pub(super) fn plan(&mut self, count: Count, end: Nanoseconds) -> Option<Forecast> {
        let stale = |(episodes, elapsed, _): &(u64, f64, _)| {
            *episodes != count.count || count.exposure > LONGER * elapsed || count.exposure < *elapsed
        };
        if self.forecast.as_ref().is_none_or(stale) {
            let mut seen = self.pauses.clone();
            seen.least = self.gap.seconds();
            seen.trailing.extend(self.last.map(|last| (end - last).seconds().max(0.0)));
            let onset_s = seen.leading.iter().copied().fold(0.0, f64::max);
            let begun = Count { count: count.count.saturating_sub(self.unseen), ..count };
            // Nothing is said of less than one pause.
            let longest_s = self.longest_s.max(self.gap.seconds());
            let asked = Demand::of(seen, longest_s, begun, onset_s).asked(begun);
            let more = |needed: f64| needed.max(onset_s);
            let found = Forecast { likely_s: asked.likely_s.map(more), certain_s: asked.certain_s.map(more) };
            self.forecast = (begun.count > 0).then_some((count.count, count.exposure, found));
        }
        self.forecast.as_ref().map(|forecast| forecast.2)
    }
}
