//! How long a fault that is still there may stay quiet, as far as the quiet intervals seen can tell.
//!
//! The law of the gaps between episodes is *not known*. So the answer is an average over laws, each weighed by how well
//! it explains the gaps: exponential, with and without a dead time, Weibull, Burr (with Lomax), Pareto, two rates, on and off by turns, and a beat. Few gaps leave
//! much possible and the soak becomes long; many gaps decide for one law. Quiet only grows until a stray ends it, so the
//! answer holds however often one looks: one repair has one chance.

mod beat;
mod dead;
mod gaps;
mod heavy;
mod rates;
mod weibull;

use crate::analysis::laws::gaps::{Gaps, Weighed};
use crate::analysis::quiet_intervals::QuietIntervals;
use crate::analysis::special::{crossing, log_sum_exp};

/// Fewest whole gaps that say anything about a law.
const FEWEST: usize = 2;
/// The laws of smallest share are left out, so many of all shares together: so far may a chance be off.
const LEFT_OUT: f64 = 1e-6;
/// Thirty million years: what would have to last longer is as good as never proved.
const LONGEST_S: f64 = 1e15;
/// Quiet for more than so many mean gaps is no soak: it proves nothing in time. Weibull gaps of shape 0.4, as uneven as
/// any that a bench waits for, need 47 of them for 99 %; Pareto's of 1.5 need 1481 (both by integration).
const MOST_MEANS: f64 = 200.0;

/// Gaps are taken to have no variance when the laws without one have more than this share.
pub(super) const NO_VARIANCE: f64 = 0.5;

/// From when the quiet is counted.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum From {
    /// From a moment that has nothing to do with the fault: the watching was interrupted for longer than the gaps last.
    Unrelated,
    /// The watching goes on without a break: the last trailing interval continues.
    LastEpisode,
    /// After a break of so many seconds, as a repair makes one. A moment after it lies in a long gap more often than in a
    /// short one, but in none that began before the break and is longer than it. Of a break of unknown length nothing is
    /// known but this: where the gaps have no variance it counts as endless, else as none.
    Break {
        /// How long, where that is known.
        seconds: Option<f64>,
    },
}

/// What quiet alone can prove.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Proof {
    /// So many seconds of quiet are enough.
    After {
        /// Quiet needed, seconds.
        seconds: f64,
    },
    /// The gaps vary so much that no soak of a bearable length proves anything; other evidence has to.
    TailsTooHeavy {
        /// Quiet that it would take, in mean gaps; infinite if none is enough.
        mean_gaps: f64,
    },
}

/// One law with fixed parameters, or with those that are integrated out in closed form.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Law {
    Weibull(weibull::Weibull),
    Burr(heavy::Burr),
    Pareto(heavy::Pareto),
    Rates(rates::Rates),
    Beat(beat::Beat),
    Dead(dead::Dead),
}

impl Law {
    /// Chance that a gap lasts for `t` more, `since` being past already.
    fn lasts(&self, since: f64, t: f64) -> f64 {
        match self {
            Self::Weibull(law) => law.lasts(since, t),
            Self::Burr(law) => law.lasts(since, t),
            Self::Pareto(law) => law.lasts(since, t),
            Self::Rates(law) => law.lasts(since, t),
            Self::Beat(law) => law.lasts(since, t),
            Self::Dead(law) => law.lasts(since, t),
        }
    }

    /// Chance of quiet for `t` from an unrelated moment: the integral of the survival beyond `t`, over the mean.
    ///
    /// # Source
    /// Cox 1962, Renewal Theory, ch. 5 (forward recurrence time in equilibrium).
    fn quiet(&self, t: f64) -> f64 {
        match self {
            Self::Weibull(law) => law.quiet(t),
            Self::Burr(law) => law.quiet(t),
            Self::Pareto(law) => law.quiet(t),
            Self::Rates(law) => law.quiet(t),
            Self::Beat(law) => law.quiet(t),
            Self::Dead(law) => law.quiet(t),
        }
    }

    /// Chance of quiet for `t` after `away`, in which nobody watched: the gap that went on lasts for all of it, or the next
    /// ones began in that time, and are no older.
    ///
    /// # Source
    /// Cox 1962, ch. 5: age and rest of life in equilibrium, here for ages up to `away`.
    fn after(&self, since: f64, away: f64, t: f64) -> f64 {
        let begun = 1.0 - self.lasts(since, away);
        let younger = (self.quiet(t) - self.quiet(away + t)) / (1.0 - self.quiet(away));
        self.lasts(since, away + t) + if younger.is_finite() { begun * younger.max(0.0) } else { 0.0 }
    }

    /// The power with which long gaps become rare; infinite for those that fall faster than any.
    fn tail(&self) -> f64 {
        match self {
            Self::Burr(law) => law.alpha(),
            Self::Pareto(law) => law.alpha(),
            _ => f64::INFINITY,
        }
    }

    fn mean(&self) -> f64 {
        match self {
            Self::Weibull(law) => law.mean(),
            Self::Burr(law) => law.mean(),
            Self::Pareto(law) => law.mean(),
            Self::Rates(law) => law.mean(),
            Self::Beat(law) => law.mean(),
            Self::Dead(law) => law.mean(),
        }
    }
}

/// A law and its share in the average.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Member {
    share: f64,
    /// The same, once it counts that the watching before began at an unrelated moment too: the density of what was then
    /// waited for is survival/mean, so that a law whose mean is long beside the gaps seen has less of a share.
    unrelated: f64,
    law: Law,
}

fn extend<L>(all: &mut Weighed<Law>, found: Weighed<L>, law: fn(L) -> Law) {
    all.extend(found.into_iter().map(|(log, found)| (log, law(found))));
}

/// The average over laws.
#[derive(Clone, Debug, PartialEq)]
pub struct Laws {
    members: Vec<Member>,
    scale: f64,
    since: f64,
    mean: f64,
    shape: f64,
    no_variance: f64,
}

/// All but the smallest, which have [`LEFT_OUT`] of the shares of either kind.
fn largest(mut members: Vec<Member>) -> Vec<Member> {
    let size = |member: &Member| member.share.max(member.unrelated);
    members.sort_unstable_by(|one, two| size(two).total_cmp(&size(one)));
    let mut rest = 0.0;
    let small = members.iter().rev().take_while(|member| {
        rest += size(member);
        rest < LEFT_OUT
    });
    let kept = members.len() - small.count();
    members.truncate(kept);
    members
}

impl Laws {
    /// Weighs the laws by these intervals; `None` for fewer than two whole ones.
    ///
    /// # Source
    /// Bayesian model averaging: Hoeting, Madigan, Raftery & Volinsky 1999, Statistical Science 14:382. An interval of
    /// which one end was not seen counts by its survival; that of a watch begun at an unrelated moment has the density
    /// survival/mean (Cox 1962, ch. 5), with the mean of the gaps for every law. A scale has the prior ds/s.
    pub fn fit(side: &QuietIntervals) -> Option<Self> {
        if side.whole.len() < FEWEST {
            return None;
        }
        let gaps = Gaps::of(side);
        let weibull = weibull::weigh(&gaps);
        let shape = weibull::mean_shape(&weibull);
        let mut all = Vec::new();
        extend(&mut all, weibull, Law::Weibull);
        extend(&mut all, heavy::burr(&gaps), Law::Burr);
        extend(&mut all, heavy::pareto(&gaps), Law::Pareto);
        extend(&mut all, rates::weigh(&gaps), Law::Rates);
        extend(&mut all, beat::weigh(&gaps), Law::Beat);
        extend(&mut all, dead::weigh(&gaps), Law::Dead);
        let logs: Vec<f64> = all.iter().map(|(log, _)| *log).collect();
        let begun: Vec<f64> = all.iter().map(|(log, law)| log - gaps.begun * law.mean().ln()).collect();
        let (sum, begun_sum) = (log_sum_exp(&logs), log_sum_exp(&begun));
        let members: Vec<Member> = all
            .into_iter()
            .zip(begun)
            .map(|((log, law), begun)| Member {
                share: (log - sum).exp(),
                unrelated: (begun - begun_sum).exp(),
                law,
            })
            .collect();
        let members = largest(members);
        let no_variance =
            members.iter().filter(|member| member.law.tail() <= 2.0).map(|member| member.share).sum();
        let mean = side.whole.iter().sum::<f64>() / (side.whole.len() as f64).max(1.0);
        let (scale, since) = (gaps.scale, gaps.since);
        sum.is_finite().then_some(Self { members, scale, since, mean, shape, no_variance })
    }

    /// Chance that the fault, unrepaired, stays quiet for so many seconds from an unrelated moment.
    pub fn quiet(&self, seconds: f64) -> f64 {
        self.quiet_from(From::Unrelated, seconds)
    }

    /// Chance that the fault, unrepaired, stays quiet for so many seconds more.
    ///
    /// From the last episode on, the interval that goes on is one of those that were weighed, so the shares of the laws
    /// know of it.
    pub fn quiet_from(&self, from: From, seconds: f64) -> f64 {
        let t = seconds / self.scale;
        let goes_on = |member: &Member| member.share * member.law.lasts(self.since, t);
        let heavy = self.no_variance > NO_VARIANCE;
        let chance = match from {
            From::Unrelated => self.sum(|member| member.unrelated * member.law.quiet(t)),
            From::Break { seconds: None } if heavy => return self.quiet_from(From::Unrelated, seconds),
            // The set may have been off all the while, and its clock stood still.
            From::Break { seconds: Some(away) } => {
                let away = (away / self.scale).max(1e-6);
                self.sum(|member| member.share * member.law.after(self.since, away, t)).max(self.sum(goes_on))
            }
            From::Break { seconds: None } | From::LastEpisode => self.sum(goes_on),
        };
        chance.min(1.0)
    }

    fn sum(&self, each: impl Fn(&Member) -> f64) -> f64 {
        self.members.iter().map(each).sum()
    }

    /// The shortest soak, not under `least` seconds, whose [`Laws::quiet`] is at most `chance`.
    pub fn needed(&self, chance: f64, least: f64) -> f64 {
        self.needed_from(From::Unrelated, chance, least)
    }

    /// The shortest soak, not under `least` seconds, whose [`Laws::quiet_from`] is at most `chance`.
    pub fn needed_from(&self, from: From, chance: f64, least: f64) -> f64 {
        if self.quiet_from(from, least) <= chance {
            return least;
        }
        // Gaps may have tails like a power of the time: in logarithms their fall is near a line.
        let above = |log: f64| (self.quiet_from(from, log.exp()) / chance).ln();
        let (mut low, mut step) = (least.max(1e-3).ln(), 1.0);
        while above(low + step) > 0.0 && low + step < LONGEST_S.ln() {
            low += step;
            step *= 2.0;
        }
        crossing(low, low + step, 1e-9, above).exp()
    }

    /// What quiet can prove at this chance, or that it cannot.
    pub fn proof(&self, from: From, chance: f64) -> Proof {
        let limit = MOST_MEANS * self.mean;
        if self.quiet_from(from, limit) <= chance {
            return Proof::After { seconds: self.needed_from(from, chance, 0.0) };
        }
        let seconds = self.needed_from(from, chance, limit);
        let mean_gaps = if seconds >= LONGEST_S { f64::INFINITY } else { seconds / self.mean };
        Proof::TailsTooHeavy { mean_gaps }
    }

    /// Share of the laws under which the gaps have no variance: counts then scatter without bound, and no interval of a
    /// ratio keeps its promise.
    pub fn no_variance(&self) -> f64 {
        self.no_variance
    }

    /// Mean Weibull shape: below one for gaps more uneven than an exponential's.
    pub fn shape(&self) -> f64 {
        self.shape
    }
}
