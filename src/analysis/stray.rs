//! Input outside a soak: which of it looks like a machine's, with odds. Only hands off is proof.

use serde::Serialize;

use crate::analysis::episode::{Press, fold};
use crate::analysis::event_sequence::{EventSequence, Symbol};
use crate::analysis::special::quantile;
use crate::base::EventKind;

/// One suspected input.
#[derive(Clone, Debug, PartialEq, Serialize, schemars::JsonSchema)]
pub struct Suspect {
    /// What.
    #[serde(flatten)]
    pub symbol: Symbol,
    /// How often.
    pub count: u64,
    /// Chance that no hand gave it, between the two hands-on hypotheses and with the prior stated.
    pub probability: f64,
    /// The grounds, in words.
    pub because: Vec<String>,
}

/// What hands-on input gives away.
#[derive(Clone, Debug, PartialEq, Serialize, schemars::JsonSchema)]
pub struct Suspicion {
    /// Each input, the most suspect first.
    pub suspects: Vec<Suspect>,
    /// What to do about it.
    pub advice: String,
}

/// ln odds before looking: one input in twenty of a set with this complaint. A rule of our own.
const PRIOR: f64 = -3.0;

/// The grounds and their weights in ln odds. Rules of our own from published human timing: single fingers tap
/// at 150 ms at the fastest with 3 to 5 % scatter when steady (Repp 2005, Psychonomic Bulletin & Review 12:969),
/// keys follow each other log-logistically with far wider scatter (González et al. 2021, Heliyon 7:e08413), and
/// mean gaps between keys are 239 ms over 168 000 people (Dhakal et al. 2018, CHI).
mod weight {
    pub(super) const STEADY: f64 = 3.0;
    pub(super) const TOO_FAST: f64 = 3.0;
    pub(super) const NO_PAUSE: f64 = 2.0;
    pub(super) const SAME_HOLD: f64 = 2.0;
    pub(super) const LONG_HOLD: f64 = 4.0;
    pub(super) const NO_RELEASE: f64 = 3.0;
    pub(super) const NO_PRESS: f64 = 4.0;
    pub(super) const SCATTERED: f64 = -2.0;
}

/// Judges each input of a hands-on sequence.
pub fn suspect(sequence: &EventSequence) -> Suspicion {
    let presses = fold(sequence);
    let releases = presses.iter().filter(|press| press.released).count() * 2 > presses.len();
    let mut by_symbol: Vec<Vec<Press>> = vec![Vec::new(); sequence.symbols().len()];
    for press in presses.iter().filter(|press| press.kind != EventKind::Change) {
        by_symbol[press.symbol as usize].push(*press);
    }
    let mut suspects: Vec<Suspect> = by_symbol
        .iter()
        .zip(sequence.symbols())
        .filter(|(list, _)| !list.is_empty())
        .map(|(list, symbol)| judge(list, symbol, releases))
        .collect();
    suspects.sort_by(|a, b| b.probability.total_cmp(&a.probability));
    let any = suspects.first().is_some_and(|first| first.probability > 0.5);
    let advice = if any {
        "Some input looks like a machine's. Only a soak proves it: take the hands off and watch.".to_owned()
    } else {
        "Nothing here is beyond a hand. If the fault shows, watch it with hands off.".to_owned()
    };
    Suspicion { suspects, advice }
}

fn judge(list: &[Press], symbol: &Symbol, releases: bool) -> Suspect {
    let mut odds = PRIOR;
    let mut because = Vec::new();
    let mut ground = |holds: bool, weight: f64, words: &str| {
        if holds {
            odds += weight;
            because.push(words.to_owned());
        }
    };
    let gaps: Vec<f64> = list
        .windows(2)
        .filter(|pair| pair[0].segment == pair[1].segment)
        .map(|pair| (pair[1].t - pair[0].t).seconds())
        .collect();
    let cv = core_variation(&gaps);
    ground(gaps.len() >= 8 && cv < 0.02, weight::STEADY, "its gaps are alike to 2 %");
    ground(gaps.len() >= 8 && cv > 0.15, weight::SCATTERED, "its gaps scatter as a hand's do");
    let fast = gaps.iter().filter(|gap| **gap < 0.1).count();
    ground(fast >= 2, weight::TOO_FAST, "presses less than 100 ms apart");
    ground(longest_run(list) > 600.0, weight::NO_PAUSE, "over ten minutes without a pause of five seconds");
    let holds: Vec<f64> = list.iter().filter(|p| p.released).map(|p| (p.end - p.t).seconds()).collect();
    ground(holds.len() >= 8 && spread(&holds) <= 0.002, weight::SAME_HOLD, "held for the same time to 2 ms");
    ground(holds.iter().any(|hold| *hold > 10.0), weight::LONG_HOLD, "held for over ten seconds");
    let open = list.iter().filter(|press| !press.released && press.kind == EventKind::Press).count();
    // One open press at the end of a capture is no sign.
    ground(releases && open >= 2, weight::NO_RELEASE, "releases are missing");
    let bare = list.iter().any(|press| press.kind == EventKind::Repeat);
    ground(bare, weight::NO_PRESS, "repeats without a press before them");
    Suspect {
        symbol: symbol.clone(),
        count: list.len() as u64,
        probability: 1.0 / (1.0 + (-odds).exp()),
        because,
    }
}

/// Robust coefficient of variation.
fn core_variation(values: &[f64]) -> f64 {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    let median = quantile(&sorted, 0.5);
    let mut off: Vec<f64> = sorted.iter().map(|v| (v - median).abs()).collect();
    off.sort_by(f64::total_cmp);
    1.4826 * quantile(&off, 0.5) / median
}

fn spread(values: &[f64]) -> f64 {
    let low = values.iter().copied().fold(f64::INFINITY, f64::min);
    values.iter().copied().fold(f64::NEG_INFINITY, f64::max) - low
}

/// Longest interval in seconds without a pause over five.
fn longest_run(list: &[Press]) -> f64 {
    let (mut longest, mut start) = (0.0f64, 0usize);
    for place in 1..=list.len() {
        let broken = list.get(place).is_none_or(|press| {
            let last = &list[place - 1];
            press.segment != last.segment || (press.t - last.end).seconds() > 5.0
        });
        if broken {
            longest = longest.max((list[place - 1].end - list[start].t).seconds());
            start = place;
        }
    }
    longest
}
