//! Where a rate or a level changed: the best segmentation for a penalty a change, found exactly.

/// Cost of a segment, twice the negative log-likelihood with constants left out.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Cost {
    /// Level with this known variance: Σ (x - mean)² / variance.
    Level {
        /// Variance of a reading about its level.
        variance: f64,
    },
    /// Counts in equal bins of time: 2 (K - K ln(K/n)).
    Counts,
    /// Gaps between events: 2 n ln(mean gap).
    Gaps,
}

struct Sums {
    plain: Vec<f64>,
    squares: Vec<f64>,
}

impl Sums {
    fn new(values: &[f64]) -> Self {
        let centre = values.first().copied().unwrap_or_default();
        let (mut plain, mut squares) = (vec![0.0], vec![0.0]);
        let (mut a, mut b) = (0.0, 0.0);
        for value in values {
            a += value;
            // Squares about the first value: a level of a thousand with a scatter of one keeps its digits.
            b += (value - centre) * (value - centre);
            plain.push(a);
            squares.push(b);
        }
        Self { plain, squares }
    }

    #[allow(clippy::cast_precision_loss)]
    fn cost(&self, cost: Cost, centre: f64, from: usize, to: usize) -> f64 {
        let n = (to - from) as f64;
        let sum = self.plain[to] - self.plain[from];
        match cost {
            Cost::Level { variance } => {
                let about = sum - n * centre;
                (self.squares[to] - self.squares[from] - about * about / n) / variance
            }
            Cost::Counts if sum <= 0.0 => 0.0,
            Cost::Counts => 2.0 * (sum - sum * (sum / n).ln()),
            Cost::Gaps => 2.0 * n * (sum / n).max(f64::MIN_POSITIVE).ln(),
        }
    }
}

/// Cost of the values from one place up to another, not included.
pub fn cost(values: &[f64], cost: Cost, from: usize, to: usize) -> f64 {
    Sums::new(values).cost(cost, values.first().copied().unwrap_or_default(), from, to)
}

/// Ends of the segments, the last being the number of values: the segmentation with the least cost plus
/// `penalty` a change. 3 ln n is a sound penalty; 2 ln n finds too many changes.
///
/// Exact; O(n) where changes are spread evenly, O(n²) at worst.
///
/// # Source
/// PELT: Killick, Fearnhead & Eckley 2012, JASA 107:1590.
pub fn change_points(values: &[f64], kind: Cost, penalty: f64, shortest: usize) -> Vec<usize> {
    let n = values.len();
    let shortest = shortest.max(1);
    if n < 2 * shortest {
        return vec![n];
    }
    let sums = Sums::new(values);
    let centre = values[0];
    let mut best = vec![f64::INFINITY; n + 1];
    let mut previous = vec![0usize; n + 1];
    best[0] = -penalty;
    let mut open: Vec<usize> = vec![0];
    for end in shortest..=n {
        let total = |start: usize| best[start] + sums.cost(kind, centre, start, end);
        let (mut least, mut from) = (f64::INFINITY, 0);
        for start in open.iter().copied().filter(|start| end - start >= shortest) {
            let value = total(start) + penalty;
            if value < least {
                (least, from) = (value, start);
            }
        }
        // A start that is already worse than the best without the penalty never comes back.
        let kept: Vec<usize> =
            open.iter().copied().filter(|start| end - start < shortest || total(*start) <= least).collect();
        best[end] = least;
        previous[end] = from;
        open = kept;
        if end + shortest <= n {
            open.push(end);
        }
    }
    let mut ends = vec![n];
    let mut at = n;
    while previous[at] > 0 {
        at = previous[at];
        ends.push(at);
    }
    ends.reverse();
    ends
}
