//! What pays best among the free presses: a beat, an uneven beat, a group.

use crate::analysis::episode::Press;
use crate::analysis::pattern::field::{FREE, Field, Line, TAKEN};
use crate::analysis::pattern::motif::{Candidate, candidate};
use crate::analysis::pattern::{group, period, phase_filter};

/// Up to so many presses all of them propose candidates.
pub const SAMPLE: usize = 24_000;

pub(crate) const WINDOWS: usize = 8;

/// Symbols looked at in one round, the busiest first.
pub(crate) const MOST_LINES: usize = 24;

pub(crate) const CANDIDATES: usize = 6;

/// Bits that a pattern must gain beyond the cost of the search: one false in 128 sequences at most.
pub(crate) const THRESHOLD: f64 = 7.0;

/// Clocks of captures are taken to be no finer than this, seconds.
pub(crate) const GRAIN: f64 = 3e-4;

/// The best candidate among the free presses, if it pays; with the lines that it refers to.
#[allow(clippy::cast_precision_loss)]
pub(crate) fn round(field: &mut Field<'_>, symbols: usize) -> Option<(Vec<Line>, Candidate, f64)> {
    let lists = field.by_symbol(symbols);
    let free: usize = lists.iter().map(Vec::len).sum();
    let sampled = free > SAMPLE;
    let (lines, best) = if sampled {
        let (some, state) = sample(field);
        let small = Field { presses: &some, state, origin: field.origin };
        propose(&small, small.by_symbol(symbols))?
    } else {
        propose(field, lists.clone())?
    };
    let hypotheses = period::HYPOTHESES * lines.len().max(1) as f64;
    if best.gain - hypotheses.log2() < THRESHOLD {
        return None;
    }
    if !sampled {
        return Some((lines, best, hypotheses));
    }
    // The sample proposed; now all presses of the symbols in question.
    let mut wanted: Vec<u32> = vec![lines[best.line].symbol];
    wanted.extend(best.elements.iter().map(|e| lines[e.line].symbol));
    wanted.dedup();
    let mut full: Vec<Line> = Vec::new();
    for symbol in wanted {
        if full.iter().all(|line| line.symbol != symbol) {
            full.push(Line::new(field, symbol, lists.get(symbol as usize)?.clone()));
        }
    }
    let whole = candidate(&full, 0, best.fit.period, GRAIN)?;
    (whole.gain - hypotheses.log2() >= THRESHOLD).then_some((full, whole, hypotheses))
}

/// A beat too uneven for the tracker, if there is one.
pub(crate) fn uneven(field: &Field<'_>, symbols: usize) -> Option<(Vec<Line>, Candidate, f64)> {
    let lines = lines(field, field.by_symbol(symbols));
    let found = (0..lines.len()).filter_map(|number| phase_filter::beat(&lines, number, GRAIN));
    let best = found.max_by(|a, b| a.gain.total_cmp(&b.gain))?;
    let hypotheses = lines.len().max(1) as f64;
    (best.gain - hypotheses.log2() >= THRESHOLD).then_some((lines, best, hypotheses))
}

/// The best group without a beat among the free presses, if it pays.
#[allow(clippy::cast_precision_loss)]
pub(crate) fn grouped(field: &Field<'_>, symbols: usize) -> Option<(Vec<Line>, group::Group, f64)> {
    let lines = lines(field, field.by_symbol(symbols));
    let best = group::group(&lines, GRAIN)?;
    let hypotheses = lines.len().max(1) as f64;
    (best.gain - hypotheses.log2() >= THRESHOLD).then_some((lines, best, hypotheses))
}

/// Contiguous windows of presses, spread over the sequence, each as a capture of its own.
pub(crate) fn sample(field: &Field<'_>) -> (Vec<Press>, Vec<u8>) {
    let n = field.presses.len();
    let size = SAMPLE / WINDOWS;
    let (mut presses, mut state) = (Vec::with_capacity(SAMPLE), Vec::with_capacity(SAMPLE));
    for (window, number) in (0..WINDOWS).zip(0u32..) {
        let start = (n / WINDOWS) * window;
        let end = (n / WINDOWS) * (window + 1);
        let free = (start..end).filter(|i| field.state[*i] == FREE).take(size);
        for index in free {
            presses.push(Press { segment: number, ..field.presses[index] });
            state.push(FREE);
        }
    }
    (presses, state)
}

/// Lines of the busiest symbols.
pub(crate) fn lines(field: &Field<'_>, lists: Vec<Vec<u32>>) -> Vec<Line> {
    let mut lists: Vec<(u32, Vec<u32>)> = (0u32..).zip(lists).filter(|(_, list)| list.len() >= 4).collect();
    lists.sort_by_key(|(symbol, list)| (std::cmp::Reverse(list.len()), *symbol));
    lists.truncate(MOST_LINES);
    lists.into_iter().map(|(symbol, list)| Line::new(field, symbol, list)).collect()
}

pub(crate) fn propose(field: &Field<'_>, lists: Vec<Vec<u32>>) -> Option<(Vec<Line>, Candidate)> {
    let lines = lines(field, lists);
    let mut best: Option<Candidate> = None;
    for (number, line) in lines.iter().enumerate() {
        for period in period::candidates(line, CANDIDATES) {
            let next = candidate(&lines, number, period, GRAIN);
            if let Some(next) = next.filter(|next| best.as_ref().is_none_or(|best| next.gain > best.gain)) {
                best = Some(next);
            }
        }
    }
    best.map(|best| (lines, best))
}

/// Marks what the candidate explains and gives its presses in time order.
pub(crate) fn take(field: &mut Field<'_>, lines: &[Line], best: &Candidate) -> Vec<u32> {
    let mut taken: Vec<u32> =
        best.chain.hits.iter().map(|hit| lines[best.line].index[hit.place as usize]).collect();
    for element in &best.elements {
        taken.extend(element.hits.iter().map(|(_, place)| lines[element.line].index[*place as usize]));
    }
    taken.sort_unstable();
    taken.dedup();
    taken.iter().for_each(|i| field.state[*i as usize] = TAKEN);
    taken
}
