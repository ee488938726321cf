//! Which chassis wrote a text.
//!
//! Each chassis decodes the sample. A line of its own counts by how much fixed text its shape has (eight
//! letters and digits count fully: a line of two numbers has the shape of many things), a damaged line counts
//! against it. Ours; there is no published rule for this. A chassis whose fixed text is not in the sample is not tried:
//! it cannot score.

use std::sync::Arc;

use crate::base::{Name, is_line_end, quote};
use crate::decode::chassis::Chassis;
use crate::decode::index::Index;
use crate::decode::nearest::nearest;
use crate::decode::text::TextDecoder;

/// Longest stretch of a sample that is looked at, bytes.
const LONGEST_SAMPLE: usize = 256 << 10;
/// Letters and digits of fixed text that prove a line.
const FULL: u64 = 8;
/// A line of numbers only counts this much of a full one.
const NUMBERS_ONLY: f64 = 0.5;
/// Proof that is asked for, in full lines, unless the whole sample is of the chassis.
const LEAST_PROOF: f64 = 2.0;
/// Lines that are compared with all records where none is one.
const NEAR: usize = 20;
/// Share of the sample's lines that must be records.
const LEAST_SHARE: f64 = 0.01;
/// The runner-up may have at most this share of the winner's score.
const CLOSEST: f64 = 0.8;

/// How well a chassis fits a sample.
#[derive(Clone, Debug, PartialEq, serde::Serialize)]
pub struct Score {
    /// Name of the chassis.
    pub name: String,
    /// 0 (nothing fits) to 1 (every line is a record with much fixed text).
    pub score: f64,
    /// Lines that are records of the chassis.
    pub decoded: u64,
    /// Lines that begin like records and are damaged; 0 where no whole line can be there.
    pub damaged: u64,
    /// All lines of the sample.
    pub lines: u64,
}

/// Which chassis wrote a sample.
#[derive(Clone, Debug, PartialEq, serde::Serialize)]
pub struct Recognition {
    /// Every chassis of which a line can be there, best first; those that cannot score are left out.
    pub ranked: Vec<Score>,
    /// The chosen one; `None` means none of these, or that two fit alike.
    pub choice: Option<String>,
    /// How far the best is ahead of the second, 0 to 1 of the best's score.
    pub margin: f64,
    /// The choice in words.
    pub because: String,
}

impl Recognition {
    /// Whether none was chosen because two fit alike.
    pub fn is_tied(&self) -> bool {
        matches!(self.ranked.as_slice(), [best, second, ..] if self.choice.is_none()
            && best.score > 0.0 && second.score > CLOSEST * best.score)
    }
}

/// Which of the `known` chassis wrote the sample.
pub(super) fn recognise(index: &Index, known: usize, sample: &[u8]) -> Recognition {
    let whole = whole(sample);
    let mut proofs: Vec<(f64, Score)> =
        index.candidates(whole).into_iter().map(|chassis| score(chassis, whole)).collect();
    let decoded = |score: &Score| std::cmp::Reverse(score.decoded);
    proofs.sort_by(|(_, a), (_, b)| {
        let better = b.score.total_cmp(&a.score).then(decoded(a).cmp(&decoded(b)));
        better.then_with(|| a.name.cmp(&b.name))
    });
    let (choice, margin, mut because) = choose(&proofs, known);
    if choice.is_none() && proofs.iter().all(|(_, score)| score.decoded == 0) {
        because += &near(index, whole).unwrap_or_default();
    }
    Recognition { ranked: proofs.into_iter().map(|(_, score)| score).collect(), choice, margin, because }
}

/// The record that one of the first lines comes nearest to, in words.
fn near(index: &Index, sample: &[u8]) -> Option<String> {
    let lines = sample.split(|byte| is_line_end(*byte)).filter(|line| !line.trim_ascii().is_empty());
    let (line, near) = lines.take(NEAR).find_map(|line| Some((line, nearest(index.all(), line)?)))?;
    Some(format!("; \"{}\" begins like {near}", quote(line.trim_ascii())))
}

/// The lines that are looked at. A sample is cut anywhere; half a line proves nothing.
fn whole(sample: &[u8]) -> &[u8] {
    let cut = sample.get(..LONGEST_SAMPLE).unwrap_or(sample);
    match cut.iter().rposition(|byte| is_line_end(*byte)) {
        Some(end) => cut.get(..=end).unwrap_or(cut),
        None => cut,
    }
}

/// How well one chassis fits, 0 to 1.
pub(super) fn score_of(chassis: &Arc<Chassis>, sample: &[u8]) -> f64 {
    score(chassis, whole(sample)).1.score
}

/// A chassis that was named hardly fits where another scores more than this many times as high: a rule of our own.
const BETTER: f64 = 2.0;

/// The one that is recognised, where its score is far above this one. No score is above 1.
pub(super) fn better(named: f64, recognise: impl FnOnce() -> Recognition) -> Option<String> {
    if BETTER * named >= 1.0 {
        return None;
    }
    let found = recognise();
    let best = found.ranked.first().map_or(0.0, |best| best.score);
    found.choice.filter(|_| BETTER * named < best)
}

/// How many of these lines are records of the chassis.
pub(crate) fn decoded(chassis: &Arc<Chassis>, lines: &[u8]) -> u64 {
    let mut decoder = chassis.begin(Name::from("lines"));
    decoder.push(None, 0, lines, &mut Vec::new());
    decoder.counters().decoded
}

#[allow(clippy::cast_precision_loss)]
fn score(chassis: &Arc<Chassis>, sample: &[u8]) -> (f64, Score) {
    let mut decoder = TextDecoder::new(Arc::clone(chassis), Name::from("sample"));
    let mut events = Vec::new();
    for piece in sample.chunks(16 << 10) {
        decoder.push(None, 0, piece, &mut events);
        events.clear();
    }
    decoder.finish(&mut events);
    let counters = decoder.counters();
    let numbers = NUMBERS_ONLY * counters.decoded as f64;
    let proof = (decoder.proof() as f64 / FULL as f64).max(numbers);
    let lines = counters.records.max(1) as f64;
    let score = ((proof - counters.damaged as f64) / lines).max(0.0);
    let score = Score {
        name: chassis.name().to_owned(),
        score: (score * 1e4).round() / 1e4,
        decoded: counters.decoded,
        damaged: counters.damaged,
        lines: counters.records,
    };
    (proof, score)
}

#[allow(clippy::cast_precision_loss)]
fn choose(ranked: &[(f64, Score)], known: usize) -> (Option<String>, f64, String) {
    let Some((proof, best)) = ranked.first() else {
        let because = match known {
            0 => "there is no chassis to choose from".into(),
            _ => format!("no line fits any of {known}"),
        };
        return (None, 0.0, because);
    };
    let second = ranked.get(1).map(|(_, score)| score);
    let margin = match second {
        Some(second) if best.score > 0.0 => 1.0 - second.score / best.score,
        _ => f64::from(u8::from(best.score > 0.0)),
    };
    let share = best.decoded as f64 / best.lines.max(1) as f64;
    let all = best.decoded == best.lines && *proof > 0.0;
    if best.score <= 0.0 || share < LEAST_SHARE || (*proof < LEAST_PROOF && !all) {
        return (
            None,
            margin,
            match best.decoded {
                0 => format!("0 of {} lines fit", best.lines),
                some => format!("{some} of {} lines fit the nearest, {}", best.lines, best.name),
            },
        );
    }
    if let Some(second) = second.filter(|second| second.score > CLOSEST * best.score) {
        let because = format!(
            "{} and {} fit alike ({:.2} and {:.2}); name one",
            best.name, second.name, best.score, second.score
        );
        return (None, margin, because);
    }
    let next =
        second.map_or(String::new(), |second| format!("; next {} at {:.2}", second.name, second.score));
    let because = format!(
        "{} of {} lines are records of {}, score {:.2}{next}",
        best.decoded, best.lines, best.name, best.score
    );
    (Some(best.name.clone()), margin, because)
}
