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
mod motif;
mod order;
mod period;
mod phase_filter;
mod report;
mod sequence;
mod surrogate;

use serde::Serialize;

use crate::analysis::episode::{Press, fold};
use crate::analysis::train::{Symbol, Train};
use crate::base::{ControlPath, EventKind};
use field::{FREE, Field, Line, TAKEN};
use motif::{Candidate, candidate};

/// How to look.
#[derive(Clone, Debug, PartialEq)]
pub struct PatternOptions {
    /// Seed of the surrogates and of the sample.
    pub seed: u64,
    /// Most patterns to report, those of each kind counted.
    pub most: usize,
    /// Pulse rates of lamps in the set, Hz, beside the mains.
    pub lamps: Vec<f64>,
    /// Shuffled trains that are searched for comparison; none by default, since the chance given holds without.
    pub surrogates: u32,
}

impl Default for PatternOptions {
    fn default() -> Self {
        Self { seed: 1, most: 32, lamps: Vec::new(), surrogates: 0 }
    }
}

/// The kinds of pattern.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Class {
    /// One event on a steady beat.
    Steady,
    /// The repeats of a key that the set believes held.
    AutoRepeat,
    /// A key that stays down.
    Held,
    /// Groups of one event with long pauses between.
    Burst,
    /// A sequence of different events, again and again; without a period when the time between them is not steady.
    Cycle,
    /// On a beat that hangs on the mains or on a lamp's pulse rate.
    Locked,
    /// One event that comes back without a beat.
    Sporadic,
}

/// One event of a motif.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct MotifEvent {
    /// Press, repeat or change.
    pub kind: EventKind,
    /// What.
    #[serde(flatten)]
    pub symbol: Symbol,
    /// Seconds after the first event of the motif.
    pub offset_s: f64,
}

/// One pattern.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Pattern {
    /// Number, from 1, the one that explains most first.
    pub id: u32,
    /// Control path of its first event.
    pub path: ControlPath,
    /// Its kind.
    pub class: Class,
    /// Its events in order.
    pub motif: Vec<MotifEvent>,
    /// Period in seconds; null when it has none.
    pub period_s: Option<f64>,
    /// Lower end of the period's 95 % interval.
    pub period_low_s: Option<f64>,
    /// Upper end of the period's 95 % interval.
    pub period_high_s: Option<f64>,
    /// Jitter of one beat, standard deviation in seconds.
    pub jitter_s: Option<f64>,
    /// The part of the jitter that stays within the beat (a steady clock behind it).
    pub jitter_locked_s: Option<f64>,
    /// The part of the jitter that adds up from beat to beat (a clock that wanders).
    pub jitter_walk_s: Option<f64>,
    /// Period over the first third of the beats, where it changes with time.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub period_first_s: Option<f64>,
    /// Period over the last third of the beats, where it changes with time.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub period_last_s: Option<f64>,
    /// Frequency that the events hang on, Hz.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub locked_hz: Option<f64>,
    /// Mains and lamp rates that would look like this period, given how often the set looks; more than one
    /// cannot be told apart.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub alias_hz: Vec<f64>,
    /// Beats at which at least half of the motif was seen.
    pub count: u64,
    /// Beats at which it was not, between the first and the last of each run.
    pub missed: u64,
    /// Uninterrupted runs of beats.
    pub runs: u64,
    /// Share of all strays that this pattern explains, repeats counted.
    pub coverage: f64,
    /// First stray of it, seconds.
    pub first_t: f64,
    /// Last stray of it, seconds.
    pub last_t: f64,
    /// Chance that events without a beat would have given as good a pattern anywhere in the search.
    pub chance: f64,
    /// Bits by which it tells more than chance, the cost of the search taken off.
    pub bits: Option<f64>,
    /// Bits saved in writing the train down when its unbroken beats are written as cycles (see [`code`]); for motifs
    /// of one event.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub saved_bits: Option<f64>,
    /// Share of shuffled trains, the real one counted, in which the whole search found as good a pattern.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub chance_shuffled: Option<f64>,
    /// What it says, in a sentence.
    pub note: String,
}

/// All patterns of a train.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Patterns {
    /// Version of this shape: 1.
    pub version: u32,
    /// How long was watched, seconds.
    pub span_s: f64,
    /// All strays, repeats counted.
    pub strays: u64,
    /// Strays that no pattern with a beat or a hold explains.
    pub unexplained: u64,
    /// The patterns, the one that explains most first.
    pub patterns: Vec<Pattern>,
    /// Seed of the surrogates.
    pub seed: u64,
}

/// Up to so many presses all of them propose candidates.
pub const SAMPLE: usize = 24_000;
const WINDOWS: usize = 8;
/// Symbols looked at in one round, the busiest first.
const MOST_LINES: usize = 24;
const CANDIDATES: usize = 6;
/// Bits that a pattern must gain beyond the cost of the search: one false in 128 trains at most.
const THRESHOLD: f64 = 7.0;
/// Clocks of captures are taken to be no finer than this, seconds.
const GRAIN: f64 = 3e-4;

/// Finds the patterns among the strays.
pub fn find(train: &Train, options: &PatternOptions) -> Patterns {
    let presses = fold(train);
    let mut found: Vec<Pattern> = Vec::new();
    let scene = report::Scene { train, presses: &presses, strays: train.len(), lamps: &options.lamps };
    let mut explained = vec![false; presses.len()];
    holds(&scene, &mut found, &mut explained);
    let mut field = Field::new(&presses);
    while found.len() < options.most {
        let symbols = train.symbols().len();
        let Some((lines, best, hypotheses)) = round(&mut field, symbols).or_else(|| uneven(&field, symbols))
        else {
            break;
        };
        let taken = take(&mut field, &lines, &best);
        taken.iter().for_each(|i| explained[*i as usize] = true);
        found.push(scene.periodic(&lines, &best, &taken, hypotheses));
    }
    if options.surrogates > 0 && found.iter().any(|pattern| pattern.bits.is_some()) {
        let gains = surrogate::best_gains(&presses, train.symbols().len(), options.surrogates, options.seed);
        for pattern in &mut found {
            pattern.chance_shuffled = pattern.bits.map(|bits| share(&gains, bits));
        }
    }
    let mut rounds = 0;
    while found.len() < options.most {
        let group = grouped(&field, train.symbols().len());
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
    let rest = field.by_symbol(train.symbols().len());
    without_beat(&scene, rest, &explained, options.most, &mut found);
    let weight = |press: &Press| u64::from(press.repeats) + 1;
    let known: u64 =
        presses.iter().zip(&explained).filter(|(_, e)| **e).map(|(press, _)| weight(press)).sum();
    found.sort_by(|a, b| {
        let loose = |p: &Pattern| p.class == Class::Sporadic;
        loose(a).cmp(&loose(b)).then(b.coverage.total_cmp(&a.coverage)).then(a.first_t.total_cmp(&b.first_t))
    });
    (1u32..).zip(&mut found).for_each(|(id, pattern)| pattern.id = id);
    Patterns {
        version: 1,
        span_s: train.exposure().seconds(),
        strays: train.len() as u64,
        unexplained: (train.len() as u64).saturating_sub(known),
        patterns: found,
        seed: options.seed,
    }
}

/// Auto-repeat and long holds.
fn holds(scene: &report::Scene<'_>, found: &mut Vec<Pattern>, explained: &mut [bool]) {
    for repeats in held::repeats(scene.train, scene.presses) {
        repeats.presses.iter().for_each(|i| explained[*i as usize] = true);
        found.push(scene.repeats(&repeats));
    }
    for held in held::held(scene.train, scene.presses) {
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

/// Share of the shuffled trains with at least so many bits; the real one counts as one of them.
#[allow(clippy::cast_precision_loss)]
fn share(gains: &[f64], bits: f64) -> f64 {
    (gains.iter().filter(|gain| **gain >= bits).count() + 1) as f64 / (gains.len() + 1) as f64
}

/// The best candidate among the free presses, if it pays; with the lines that it refers to.
#[allow(clippy::cast_precision_loss)]
fn round(field: &mut Field<'_>, symbols: usize) -> Option<(Vec<Line>, Candidate, f64)> {
    let lists = field.by_symbol(symbols);
    let free: usize = lists.iter().map(Vec::len).sum();
    let sampled = free > SAMPLE;
    let (lines, best) = if sampled {
        let (some, state) = sample(field);
        let small = Field { presses: &some, state, origin: field.origin };
        propose(&small, small.by_symbol(symbols))?
    } else {
        propose(field, lists.clone())?
    };
    let hypotheses = period::HYPOTHESES * lines.len().max(1) as f64;
    if best.gain - hypotheses.log2() < THRESHOLD {
        return None;
    }
    if !sampled {
        return Some((lines, best, hypotheses));
    }
    // The sample proposed; now all presses of the symbols in question.
    let mut wanted: Vec<u32> = vec![lines[best.line].symbol];
    wanted.extend(best.elements.iter().map(|e| lines[e.line].symbol));
    wanted.dedup();
    let mut full: Vec<Line> = Vec::new();
    for symbol in wanted {
        if full.iter().all(|line| line.symbol != symbol) {
            full.push(Line::new(field, symbol, lists.get(symbol as usize)?.clone()));
        }
    }
    let whole = candidate(&full, 0, best.fit.period, GRAIN)?;
    (whole.gain - hypotheses.log2() >= THRESHOLD).then_some((full, whole, hypotheses))
}

/// A beat too uneven for the tracker, if there is one.
fn uneven(field: &Field<'_>, symbols: usize) -> Option<(Vec<Line>, Candidate, f64)> {
    let lines = lines(field, field.by_symbol(symbols));
    let found = (0..lines.len()).filter_map(|number| phase_filter::beat(&lines, number, GRAIN));
    let best = found.max_by(|a, b| a.gain.total_cmp(&b.gain))?;
    let hypotheses = lines.len().max(1) as f64;
    (best.gain - hypotheses.log2() >= THRESHOLD).then_some((lines, best, hypotheses))
}

/// The best group without a beat among the free presses, if it pays.
#[allow(clippy::cast_precision_loss)]
fn grouped(field: &Field<'_>, symbols: usize) -> Option<(Vec<Line>, group::Group, f64)> {
    let lines = lines(field, field.by_symbol(symbols));
    let best = group::group(&lines, GRAIN)?;
    let hypotheses = lines.len().max(1) as f64;
    (best.gain - hypotheses.log2() >= THRESHOLD).then_some((lines, best, hypotheses))
}

/// Contiguous windows of presses, spread over the train, each as a capture of its own.
fn sample(field: &Field<'_>) -> (Vec<Press>, Vec<u8>) {
    let n = field.presses.len();
    let size = SAMPLE / WINDOWS;
    let (mut presses, mut state) = (Vec::with_capacity(SAMPLE), Vec::with_capacity(SAMPLE));
    for (window, number) in (0..WINDOWS).zip(0u32..) {
        let start = (n / WINDOWS) * window;
        let end = (n / WINDOWS) * (window + 1);
        let free = (start..end).filter(|i| field.state[*i] == FREE).take(size);
        for index in free {
            presses.push(Press { segment: number, ..field.presses[index] });
            state.push(FREE);
        }
    }
    (presses, state)
}

/// Lines of the busiest symbols.
fn lines(field: &Field<'_>, lists: Vec<Vec<u32>>) -> Vec<Line> {
    let mut lists: Vec<(u32, Vec<u32>)> = (0u32..).zip(lists).filter(|(_, list)| list.len() >= 4).collect();
    lists.sort_by_key(|(symbol, list)| (std::cmp::Reverse(list.len()), *symbol));
    lists.truncate(MOST_LINES);
    lists.into_iter().map(|(symbol, list)| Line::new(field, symbol, list)).collect()
}

fn propose(field: &Field<'_>, lists: Vec<Vec<u32>>) -> Option<(Vec<Line>, Candidate)> {
    let lines = lines(field, lists);
    let mut best: Option<Candidate> = None;
    for (number, line) in lines.iter().enumerate() {
        for period in period::candidates(line, CANDIDATES) {
            let next = candidate(&lines, number, period, GRAIN);
            if let Some(next) = next.filter(|next| best.as_ref().is_none_or(|best| next.gain > best.gain)) {
                best = Some(next);
            }
        }
    }
    best.map(|best| (lines, best))
}

/// Marks what the candidate explains and gives its presses in time order.
fn take(field: &mut Field<'_>, lines: &[Line], best: &Candidate) -> Vec<u32> {
    let mut taken: Vec<u32> =
        best.chain.hits.iter().map(|hit| lines[best.line].index[hit.place as usize]).collect();
    for element in &best.elements {
        taken.extend(element.hits.iter().map(|(_, place)| lines[element.line].index[*place as usize]));
    }
    taken.sort_unstable();
    taken.dedup();
    taken.iter().for_each(|i| field.state[*i as usize] = TAKEN);
    taken
}
