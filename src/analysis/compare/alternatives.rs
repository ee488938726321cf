//! Other tests of the same question, shown beside the headline. Where episodes still cluster, the headline divides its counts
//! by their dispersion; these tests meet clustering in their own ways.

use serde::Serialize;

use crate::analysis::dispersion::{Tail, e_test, negative_binomial, permutation};
use crate::analysis::rate::{Count, RatioTest};

/// A test and its two-sided p.
#[derive(Clone, Debug, PartialEq, Serialize, schemars::JsonSchema)]
pub struct Alternative {
    /// The test.
    pub method: &'static str,
    /// Chance of such a difference if nothing had changed.
    pub chance: f64,
}

/// Beyond so many episodes the sums of the E-test take longer than they tell.
const MOST_E: u64 = 2000;

/// The other tests that these data allow: counts before and after, and the same in bins of time.
pub(crate) fn alternatives(
    [before, after]: [Count; 2],
    bins: &[Vec<u64>],
    headline: &RatioTest,
    seed: u64,
) -> Vec<Alternative> {
    let mut found = Vec::new();
    let (k1, k2) = (before.count, after.count);
    if k1 + k2 == 0 || before.exposure <= 0.0 || after.exposure <= 0.0 {
        return found;
    }
    found.push(Alternative { method: "exact conditional test, doubled tail", chance: headline.two_sided });
    if k1 + k2 <= MOST_E {
        let (one, two) = ((k1, before.exposure), (k2, after.exposure));
        found.push(Alternative { method: "E-test", chance: e_test(one, two, 0.0, Tail::Both).1.min(1.0) });
    }
    let [one, two] = bins else { return found };
    if one.len() >= 5 && two.len() >= 5 {
        found.push(Alternative { method: "permutation of time bins", chance: permutation(one, two, seed).1 });
    }
    if one.len() >= 20 && two.len() >= 20 || one.len() + two.len() >= 20 {
        let chance = negative_binomial(one, two).p;
        found.push(Alternative { method: "negative binomial likelihood ratio", chance });
    }
    found
}
