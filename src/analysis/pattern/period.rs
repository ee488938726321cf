//! Candidate periods from the differences between times, and from nothing else: misses and foreign events
//! thin the true difference out but do not move it.

use crate::analysis::pattern::field::Line;
use crate::analysis::special::quantile;

const LOW_LN: f64 = -6.907_755; // one millisecond
const WIDTH: f64 = 0.02;
const BINS: usize = 1024;
/// Differences between each time and so many following ones.
const ORDERS: usize = 12;
/// Half-width of a peak in ln time: it holds a difference of two times with 5 % jitter.
const HALF: f64 = 0.07;
/// Differences beyond this many are not needed to see a peak.
const MOST: usize = 400_000;

/// How many different periods the search can tell apart: the tracker pulls in what is 5 % off.
pub(super) const HYPOTHESES: f64 = BINS as f64 * WIDTH / 0.05;

/// Up to `most` candidate periods in seconds, strongest first.
#[allow(clippy::cast_precision_loss, clippy::cast_possible_truncation, clippy::cast_sign_loss)]
pub(super) fn candidates(line: &Line, most: usize) -> Vec<f64> {
    let n = line.len();
    let step = (n * ORDERS / MOST).max(1);
    let mut histogram = vec![0.0f64; BINS];
    let mut logs: Vec<f64> = Vec::new();
    for i in (0..n).step_by(step) {
        for j in i + 1..(i + 1 + ORDERS).min(n) {
            if line.segment[i] != line.segment[j] {
                break;
            }
            let ln = (line.t[j] - line.t[i]).max(1e-9).ln();
            let bin = (ln - LOW_LN) / WIDTH;
            if (0.0..BINS as f64).contains(&bin) {
                histogram[bin as usize] += 1.0;
                logs.push(ln);
            }
        }
    }
    logs.sort_unstable_by(f64::total_cmp);
    let mut found: Vec<(f64, f64)> = Vec::new();
    for half in [1usize, 3] {
        let narrow = smooth(&histogram, half);
        let wide = smooth(&histogram, 20);
        for bin in 1..BINS - 1 {
            let (here, ground) = (narrow[bin], wide[bin]);
            let peak = here >= narrow[bin - 1] && here > narrow[bin + 1];
            if peak && here >= 2.0 {
                found.push(((here - ground) / (ground + 1.0).sqrt(), LOW_LN + (bin as f64 + 0.5) * WIDTH));
            }
        }
    }
    found.sort_by(|a, b| b.0.total_cmp(&a.0).then(a.1.total_cmp(&b.1)));
    let mut chosen: Vec<f64> = Vec::new();
    for (_, ln) in found {
        let centre = centre(&logs, ln);
        if chosen.iter().all(|other| (other.ln() - centre).abs() > 0.03) {
            chosen.push(centre.exp());
        }
        if chosen.len() == most {
            break;
        }
    }
    chosen
}

/// Median of the logarithms within reach of the peak, twice, so that it settles on the peak's middle.
fn centre(sorted: &[f64], ln: f64) -> f64 {
    let mut centre = ln;
    for half in [HALF, HALF] {
        let from = sorted.partition_point(|v| *v < centre - half);
        let to = sorted.partition_point(|v| *v <= centre + half);
        if let Some(near) = sorted.get(from..to).filter(|near| !near.is_empty()) {
            centre = quantile(near, 0.5);
        }
    }
    centre
}

/// Sum over a sliding window, scaled to the narrowest window's width.
#[allow(clippy::cast_precision_loss)]
fn smooth(values: &[f64], half: usize) -> Vec<f64> {
    let mut sums = vec![0.0; values.len() + 1];
    for (i, value) in values.iter().enumerate() {
        sums[i + 1] = sums[i] + value;
    }
    (0..values.len())
        .map(|i| {
            let (from, to) = (i.saturating_sub(half), (i + half + 1).min(values.len()));
            (sums[to] - sums[from]) * 7.0 / (2 * half + 1) as f64
        })
        .collect()
}
