//! Which key a level means, by the firmware's rule: the rules of [`crate::decode::ladder`] for levels between two
//! codes too, so that a growing fault can be followed to the very border.

use crate::base::Key;
use crate::decode::ladder::WindowRule;

use crate::analysis::ladder::fault::Condition;
use crate::analysis::ladder::network::Network;

/// One stretch of the converter's scale that means a key, or none.
#[derive(Clone, Debug, PartialEq)]
pub struct Window {
    /// The key; `None` where the firmware sees no key.
    pub key: Option<Key>,
    /// Lower border in counts, inside.
    pub low: f64,
    /// Upper border in counts, outside.
    pub high: f64,
    /// Nominal reading in counts; absent for a stretch between windows that means no key.
    pub nominal: Option<f64>,
}

/// All windows of a line, from zero to full scale without gaps.
#[derive(Clone, Debug, PartialEq)]
pub struct Windows {
    list: Vec<Window>,
}

impl Windows {
    /// The windows that the chassis file declares for the healthy ladder.
    pub fn of(network: &Network) -> Self {
        let mut levels: Vec<(Option<Key>, f64, Option<f64>)> = network
            .keys
            .iter()
            .map(|k| (Some(k.key), nominal(network, &Condition::Key(k.key), k.counts), k.low_counts))
            .collect();
        let idle = nominal(network, &Condition::Idle, network.idle_counts);
        levels.push((None, idle, network.idle_low_counts));
        levels.sort_by(|a, b| a.1.total_cmp(&b.1));
        let end = network.levels();
        let list = match network.window {
            WindowRule::Midpoint | WindowRule::Nearest => midpoint(&levels, end),
            WindowRule::Threshold => threshold(&levels, end),
            WindowRule::Tolerance => tolerance(&levels, end, network.tolerance_counts.unwrap_or(0.0)),
        };
        Self { list }
    }

    /// The windows in order of rising counts.
    pub fn list(&self) -> &[Window] {
        &self.list
    }

    /// The window that holds a reading; readings beyond an end belong to the window at that end.
    pub fn at(&self, counts: f64) -> Option<&Window> {
        self.list.iter().find(|w| counts < w.high).or(self.list.last())
    }

    /// The key that a reading means.
    pub fn key(&self, counts: f64) -> Option<Key> {
        self.at(counts).and_then(|w| w.key)
    }

    /// The window of a key (of no key: the one with the idle level).
    pub fn of_key(&self, key: Option<Key>) -> Option<&Window> {
        self.list.iter().find(|w| w.key == key && w.nominal.is_some())
    }
}

/// The nominal reading as the converter gives it.
fn nominal(network: &Network, condition: &Condition, counts: Option<f64>) -> f64 {
    counts
        .or_else(|| network.solve(condition, &[]).map(|volts| f64::from(network.code(volts))))
        .unwrap_or(f64::from(network.full_scale))
}

type Level = (Option<Key>, f64, Option<f64>);

fn midpoint(levels: &[Level], end: f64) -> Vec<Window> {
    let mut low = 0.0;
    let mut list = Vec::with_capacity(levels.len());
    for (i, (key, counts, _)) in levels.iter().enumerate() {
        let high = levels.get(i + 1).map_or(end, |next| (counts + next.1) / 2.0);
        list.push(Window { key: *key, low, high, nominal: Some(*counts) });
        low = high;
    }
    list
}

/// A key from its own lower border up to the next one's, no key below the first; the idle line from its own
/// lower border, and where the file gives none from half way to the highest key.
fn threshold(levels: &[Level], end: f64) -> Vec<Window> {
    let border = |i: usize| {
        let (_, counts, low) = levels[i];
        let before = if i == 0 { 0.0 } else { levels[i - 1].1 };
        low.unwrap_or(f64::midpoint(before, counts))
    };
    let mut list = Vec::with_capacity(levels.len() + 1);
    if !levels.is_empty() && border(0) > 0.0 {
        list.push(Window { key: None, low: 0.0, high: border(0), nominal: None });
    }
    for (i, (key, counts, _)) in levels.iter().enumerate() {
        let high = if i + 1 < levels.len() { border(i + 1) } else { end };
        list.push(Window { key: *key, low: border(i), high, nominal: Some(*counts) });
    }
    list
}

/// The codes within reach of a nominal reading; what lies between means no key.
fn tolerance(levels: &[Level], end: f64, half: f64) -> Vec<Window> {
    let mut list: Vec<Window> = Vec::with_capacity(levels.len() * 2);
    let mut low = 0.0;
    for (key, counts, _) in levels {
        let from = (counts - half).ceil().max(low);
        let to = ((counts + half).floor() + 1.0).min(end).max(from);
        if from > low {
            list.push(Window { key: None, low, high: from, nominal: None });
        }
        list.push(Window { key: *key, low: from, high: to, nominal: Some(*counts) });
        low = to;
    }
    if low < end {
        list.push(Window { key: None, low, high: end, nominal: None });
    }
    list
}
