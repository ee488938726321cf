//! Repeating groups of strays: what, how often, how steadily, and how sure.
//!
//! Auto-repeat and long holds are told first. Then, as long as one pays for itself: candidate periods from time
//! differences, one symbol followed beat by beat, other presses joined that stand at a fixed place within the
//! beat; the candidate that says most in bits against chance is kept and what it explains is set aside.
//! O(n log n); of more than [`SAMPLE`] presses a sample of windows proposes and all of them confirm.

mod chain;
pub mod code;
mod field;
mod group;
mod held;
mod lock;
mod model;
mod motif;
mod order;
mod period;
mod phase_filter;
mod report;
mod search;
mod sequence;
mod surrogate;
mod token;

pub use crate::analysis::pattern::model::{Class, MotifEvent, Pattern, Patterns};
pub use crate::analysis::pattern::search::SAMPLE;
use crate::analysis::pattern::search::{grouped, lines, propose, round, take, uneven};

use crate::analysis::episode::{Press, fold};
use crate::analysis::event_sequence::EventSequence;
use crate::base::words::six_digits;
use field::{Field, TAKEN};

/// How to look.
#[derive(Clone, Debug, PartialEq)]
pub struct PatternOptions {
    /// Seed of the surrogates and of the sample.
    pub seed: u64,
    /// Most patterns to report, those of each kind counted.
    pub most: usize,
    /// Pulse rates of lamps in the set, Hz, beside the mains.
    pub lamps: Vec<f64>,
    /// Shuffled sequences that are searched for comparison; none by default, since the chance given holds without.
    pub surrogates: u32,
}

impl Default for PatternOptions {
    fn default() -> Self {
        Self { seed: 1, most: 32, lamps: Vec::new(), surrogates: 0 }
    }
}

/// Finds the patterns among the strays.
pub fn find(sequence: &EventSequence, options: &PatternOptions) -> Patterns {
    let presses = fold(sequence);
    let mut found: Vec<Pattern> = Vec::new();
    let scene = report::Scene { sequence, presses: &presses, strays: sequence.len(), lamps: &options.lamps };
    let mut explained = vec![false; presses.len()];
    holds(&scene, &mut found, &mut explained);
    let mut field = Field::new(&presses);
    while found.len() < options.most {
        let symbols = sequence.symbols().len();
        let Some((lines, best, hypotheses)) = round(&mut field, symbols).or_else(|| uneven(&field, symbols))
        else {
            break;
        };
        let taken = take(&mut field, &lines, &best);
        taken.iter().for_each(|i| explained[*i as usize] = true);
        found.push(scene.periodic(&lines, &best, &taken, hypotheses));
    }
    if options.surrogates > 0 && found.iter().any(|pattern| pattern.bits.is_some()) {
        let gains =
            surrogate::best_gains(&presses, sequence.symbols().len(), options.surrogates, options.seed);
        for pattern in &mut found {
            pattern.chance_shuffled = pattern.bits.map(|bits| share(&gains, bits));
        }
    }
    let mut rounds = 0;
    while found.len() < options.most {
        let group = grouped(&field, sequence.symbols().len());
        // The same presses may be a group and part of a longer sequence: the longer one says more.
        let keys = group.as_ref().map_or(1, |(_, group, _)| group.elements.len() + 1);
        let sequence = sequence::sequence(&field, options.seed, keys + 1);
        rounds += 1;
        let (pattern, taken) = match (sequence, group) {
            (Some(mut best), _) => {
                best.chance = (best.chance * f64::from(rounds)).min(1.0);
                (scene.sequence(&best), best.taken)
            }
            (None, Some((lines, best, hypotheses))) => {
                let taken = scene.members(&lines, &best);
                (scene.group(&lines, &best, &taken, hypotheses), taken)
            }
            (None, None) => break,
        };
        for i in taken {
            field.state[i as usize] = TAKEN;
            explained[i as usize] = true;
        }
        found.push(pattern);
    }
    let rest = field.by_symbol(sequence.symbols().len());
    without_beat(&scene, rest, &explained, options.most, &mut found);
    let weight = |press: &Press| u64::from(press.repeats) + 1;
    let known: u64 =
        presses.iter().zip(&explained).filter(|(_, e)| **e).map(|(press, _)| weight(press)).sum();
    found.sort_by(|a, b| {
        let loose = |p: &Pattern| p.class == Class::Sporadic;
        loose(a).cmp(&loose(b)).then(b.coverage.total_cmp(&a.coverage)).then(a.first_t.total_cmp(&b.first_t))
    });
    for (id, pattern) in (1u32..).zip(&mut found) {
        pattern.id = id;
        // Another computer's logarithm differs in its last digit.
        pattern.chance = six_digits(pattern.chance);
        pattern.bits = pattern.bits.map(six_digits);
        pattern.saved_bits = pattern.saved_bits.map(six_digits);
    }
    Patterns {
        version: 1,
        span_s: sequence.exposure().seconds(),
        strays: sequence.len() as u64,
        unexplained: (sequence.len() as u64).saturating_sub(known),
        patterns: found,
        seed: options.seed,
    }
}

/// Auto-repeat and long holds.
fn holds(scene: &report::Scene<'_>, found: &mut Vec<Pattern>, explained: &mut [bool]) {
    for repeats in held::repeats(scene.sequence, scene.presses) {
        repeats.presses.iter().for_each(|i| explained[*i as usize] = true);
        found.push(scene.repeats(&repeats));
    }
    for held in held::held(scene.sequence, scene.presses) {
        held.presses.iter().for_each(|i| explained[*i as usize] = true);
        found.push(scene.held(&held));
    }
}

/// What is left of each symbol, if it came three times.
fn without_beat(
    scene: &report::Scene<'_>,
    lists: Vec<Vec<u32>>,
    explained: &[bool],
    most: usize,
    found: &mut Vec<Pattern>,
) {
    for (symbol, list) in (0u32..).zip(lists) {
        let list: Vec<u32> = list.into_iter().filter(|i| !explained[*i as usize]).collect();
        if list.len() >= 3 && found.len() < most {
            found.push(scene.sporadic(symbol, &list));
        }
    }
}

/// Share of the shuffled sequences with at least so many bits; the real one counts as one of them.
#[allow(clippy::cast_precision_loss)]
fn share(gains: &[f64], bits: f64) -> f64 {
    (gains.iter().filter(|gain| **gain >= bits).count() + 1) as f64 / (gains.len() + 1) as f64
}
