//! A dead time, then chance: no gap is shorter than what a press takes on the line, and beyond that they are exponential.
//! Sets that print presses alone show such gaps; without this law they look like the heavy ones that rarely are short.

use crate::analysis::laws::gaps::{Gaps, Weighed, prior};
use crate::analysis::special::ln_gamma;

/// Longest dead time, in mean intervals: two gaps that are alike by chance are no clock. A rule of our own.
const LONGEST: f64 = 0.5;

#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Dead {
    dead: f64,
    /// Gamma posterior of the rate beyond it.
    a: f64,
    s: f64,
}

impl Dead {
    /// Survival of a gap beyond `x`, and the mean of what remains of it then, times that survival.
    fn beyond(&self, x: f64) -> (f64, f64) {
        let rest = self.s / (self.a - 1.0);
        if x < self.dead {
            return (1.0, self.dead - x + rest);
        }
        let past = self.s / (self.s + x - self.dead);
        (past.powf(self.a), rest * past.powf(self.a - 1.0))
    }

    pub(super) fn lasts(&self, since: f64, t: f64) -> f64 {
        self.beyond(since + t).0 / self.beyond(since).0
    }

    pub(super) fn quiet(&self, t: f64) -> f64 {
        self.beyond(t).1 / self.mean()
    }

    pub(super) fn mean(&self) -> f64 {
        self.beyond(0.0).1
    }
}

/// The rate has the prior dλ/λ; the dead time is anywhere up to [`LONGEST`], so that its evidence is the mean of
/// Γ(n) (S − N m)^-n up to the shortest gap, S being the sum of all N intervals. Its value is then the posterior mean.
///
/// # Source
/// The two-parameter exponential law: Epstein & Sobel 1954, Ann. Math. Stat. 25:373.
#[allow(clippy::cast_precision_loss)]
pub(super) fn weigh(gaps: &Gaps) -> Weighed<Dead> {
    let n = gaps.count();
    let Some(shortest) = gaps.whole.first().map(|gap| gaps.beyond(*gap).min(LONGEST)) else {
        return Vec::new();
    };
    let ends = gaps.cut.iter().filter(|x| **x > gaps.least + shortest);
    let all = n + ends.clone().count() as f64;
    let sum: f64 = gaps.whole.iter().chain(ends).map(|x| gaps.beyond(*x)).sum();
    let left = (sum - all * shortest).max(1e-9 * sum);
    // (left^(1-n) - sum^(1-n)) / (N (n - 1)), its greater term taken out.
    let log = (1.0 - n) * left.ln() + (-((n - 1.0) * (left / sum).ln()).exp()).ln_1p()
        - (LONGEST * all * (n - 1.0)).ln();
    let dead = gaps.least + (shortest - left / (all * n)).max(0.0);
    let s = (sum - all * (dead - gaps.least)).max(left);
    vec![(prior::DEAD.ln() + ln_gamma(n) + log, Dead { dead, a: n, s })]
}
