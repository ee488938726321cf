//! Lines that follow presses without naming a key: the menu. Everything else is chatter.

use crate::learn::table::{Table, share};

/// A line that follows a press comes within this time, seconds. Common practice, no source.
const FOLLOWS: f64 = 1.2;
/// Share of a group's lines that must follow a press, and lines that there must be.
const LEAST: f64 = 0.8;
const LEAST_LINES: usize = 3;

/// How a group moves with the presses.
#[derive(Clone, Copy, Debug)]
pub(super) struct Follows {
    /// Share of its lines that come within a second or so after a press.
    pub(super) share: f64,
    /// Share that would by chance.
    pub(super) chance: f64,
}

impl Follows {
    /// Whether the lines answer presses.
    pub(super) fn is_answer(self, lines: usize) -> bool {
        self.share >= LEAST && self.share > self.chance + 0.3 && lines >= LEAST_LINES
    }
}

/// How much the lines of a table follow the presses, whose times rise.
pub(super) fn follows(table: &Table, presses: &[f64], span: f64) -> Follows {
    let after = |t: &f64| {
        let before = presses.partition_point(|press| press <= t);
        before.checked_sub(1).and_then(|i| presses.get(i)).is_some_and(|press| t - press <= FOLLOWS)
    };
    let count = table.t.iter().filter(|t| after(t)).count();
    let covered: f64 = presses
        .iter()
        .zip(presses.iter().skip(1).chain(std::iter::once(&f64::INFINITY)))
        .map(|(press, next)| (next - press).min(FOLLOWS))
        .sum();
    Follows { share: share(count, table.rows()), chance: (covered / span.max(1e-9)).min(1.0) }
}
