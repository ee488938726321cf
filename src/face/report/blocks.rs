//! The blocks of a provocation as a strip over time: what was done, the strays, where each line rested.

use crate::base::words::{duration, number, plural};
use crate::bench::provoke::{BlockState, ProvokedState};
use crate::face::drawing::Door;
use crate::face::drawing::svg::{Anchor, Drawing};
use crate::face::report::html::Part;
use crate::face::report::words;

const WIDTH: f64 = 960.0;
const LEFT: f64 = 190.0;
const RIGHT: f64 = 14.0;
const TOP: f64 = 8.0;
const LANE: f64 = 24.0;
/// Height of the lane of a line's level.
const LEVEL: f64 = 54.0;
const SCALE: f64 = 26.0;
/// Strays that are drawn; more would only be a bar.
const MOST_STRAYS: usize = 2000;
/// A level that moves by less stays a flat line, counts.
const LEAST_RANGE: f64 = 4.0;

/// The strip of one provocation; `None` before its first block.
pub(super) fn figure(state: &ProvokedState, door: Door) -> Option<Part> {
    let begin = state.blocks.first()?.from_s;
    let end = state.blocks.iter().map(|block| block.to_s).fold(begin, f64::max);
    let lines = lines(state);
    let lanes = state.stressors.len() + 1;
    let strays = TOP + LANE * lanes as f64;
    let levels = strays + LANE;
    let bottom = levels + LEVEL * lines.len() as f64;
    let text = format!("{} {}.", words::FIGURE_BLOCKS_TEXT, plural(state.blocks.len() as u64, "block"));
    let mut drawing = Drawing::new(door, WIDTH, bottom + SCALE, words::FIGURE_BLOCKS, &text);
    let at = |t: f64| LEFT + (WIDTH - LEFT - RIGHT) * ((t - begin) / (end - begin).max(1e-9)).clamp(0.0, 1.0);
    for (lane, name) in std::iter::once(words::LEAVE_ALONE)
        .chain(state.stressors.iter().map(|one| &*one.stressor))
        .enumerate()
    {
        let y = TOP + LANE * lane as f64;
        drawing.text(LEFT - 10.0, y + 17.0, Anchor::End, "label", &drawing.clip(name, 22));
        drawing.line(LEFT, y + LANE, WIDTH - RIGHT, y + LANE, "rule");
        let own = |block: &&BlockState| match &block.stressor {
            None => lane == 0,
            Some(stressor) => lane > 0 && *stressor == *name,
        };
        for block in state.blocks.iter().filter(own) {
            one_block(&mut drawing, block, state.wash_out_s, y, &at);
        }
    }
    drawing.text(LEFT - 10.0, strays + 17.0, Anchor::End, "label", words::STRAYS);
    let ticks: Vec<_> = state
        .episodes_s
        .iter()
        .take(MOST_STRAYS)
        .map(|t| (at(*t), strays + LANE - 2.0, strays + 5.0))
        .collect();
    drawing.ticks(&ticks, "stray");
    drawing.heads(&ticks, "strayhead");
    for (row, line) in lines.iter().enumerate() {
        level(&mut drawing, state, line, levels + LEVEL * row as f64, &at);
    }
    for quarter in 0..=4 {
        let t = begin + (end - begin) * f64::from(quarter) / 4.0;
        drawing.line(at(t), TOP, at(t), bottom, "grid");
        let anchor = match quarter {
            0 => Anchor::Start,
            4 => Anchor::End,
            _ => Anchor::Middle,
        };
        drawing.text(at(t), bottom + 18.0, anchor, "small", &duration((t - begin).round()));
    }
    Some(Part(drawing.finish()))
}

/// What was done, pale where it is not counted; crossed where the round was left out.
fn one_block(drawing: &mut Drawing, block: &BlockState, wash_out_s: f64, y: f64, at: &dyn Fn(f64) -> f64) {
    let (from, to) = (at(block.from_s), at(block.to_s));
    let counts = at((block.from_s + wash_out_s).min(block.to_s));
    drawing.rect(from, y + 4.0, to - from, LANE - 8.0, "window");
    if block.struck.is_some() {
        drawing.cross(from.midpoint(to), y + LANE / 2.0, 5.0, "astray");
    } else {
        drawing.rect(counts, y + 4.0, to - counts, LANE - 8.0, "share");
    }
}

/// The lines that were read in any block.
fn lines(state: &ProvokedState) -> Vec<&str> {
    let mut lines: Vec<&str> =
        state.blocks.iter().flat_map(|block| block.levels.iter().map(|level| &*level.line)).collect();
    lines.sort_unstable();
    lines.dedup();
    lines
}

/// Where a line rested in each block that was done.
fn level(drawing: &mut Drawing, state: &ProvokedState, line: &str, top: f64, at: &dyn Fn(f64) -> f64) {
    let of =
        |block: &BlockState| block.levels.iter().find(|level| level.line == line).map(|level| level.level);
    let all: Vec<f64> = state.blocks.iter().filter_map(of).collect();
    let (low, high) = all
        .iter()
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), level| (low.min(*level), high.max(*level)));
    let range = (high - low).max(LEAST_RANGE);
    let (low, high) = (low.midpoint(high) - range / 2.0, low.midpoint(high) + range / 2.0);
    let place = |level: f64| top + 10.0 + (LEVEL - 20.0) * (high - level) / range;
    drawing.rect(LEFT, top + 3.0, WIDTH - LEFT - RIGHT, LEVEL - 6.0, "band");
    drawing.text(LEFT - 10.0, top + 22.0, Anchor::End, "label", &drawing.clip(line, 22));
    let scale = format!("{} to {} counts", number(low.round()), number(high.round()));
    drawing.text(LEFT - 10.0, top + 40.0, Anchor::End, "small", &scale);
    for block in &state.blocks {
        if let Some(level) = of(block) {
            let (from, to, y) = (at(block.from_s + state.wash_out_s), at(block.to_s), place(level));
            drawing.line(from, y, to, y, if block.stressor.is_some() { "whisker" } else { "level" });
        }
    }
}
