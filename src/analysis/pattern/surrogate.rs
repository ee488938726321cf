//! The same search over shuffled sequences: a second opinion on chance that rests on no model of the gaps.

use crate::analysis::episode::Press;
use crate::analysis::pattern::field::{FREE, Field};
use crate::analysis::pattern::{lines, propose};
use crate::analysis::random::Random;
use crate::base::Nanoseconds;

/// Presses of each shuffled sequence; of more, the first ones.
const MOST: usize = 3000;
/// Scatter put on each gap's logarithm: enough to blur any beat, too little to undo bursts and pauses.
const BLUR: f64 = 0.5;

/// Bits of the best pattern in each of `count` shuffled sequences: keys permuted over the presses, gaps shuffled within
/// each capture and blurred. Everything that was searched in the real sequence is searched again.
pub(super) fn best_gains(presses: &[Press], symbols: usize, count: u32, seed: u64) -> Vec<f64> {
    let presses = presses.get(..presses.len().min(MOST)).unwrap_or_default();
    let mut random = Random::new(seed);
    (0..count)
        .map(|_| {
            let shuffled = shuffle(presses, &mut random);
            let state = vec![FREE; shuffled.len()];
            let origin = shuffled.first().map_or(Nanoseconds::ZERO, |press| press.t);
            let field = Field { presses: &shuffled, state, origin };
            let lists = field.by_symbol(symbols);
            let cost = (crate::analysis::pattern::period::HYPOTHESES
                * lines(&field, lists.clone()).len().max(1) as f64)
                .log2();
            propose(&field, lists).map_or(f64::NEG_INFINITY, |(_, best)| best.gain - cost)
        })
        .collect()
}

fn shuffle(presses: &[Press], random: &mut Random) -> Vec<Press> {
    let mut symbols: Vec<u32> = presses.iter().map(|press| press.symbol).collect();
    random.shuffle(&mut symbols);
    let mut shuffled = Vec::with_capacity(presses.len());
    let mut from = 0;
    while let Some(first) = presses.get(from) {
        let to = from + presses[from..].iter().take_while(|press| press.segment == first.segment).count();
        let mut gaps: Vec<f64> =
            presses[from..to].windows(2).map(|pair| (pair[1].t - pair[0].t).seconds()).collect();
        random.shuffle(&mut gaps);
        let mut t = first.t;
        for (place, symbol) in (from..to).zip(&symbols[from..to]) {
            if place > from {
                t = t + Nanoseconds::from_seconds(gaps[place - from - 1] * (BLUR * random.normal()).exp());
            }
            shuffled.push(Press { t, end: t, symbol: *symbol, ..presses[place] });
        }
        from = to;
    }
    shuffled
}
