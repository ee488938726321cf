//! Rates with their intervals, one row a stage, on a common logarithmic axis.

use crate::analysis::compare::Side;
use crate::bench::StageState;
use crate::face::drawing::Door;
use crate::face::drawing::svg::{Anchor, Drawing, LogAxis};
use crate::face::report::html::Part;
use crate::face::report::words;

const WIDTH: f64 = 960.0;
const LEFT: f64 = 330.0;
const RIGHT: f64 = 200.0;
const ROW: f64 = 30.0;
const TOP: f64 = 14.0;
/// Rows in one drawing, so that none is taller than a page.
const SHOWN: usize = 20;

/// The drawings of the stages that were watched.
pub(super) fn figures(stages: &[&StageState], door: Door) -> Vec<Part> {
    let seen: Vec<(&StageState, &Side)> =
        stages.iter().filter_map(|stage| Some((*stage, stage.figures.as_ref()?))).collect();
    let ends = seen.iter().flat_map(|(_, o)| [o.per_min_low, o.per_min, o.per_min_high]);
    let axis = LogAxis::around(ends, LEFT, WIDTH - LEFT - RIGHT);
    seen.chunks(SHOWN).map(|rows| figure(rows, &axis, door)).collect()
}

fn figure(rows: &[(&StageState, &Side)], axis: &LogAxis, door: Door) -> Part {
    let bottom = TOP + ROW * rows.len() as f64;
    let mut drawing =
        Drawing::new(door, WIDTH, bottom + 44.0, words::FIGURE_FOREST, words::FIGURE_FOREST_TEXT);
    for (i, _) in rows.iter().enumerate().step_by(2) {
        drawing.rect(0.0, TOP + ROW * i as f64, WIDTH, ROW, "band");
    }
    for (value, x) in axis.decades() {
        drawing.line(x, TOP, x, bottom, "grid");
        drawing.text(x, bottom + 18.0, Anchor::Middle, "small", &words::number(value));
    }
    drawing.text((LEFT + WIDTH - RIGHT) / 2.0, bottom + 37.0, Anchor::Middle, "small", words::EPISODES_AXIS);
    for (i, (stage, observed)) in rows.iter().enumerate() {
        let y = TOP + ROW * (i as f64 + 0.5);
        let label = format!("{} · {}", stage.stage, drawing.clip(&stage.step, 36));
        drawing.text(10.0, y + 4.5, Anchor::Start, "label", &label);
        row(&mut drawing, axis, observed, y);
        if let Some(verdict) = stage.comparison.as_ref().map(|comparison| comparison.figures.verdict) {
            drawing.text(WIDTH - RIGHT + 24.0, y + 4.5, Anchor::Start, "strong", words::verdict(verdict));
        }
    }
    Part(drawing.finish())
}

fn row(drawing: &mut Drawing, axis: &LogAxis, observed: &Side, y: f64) {
    let (low, high) = (axis.at(observed.per_min_low), axis.at(observed.per_min_high));
    drawing.line(low, y, high, y, "whisker");
    drawing.line(high, y - 5.0, high, y + 5.0, "whisker");
    if observed.per_min_low > 0.0 {
        drawing.line(low, y - 5.0, low, y + 5.0, "whisker");
    } else {
        // A logarithmic axis has no zero: the arrow says that the interval goes on to it.
        drawing.polygon(&[(low - 8.0, y), (low, y - 5.0), (low, y + 5.0)], "arrow");
    }
    if observed.per_min > 0.0 {
        drawing.rect(axis.at(observed.per_min) - 5.0, y - 5.0, 10.0, 10.0, "value");
    }
}
