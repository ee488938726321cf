//! Rate, framing and polarity from edges: of all ways to read them, the one that tells the shortest story.
//!
//! # Source
//! Ours, in the spirit of minimum description length (Rissanen 1978, "Modeling by shortest data
//! description", Automatica 14; from memory). Candidate bit times are the centres of the shortest clusters
//! of run lengths and their halves, thirds and quarters, refined by least squares over all runs as whole
//! multiples. Each candidate, under each framing and polarity, reads the edges and is charged in bits: for
//! runs that are no whole multiples, for each character (printable text costs less than bytes), for faults,
//! for unusual rates and framings. The cheapest wins; its certainty follows from how much dearer the others
//! are, weakened where few different characters were seen: a line of only `U` fits too many stories.

use std::collections::BTreeSet;

use crate::base::Nanoseconds;
use crate::signal::uart::frame::Sampler;
use crate::signal::uart::{BREAK, Found, Framing, Parity, UartSpec};
use crate::signal::{Character, Edge, Level};

/// Usual rates in bits a second. Common practice, no source.
const USUAL: [f64; 18] = [
    300.0,
    600.0,
    1200.0,
    2400.0,
    4800.0,
    9600.0,
    14400.0,
    19200.0,
    28800.0,
    38400.0,
    57600.0,
    76800.0,
    115_200.0,
    230_400.0,
    460_800.0,
    921_600.0,
    1_500_000.0,
    3_000_000.0,
];
/// How far from a usual rate a measured one still counts as it.
const SNAP: f64 = 0.03;
/// Edges that every candidate reads.
const READ: usize = 1024;
/// Fewer runs than this tell nothing of the rate.
const FEWEST: usize = 4;
/// Runs longer than this many bits are idle or break and say nothing about the bit time.
const LONGEST: f64 = 12.5;
/// Standard deviation of a run's end in bit times: a capture of eight samples a bit has 0.05.
const SPREAD: f64 = 0.08;
/// Charge for a character that has a fault, in bits.
const FAULT: f64 = 14.0;

/// Framings that are tried, with the charge for being unusual in bits. Ours.
const FRAMINGS: [(u8, Parity, f64); 11] = [
    (8, Parity::None, 0.0),
    (7, Parity::Even, 6.0),
    (7, Parity::Odd, 6.0),
    (8, Parity::Even, 6.0),
    (8, Parity::Odd, 6.0),
    (7, Parity::None, 9.0),
    (9, Parity::None, 9.0),
    (6, Parity::None, 11.0),
    (5, Parity::None, 11.0),
    (9, Parity::Even, 12.0),
    (9, Parity::Odd, 12.0),
];

/// The usual rate within 3 %.
pub(super) fn usual_rate(rate_hz: f64) -> Option<f64> {
    USUAL.into_iter().find(|usual| (rate_hz / usual - 1.0).abs() <= SNAP)
}

/// Less than this share of sound characters is no reading: of random bits half look sound.
const SOUND: f64 = 0.7;
/// So many different characters are enough to trust the difference in cost in full.
const ENOUGH: usize = 12;

struct Story {
    found: Found,
    cost: f64,
    /// Different characters without fault.
    distinct: usize,
}

/// Reads the edges every way; `None` when there are too few, or no way gives mostly sound characters.
pub(super) fn find(spec: &UartSpec, edges: &[Edge], end: Nanoseconds) -> Option<Found> {
    let runs = run_lengths(edges);
    let bit_times = match spec.rate_hz {
        Some(rate_hz) => vec![1e9 / rate_hz],
        None if runs.len() < FEWEST => return None,
        None => candidates(&runs),
    };
    if runs.is_empty() {
        return None;
    }
    let edges = edges.get(..READ).unwrap_or(edges);
    let end = if edges.len() < READ { end } else { edges.last()?.t };
    let mut stories = Vec::new();
    for bit_ns in bit_times {
        let grid = grid_cost(&runs, bit_ns);
        for inverted in [false, true] {
            if spec.inverted.is_some_and(|given| given != inverted) {
                continue;
            }
            for (framing, unusual) in framings(spec) {
                let mut story = read(edges, end, bit_ns, framing, inverted);
                // Inverted lines are rare (RS-232 taken before the level converter), and betray themselves by
                // resting low.
                story.cost += grid + unusual + if inverted { 24.0 } else { 0.0 };
                stories.push(story);
            }
        }
    }
    choose(stories, spec)
}

fn framings(spec: &UartSpec) -> Vec<(Framing, f64)> {
    match spec.framing {
        Some(framing) => vec![(framing, 0.0)],
        None => FRAMINGS
            .into_iter()
            .map(|(data_bits, parity, unusual)| (Framing { data_bits, parity, stop_bits: 1 }, unusual))
            .collect(),
    }
}

/// Lengths between edges in nanoseconds, without the first, which began before the capture.
fn run_lengths(edges: &[Edge]) -> Vec<f64> {
    #[allow(clippy::cast_precision_loss)]
    let length = |pair: &[Edge]| match pair {
        [a, b] if b.t > a.t => Some((b.t - a.t).0 as f64),
        _ => None,
    };
    edges.windows(2).skip(1).filter_map(length).collect()
}

/// Bit times worth trying, refined.
fn candidates(runs: &[f64]) -> Vec<f64> {
    let mut sorted = runs.to_vec();
    sorted.sort_by(f64::total_cmp);
    // Isolated runs far below the others are glitches.
    let least = if sorted.len() < 50 { 1 } else { sorted.len() / 50 };
    let mut centres = Vec::new();
    let mut rest = sorted.as_slice();
    while let Some(first) = rest.first().copied() {
        let count = rest.iter().take_while(|run| **run <= first * 1.25).count();
        let (cluster, behind) = rest.split_at(count);
        if cluster.len() >= least && centres.len() < 5 {
            #[allow(clippy::cast_precision_loss)]
            centres.push(cluster.iter().sum::<f64>() / cluster.len() as f64);
        }
        rest = behind;
    }
    let mut found: Vec<f64> = Vec::new();
    for centre in centres {
        for divisor in [1.0, 2.0, 3.0, 4.0] {
            let refined = refine(&sorted, centre / divisor);
            if refined >= 50.0 && found.iter().all(|other| (refined / other - 1.0).abs() > 0.01) {
                found.push(refined);
            }
        }
    }
    found
}

/// Least squares of the runs as whole multiples of one bit time.
fn refine(runs: &[f64], start: f64) -> f64 {
    let mut bit = start;
    for _ in 0..3 {
        let mut product = 0.0;
        let mut square = 0.0;
        for run in runs {
            let bits = (run / bit).round();
            if (1.0..=LONGEST).contains(&bits) && (run / bit - bits).abs() < 0.35 {
                product += bits * run;
                square += bits * bits;
            }
        }
        if square > 0.0 {
            bit = product / square;
        }
    }
    bit
}

/// Charge in bits for runs that are no whole multiples of the bit time.
fn grid_cost(runs: &[f64], bit_ns: f64) -> f64 {
    let charge = |run: &f64| {
        let bits = run / bit_ns;
        if bits > LONGEST {
            return 0.0;
        }
        let off = bits - bits.round().max(1.0);
        (off * off / (2.0 * SPREAD * SPREAD) * std::f64::consts::LOG2_E).min(8.0)
    };
    runs.iter().take(READ).map(charge).sum()
}

/// Reads the edges one way and charges for it.
fn read(edges: &[Edge], end: Nanoseconds, bit_ns: f64, framing: Framing, inverted: bool) -> Story {
    let mut characters = Vec::new();
    let mut sampler = Sampler::new(framing, bit_ns, inverted);
    for edge in edges {
        sampler.push(*edge, &mut characters);
    }
    sampler.finish(end, &mut characters);
    let stop_bits = if two_stop_bits(&characters, bit_ns, framing) { 2 } else { framing.stop_bits };
    let framing = Framing { stop_bits, ..framing };
    let rate_hz = 1e9 / bit_ns;
    let usual_hz = usual_rate(rate_hz);
    let mut cost = charge(&characters, bit_ns, framing) + if usual_hz.is_some() { 0.0 } else { 6.0 };
    // Time spent in the other level than idle cannot be idle: a line that rests low is inverted.
    cost += resting(edges, end, bit_ns, inverted);
    let certainty = sound_share(&characters);
    let sound = characters.iter().filter(|character| character.fault.is_none());
    let distinct = sound.map(|character| character.value).collect::<BTreeSet<u16>>().len();
    Story { found: Found { rate_hz, usual_hz, framing, inverted, certainty }, cost, distinct }
}

/// Share of characters without fault; none at all is 0.
fn sound_share(characters: &[Character]) -> f64 {
    let sound = characters.iter().filter(|character| character.fault.is_none()).count();
    #[allow(clippy::cast_precision_loss)]
    if characters.is_empty() { 0.0 } else { sound as f64 / characters.len() as f64 }
}

/// Charge in bits for the characters: text or bytes, whichever is cheaper, and the faults and pauses.
fn charge(characters: &[Character], bit_ns: f64, framing: Framing) -> f64 {
    let mut text = 0.0;
    let mut bytes = 0.0;
    let mut common = 0.0;
    let frame = f64::from(frame_bits(framing) + framing.stop_bits.saturating_sub(1));
    let mut last_end = f64::MIN;
    for character in characters {
        let printable = matches!(character.value, 9 | 10 | 13 | 27 | 32..=126);
        text += if printable { 6.6 } else { 14.0 };
        bytes += f64::from(framing.data_bits) + 1.0;
        common += match character.fault {
            None => 0.0,
            Some(BREAK) => FAULT / 2.0,
            Some(_) => FAULT,
        };
        #[allow(clippy::cast_precision_loss)]
        let start = character.t.0 as f64;
        common += if start - last_end < bit_ns { 1.0 } else { 8.0 };
        last_end = start + bit_ns * frame;
    }
    // A reading without characters explains nothing.
    if characters.is_empty() { f64::INFINITY } else { common + f64::min(text, bytes) }
}

fn frame_bits(framing: Framing) -> u8 {
    2 + framing.data_bits + u8::from(framing.parity != Parity::None)
}

/// Charge for stretches of the level that is not idle which are longer than any frame.
fn resting(edges: &[Edge], end: Nanoseconds, bit_ns: f64, inverted: bool) -> f64 {
    let busy = if inverted { Level::High } else { Level::Low };
    let ends = edges.iter().skip(1).map(|edge| edge.t).chain([end]);
    #[allow(clippy::cast_precision_loss)]
    let long = edges
        .iter()
        .zip(ends)
        .filter(|(edge, end)| edge.level == busy && (*end - edge.t).0 as f64 > 13.0 * bit_ns)
        .count() as f64;
    8.0 * long
}

/// Whether frames follow each other at one bit more than they need, and never at less.
fn two_stop_bits(characters: &[Character], bit_ns: f64, framing: Framing) -> bool {
    let frame = f64::from(frame_bits(framing));
    let mut one = 0;
    let mut two = 0;
    for pair in characters.windows(2) {
        if let [a, b] = pair {
            #[allow(clippy::cast_precision_loss)]
            let bits = (b.t - a.t).0 as f64 / bit_ns;
            one += u32::from((bits - frame).abs() < 0.4);
            two += u32::from((bits - frame - 1.0).abs() < 0.4);
        }
    }
    two >= 4 && one * 20 < two
}

/// The cheapest story and how sure it is.
fn choose(mut stories: Vec<Story>, spec: &UartSpec) -> Option<Found> {
    stories.retain(|story| story.cost.is_finite());
    stories.sort_by(|a, b| a.cost.total_cmp(&b.cost));
    let best = stories.first()?;
    let sound = best.found.certainty;
    // Where the rate is given the line is read with it come what may: the faults are the finding.
    if sound < SOUND && spec.rate_hz.is_none() {
        return None;
    }
    // The same character over and over is one piece of evidence, not many.
    #[allow(clippy::cast_precision_loss)]
    let trust = best.distinct.min(ENOUGH) as f64 / ENOUGH as f64;
    let dearer = |story: &Story| ((best.cost - story.cost).max(-60.0) * trust).exp2();
    let rivals: f64 = stories.iter().map(dearer).sum();
    Some(Found { certainty: sound / rivals, ..best.found })
}
