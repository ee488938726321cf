//! The same stressor before and after a repair: whether fewer come now than luck explains.

use crate::analysis::episode::{episodes, fold};
use crate::analysis::event_sequence::EventSequence;
use crate::analysis::quiet::QuietPlan;
use crate::base::{ControlPath, Event, EventKind, Nanoseconds, Span};

/// Most further blocks that are asked for.
const MOST_BLOCKS: usize = 200;

/// Chance of so few in the blocks of now, or fewer, if the repair changed nothing.
///
/// # Formula
/// All blocks of both times are mixed, and as many as there are of now picked from them: the share of all picks whose sum is at
/// most that of now. Counted exactly: ways to pick k blocks of sum s, block by block.
///
/// # Source
/// Fisher's test on two samples by Pitman 1937, Suppl. J. R. Stat. Soc. 4:119, section 2. It takes how much counts differ from block to
/// block as it is, so bursts within a block do not count many times. Stands on blocks that could be exchanged between the
/// two times if nothing had changed: no drift from the one to the other, and no spells longer than a block and the
/// blocks between. `examples/provoke.md` has what it does where that is not so.
#[allow(clippy::cast_precision_loss, clippy::cast_possible_truncation)]
pub fn fewer(before: &[u64], now: &[u64]) -> f64 {
    let (picked, most) = (now.len(), now.iter().sum::<u64>() as usize);
    let mut ways = vec![vec![0.0f64; most + 1]; picked + 1];
    ways[0][0] = 1.0;
    let mut met = 0usize;
    for block in before.iter().chain(now) {
        met += 1;
        let step = *block as usize;
        for k in (1..=picked.min(met)).rev() {
            for sum in (step..=most).rev() {
                ways[k][sum] += ways[k - 1][sum - step];
            }
        }
    }
    let mut all = 1.0f64;
    for k in 0..picked {
        all *= (met - k) as f64 / (k + 1) as f64;
    }
    (ways[picked].iter().sum::<f64>() / all).min(1.0)
}

/// Chance of quiet now by [`fewer`] on runs of blocks. A run is longer than the longest pause before, so that each run of before
/// held something, and shorter spells and bursts lie within one. A chance of one where no whole run is left.
fn by_runs(before: &[u64], now: usize) -> f64 {
    let pause = before.split(|count| *count > 0).map(<[u64]>::len).max().unwrap_or(0);
    let (held, quiet) = (before.len() / (pause + 1), now / (pause + 1));
    if held == 0 || quiet == 0 { 1.0 } else { fewer(&vec![1; held], &vec![0; quiet]) }
}

/// What comes so soon after another may follow from it: it begins nothing new in a block, and is one episode to the laws of the
/// pauses, to which a burst would look like pauses of two kinds. A rule of our own.
pub const JOINED: Nanoseconds = Nanoseconds::from_millis(5000);
/// Fewer episodes do not tell laws apart: runs of blocks alone bound the chance. A rule of our own, tuned on `examples/provoke`.
const FEW: u64 = 15;

/// What a stressor brought before a repair, to judge by what it brings now.
#[derive(Clone, Debug)]
pub struct Before {
    counts: Vec<u64>,
    block: Nanoseconds,
    /// With near events joined.
    plan: QuietPlan,
}

impl Before {
    /// From its blocks: when, within the part of each that counts, something began; and how long that part is.
    pub fn of(blocks: &[Vec<Nanoseconds>], block: Nanoseconds) -> Self {
        let mut sequence = EventSequence::new();
        let mut end = Nanoseconds::ZERO;
        for times in blocks {
            let mut last = None;
            for t in times {
                if last.replace(*t).is_some_and(|last| *t - last <= JOINED) {
                    continue;
                }
                // Not the keypad's: a set that is provoked for minutes does not warm up for the first block.
                sequence.push(&Event::new(end + *t, ControlPath::Infrared, EventKind::Press));
            }
            end = end.saturating_add(block);
        }
        sequence.observe(Span { start: Nanoseconds::ZERO, end });
        let plan = QuietPlan::new(&sequence, &episodes(&fold(&sequence), None), None);
        Self { counts: blocks.iter().map(|times| times.len() as u64).collect(), block, plan }
    }

    /// What was counted in its blocks.
    pub fn counts(&self) -> &[u64] {
        &self.counts
    }

    /// Chance of so few now, or fewer, if the repair changed nothing: that of [`fewer`], and where nothing comes now, not less
    /// than what spells allow: the smaller one of [`fewer`] on runs of blocks longer than the longest pause, and, where enough came,
    /// of the average over laws of the pauses, the blocks laid end to end ([`QuietPlan`]).
    #[allow(clippy::cast_precision_loss)]
    pub fn chance(&self, now: &[u64]) -> f64 {
        let picked = fewer(&self.counts, now);
        if now.iter().any(|count| *count > 0) {
            return picked;
        }
        let runs = by_runs(&self.counts, now.len());
        let seconds = now.len() as f64 * self.block.seconds();
        let spells = if self.plan.episodes < FEW { runs } else { runs.min(self.plan.quiet_anyway(seconds)) };
        picked.max(spells)
    }

    /// How many blocks of now must be quiet, all of them, for a chance of at most `alpha`; `None` where no number of them would
    /// do.
    pub fn quiet_blocks(&self, alpha: f64) -> Option<usize> {
        let quiet = |blocks: usize| self.chance(&vec![0; blocks]) <= alpha;
        let (mut low, mut high) = (0, MOST_BLOCKS);
        if !quiet(high) {
            return None;
        }
        while high - low > 1 {
            let middle = low.midpoint(high);
            if quiet(middle) { high = middle } else { low = middle }
        }
        Some(high)
    }
}
