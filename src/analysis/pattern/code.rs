//! Code lengths of single events and of cycles: how many bits a beat saves in writing the sequence down.

/// Code length in bits of `times` (whole units, ascending) written as one cycle: event, repetitions, period, start
/// and corrections. `same` is the number of events of this type, `whole` of all types, `span` the length of the
/// sequence in units.
///
/// # Source
/// Galbrun, Cellier, Tatti, Termier & Crémilleux 2018, ECML-PKDD (mining periodic patterns with an MDL criterion).
/// `None` for fewer than three times, or when the cycle does not fit the span.
#[allow(clippy::cast_precision_loss)]
pub fn cycle_bits(times: &[u64], same: u64, whole: u64, span: u64) -> Option<f64> {
    if times.len() < 3 {
        return None;
    }
    let gaps: Vec<i64> = times
        .windows(2)
        .map(|pair| i64::try_from(pair[1].saturating_sub(pair[0])).unwrap_or(i64::MAX))
        .collect();
    let mut sorted = gaps.clone();
    sorted.sort_unstable();
    let middle = sorted.len() / 2;
    let lower = sorted[(sorted.len() - 1) / 2];
    let period = lower + (sorted[middle] - lower) / 2;
    let corrections: Vec<i64> = gaps.iter().map(|gap| gap - period).collect();
    let sum: i64 = corrections.iter().sum();
    let room = i64::try_from(span).ok()? - sum;
    let steps = i64::try_from(times.len()).ok()? - 1;
    let periods = room / steps;
    let starts = room - steps * period + 1;
    if period < 1 || periods < 1 || starts < 1 {
        return None;
    }
    let unary: i64 = corrections.iter().map(|e| e.abs()).sum();
    let bits = -(same as f64 / whole as f64).log2()
        + (same as f64).log2()
        + (periods as f64).log2()
        + (starts as f64).log2()
        + 2.0 * steps as f64
        + unary as f64;
    Some(bits)
}

/// Code length in bits of one event by itself.
#[allow(clippy::cast_precision_loss)]
pub fn single_bits(same: u64, whole: u64, span: u64) -> f64 {
    (span as f64 + 1.0).log2() - (same as f64 / whole as f64).log2()
}

/// Bits saved by writing segments of a sequence as cycles, each where that is shorter. `times` are in whole units.
#[allow(clippy::cast_precision_loss)]
pub(super) fn saved_bits(segments: &[Vec<u64>], same: u64, whole: u64, span: u64) -> f64 {
    let one = single_bits(same, whole, span);
    segments
        .iter()
        .filter_map(|times| Some(one * times.len() as f64 - cycle_bits(times, same, whole, span)?))
        .filter(|saved| *saved > 0.0)
        .sum()
}
