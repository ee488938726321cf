//! A chain of beats grown into a motif: the other presses that stand at a fixed place within each beat.

use crate::analysis::pattern::chain::{Chain, Fit, Points, fit, track};
use crate::analysis::pattern::field::Line;
use crate::analysis::special::quantile;

/// One element of a motif besides its anchor.
#[derive(Clone, Debug)]
pub(super) struct Element {
    /// Which line.
    pub(super) line: usize,
    /// Place within the beat, 0 to 1.
    pub(super) offset: f64,
    /// Beat and place in the line.
    pub(super) hits: Vec<(u32, u32)>,
    gain: f64,
}

/// An anchor's chain with what goes with it.
#[derive(Clone, Debug)]
pub(super) struct Candidate {
    /// Line of the anchor.
    pub(super) line: usize,
    pub(super) chain: Chain,
    pub(super) fit: Fit,
    pub(super) elements: Vec<Element>,
    /// Beats of all runs on end: run, number in it, time, length.
    pub(super) beats: Vec<Beat>,
    /// Bits gained against chance.
    pub(super) gain: f64,
}

/// One beat, seen or not.
#[derive(Clone, Copy, Debug)]
pub(super) struct Beat {
    pub(super) t: f64,
    length: f64,
    segment: u32,
    pub(super) seen: bool,
}

impl Beat {
    /// A beat that was seen.
    pub(super) fn fixed(t: f64, length: f64, segment: u32) -> Self {
        Self { t, length, segment, seen: true }
    }
}

/// A motif has at most eight events.
const MOST_ELEMENTS: usize = 7;
const FEWEST_SHARE: f64 = 0.35;
const WIDTHS: [f64; 5] = [0.002, 0.008, 0.03, 0.1, 0.25];
/// So many presses of a line are enough to find out at which place of the beat they crowd.
const CROWD: usize = 100_000;
/// What an element must gain over naming it: symbol, place, spread and share.
const ELEMENT_COST: f64 = 20.0;

/// Follows one line at one period and grows the motif.
pub(super) fn candidate(lines: &[Line], anchor: usize, period: f64, grain: f64) -> Option<Candidate> {
    let line = lines.get(anchor)?;
    let first = refined(line, period, grain)?;
    let mut whole = grow(lines, anchor, first, grain);
    // ABCABC is ABC at half the period, and so on down to the root.
    for _ in 0..4 {
        let Some((parts, wholly)) = root(&whole) else { break };
        let enough = if wholly { 0.5 } else { 0.8 };
        let reduced = refined(line, whole.fit.period / f64::from(parts), grain)?;
        let reduced = grow(lines, anchor, reduced, grain);
        if reduced.gain <= enough * whole.gain {
            break;
        }
        whole = reduced;
    }
    Some(whole)
}

/// Tracks again with the period that the first pass found.
fn refined(line: &Line, period: f64, grain: f64) -> Option<(Chain, Fit)> {
    let mut chain = track(line, period);
    let mut found = fit(&points(line, &chain), period, grain);
    if chain.runs.is_empty() || !found.period.is_finite() || found.period <= 0.0 {
        return None;
    }
    // A period that changes is picked up best where the sequence begins.
    for start in [found.period, found.first] {
        let again = track(line, start);
        if again.hits.len() > chain.hits.len()
            || start == found.period && again.hits.len() == chain.hits.len()
        {
            found = fit(&points(line, &again), start, grain);
            chain = again;
        }
    }
    chain.period = found.period;
    (!chain.runs.is_empty()).then_some((chain, found))
}

/// Beat numbers and times of each run, for the regression.
pub(super) fn points(line: &Line, chain: &Chain) -> Points {
    let point =
        |hit: &crate::analysis::pattern::chain::Hit| (f64::from(hit.beat), line.t[hit.place as usize]);
    chain.runs.iter().map(|run| chain.run(*run).iter().map(point).collect()).collect()
}

fn grow(lines: &[Line], anchor: usize, (chain, fit): (Chain, Fit), grain: f64) -> Candidate {
    let line = &lines[anchor];
    let beats = beats_of(line, &chain, &fit);
    let mut gain = chain.gain(line, grain);
    let mut found: Vec<Element> = Vec::new();
    if gain > 0.0 && beats.len() >= 4 {
        let more;
        (found, more) = elements(lines, anchor, Some(&chain), &beats, chain.period, grain);
        gain += more;
    }
    Candidate { line: anchor, chain, fit, elements: found, beats, gain }
}

/// What stands at fixed places within the beats, in order of place, and the bits gained. Without a chain the
/// beats are the anchor's own presses, so that its line has nothing to add.
pub(super) fn elements(
    lines: &[Line],
    anchor: usize,
    chain: Option<&Chain>,
    beats: &[Beat],
    period: f64,
    grain: f64,
) -> (Vec<Element>, f64) {
    let mut found: Vec<Element> = Vec::new();
    let mut gain = 0.0;
    for (number, other) in lines.iter().enumerate() {
        let own = chain.filter(|_| number == anchor);
        if number == anchor && own.is_none() {
            continue;
        }
        let mut offsets = offsets(other, own, beats, period);
        while found.len() < MOST_ELEMENTS {
            let Some(element) = strongest(number, other, &mut offsets, beats, period, grain) else { break };
            gain += element.gain;
            found.push(element);
        }
    }
    found.sort_by(|a, b| a.offset.total_cmp(&b.offset));
    (found, gain)
}

/// All beats in time order; the missed ones stand between their neighbours.
#[allow(clippy::cast_precision_loss)]
pub(super) fn beats_of(line: &Line, chain: &Chain, fit: &Fit) -> Vec<Beat> {
    let mut beats: Vec<Beat> = Vec::new();
    for run in &chain.runs {
        let hits = chain.run(*run);
        // A steady clock is known better than its single beats; a wandering one is where it was seen.
        let time = |hit: &crate::analysis::pattern::chain::Hit| {
            if fit.locked > fit.walk { hit.tau } else { line.t[hit.place as usize] }
        };
        let first = beats.len();
        for pair in hits.windows(2) {
            let [a, b] = pair else { continue };
            let (from, to) = (time(a), time(b));
            let steps = b.beat - a.beat;
            let length = (to - from) / f64::from(steps);
            for step in 0..steps {
                beats.push(Beat {
                    t: from + length * f64::from(step),
                    length,
                    segment: line.segment[a.place as usize],
                    seen: step == 0,
                });
            }
        }
        if let Some(last) = hits.last() {
            let length = chain.period;
            beats.push(Beat {
                t: time(last),
                length,
                segment: line.segment[last.place as usize],
                seen: true,
            });
        }
        debug_assert!(beats.len() > first);
    }
    beats
}

/// Place within its beat of each press of a line: (offset, beat, place).
type Offsets = Vec<(f64, u32, u32)>;

#[allow(clippy::cast_possible_truncation)]
fn offsets(line: &Line, own: Option<&Chain>, beats: &[Beat], period: f64) -> Offsets {
    let mut offsets = Vec::new();
    let mut beat = 0;
    let mut hit = 0;
    for place in 0..line.len() {
        if let Some(chain) = own {
            while chain.hits.get(hit).is_some_and(|h| (h.place as usize) < place) {
                hit += 1;
            }
            if chain.hits.get(hit).is_some_and(|h| h.place as usize == place) {
                continue;
            }
        }
        let (t, segment) = (line.t[place], line.segment[place]);
        while beats
            .get(beat + 1)
            .is_some_and(|next| next.segment < segment || next.segment == segment && next.t <= t)
        {
            beat += 1;
        }
        let here = &beats[beat];
        if here.segment != segment {
            continue;
        }
        let length =
            if here.length > 0.5 * period && here.length < 2.0 * period { here.length } else { period };
        let offset = (t - here.t) / length;
        // Just before the first beat of a run belongs to that run too.
        if (-0.25..1.0).contains(&offset) {
            offsets.push((offset.rem_euclid(1.0), beat as u32, place as u32));
        }
    }
    offsets.sort_unstable_by(|a, b| a.0.total_cmp(&b.0).then(a.2.cmp(&b.2)));
    offsets
}

/// The place within the beat at which the presses of this line crowd most; they leave the list.
#[allow(clippy::cast_precision_loss)]
fn strongest(
    number: usize,
    line: &Line,
    offsets: &mut Offsets,
    beats: &[Beat],
    period: f64,
    grain: f64,
) -> Option<Element> {
    let need = (FEWEST_SHARE * beats.len() as f64).max(3.0);
    if (offsets.len() as f64) < need {
        return None;
    }
    // Where they crowd, every k-th of very many shows as well as all.
    let step = offsets.len().div_ceil(CROWD);
    let some: Vec<f64> = offsets.iter().step_by(step).map(|(offset, _, _)| *offset).collect();
    let (n, need) = (some.len(), need / step as f64);
    let at = |i: usize| if i < n { some[i] } else { some[i - n] + 1.0 };
    let mut best: Option<(f64, usize, usize)> = None;
    for width in WIDTHS {
        let expected = n as f64 * width;
        let mut to = 0;
        for from in 0..n {
            to = to.max(from);
            while to < from + n && at(to) <= at(from) + width {
                to += 1;
            }
            let count = (to - from) as f64;
            if count >= need && count > expected {
                let score = count * (count / expected).log2() - (count - expected) * std::f64::consts::LOG2_E;
                if best.is_none_or(|(most, _, _)| score > most) {
                    best = Some((score, from, to));
                }
            }
        }
    }
    let (_, from, to) = best?;
    let inside: Vec<f64> = (from..to).map(at).collect();
    let centre = quantile(&inside, 0.5);
    let mut distances: Vec<f64> = inside.iter().map(|v| (v - centre).abs()).collect();
    distances.sort_unstable_by(f64::total_cmp);
    let spread = (1.4826 * quantile(&distances, 0.5)).max(grain / period).min(0.1);
    Some(collect(number, line, offsets, beats, Place { centre, spread, period })).filter(|e| e.gain > 0.0)
}

struct Place {
    centre: f64,
    spread: f64,
    period: f64,
}

/// Takes the press nearest to the place from every beat, and weighs them as the anchor's beats are weighed.
#[allow(clippy::cast_precision_loss)]
fn collect(number: usize, line: &Line, offsets: &mut Offsets, beats: &[Beat], place: Place) -> Element {
    let Place { centre, spread, period } = place;
    let reach = (3.5 * spread).clamp(0.01, 0.2);
    let off = |offset: f64| (offset - centre + 0.5).rem_euclid(1.0) - 0.5;
    let mut near: Vec<(u32, f64, u32)> = offsets
        .iter()
        .map(|(offset, beat, place)| {
            // A press just before its beat belongs to the beat's place when the place is at the beat.
            let turns = (offset - off(*offset) - centre).round();
            (beat.saturating_add_signed(turns as i32), off(*offset), *place)
        })
        // Just before the beat after the last one there is no beat to belong to.
        .filter(|(beat, distance, _)| distance.abs() <= reach && (*beat as usize) < beats.len())
        .collect();
    near.sort_unstable_by(|a, b| a.0.cmp(&b.0).then(a.1.abs().total_cmp(&b.1.abs())).then(a.2.cmp(&b.2)));
    near.dedup_by_key(|(beat, _, _)| *beat);
    let total = beats.len() as f64;
    let q = ((total - near.len() as f64 + 0.5) / (total + 1.0)).clamp(0.005, 0.9);
    let top = (1.0 - q) / (spread * period * std::f64::consts::TAU.sqrt());
    // What other elements explain of this line already is no longer there to come by chance.
    let rest = offsets.len() as f64 / line.len().max(1) as f64;
    let mut bits = (total - near.len() as f64).max(0.0) * q.log2() - ELEMENT_COST;
    for (_, distance, place) in &near {
        let z = distance / spread;
        bits += (q + top * (-0.5 * z * z).exp() / (rest * line.intensity[*place as usize])).log2();
    }
    let mut taken = vec![false; line.len()];
    near.iter().for_each(|(_, _, place)| taken[*place as usize] = true);
    offsets.retain(|(_, _, place)| !taken[*place as usize]);
    Element {
        line: number,
        offset: centre.rem_euclid(1.0),
        hits: near.into_iter().map(|(beat, _, place)| (beat, place)).collect(),
        gain: bits,
    }
}

/// In how many equal parts the motif repeats itself, and whether wholly: with eight events at most, three times
/// ABC shows as ABCABCAB.
#[allow(clippy::cast_precision_loss)]
fn root(candidate: &Candidate) -> Option<(u32, bool)> {
    let mut ring: Vec<(usize, f64)> = vec![(candidate.line, 0.0)];
    ring.extend(candidate.elements.iter().map(|e| (e.line, e.offset)));
    let n = ring.len();
    let matches = |parts: u32| {
        let shift = 1.0 / f64::from(parts);
        let has_twin = |(line, offset): &(usize, f64)| {
            ring.iter().any(|(other, place)| {
                let step = (place - offset - shift + 0.5).rem_euclid(1.0) - 0.5;
                other == line && step.abs() < 0.03
            })
        };
        ring.iter().filter(|element| has_twin(element)).count()
    };
    (2..=8u32)
        .rev()
        .map(|parts| (parts, matches(parts)))
        .find(|(parts, same)| *same == n && n >= *parts as usize || n >= 6 && *same * 10 >= n * 6)
        .map(|(parts, same)| (parts, same == n))
}
