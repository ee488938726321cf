//! What was read on a keypad line, against the stretches that the set takes for keys.

use super::html::Part;
use super::model::Windows;
use super::svg::{Anchor, Drawing, clip};
use super::words;

const WIDTH: f64 = 960.0;
const LEFT: f64 = 250.0;
const RIGHT: f64 = 20.0;
const ROW: f64 = 28.0;
const TOP: f64 = 50.0;
/// Marks in one drawing.
const SHOWN: usize = 16;

/// The drawing, `None` without windows or marks.
pub(super) fn figure(windows: &Windows) -> Option<Part> {
    let drawable = windows.full_scale.is_finite() && windows.full_scale > 0.0;
    if windows.levels.is_empty() || windows.marks.is_empty() || !drawable {
        return None;
    }
    let marks = windows.marks.get(..SHOWN.min(windows.marks.len())).unwrap_or_default();
    let bottom = TOP + ROW * marks.len() as f64;
    let title = format!("{} {}", words::FIGURE_WINDOWS, windows.line);
    let mut drawing = Drawing::new(WIDTH, bottom + 30.0, &title, words::FIGURE_WINDOWS_TEXT);
    let at = |counts: f64| LEFT + (WIDTH - LEFT - RIGHT) * (counts / windows.full_scale).clamp(0.0, 1.0);
    for (i, level) in windows.levels.iter().enumerate() {
        let (from, to) = (at(level.low), at(level.high));
        drawing.rect(
            from,
            TOP - 6.0,
            to - from,
            bottom - TOP + 6.0,
            if i % 2 == 0 { "band" } else { "band2" },
        );
        drawing.line(to, TOP - 12.0, to, bottom, "rule");
        let room = ((to - from) / 7.5).max(3.0);
        #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
        let label = clip(&level.label, room as usize);
        // Neighbouring names stand on two heights, since narrow windows stand close together.
        drawing.text(
            (from + to) / 2.0,
            if i % 2 == 0 { 16.0 } else { 33.0 },
            Anchor::Middle,
            "small",
            &label,
        );
        drawing.line(at(level.nominal), TOP - 6.0, at(level.nominal), bottom, "nominal");
    }
    if let Some(last) = windows.levels.last() {
        drawing.text((at(last.high) + WIDTH - RIGHT) / 2.0, 16.0, Anchor::Middle, "small", words::NO_KEY);
    }
    for (i, mark) in marks.iter().enumerate() {
        let y = TOP + ROW * (i as f64 + 0.5);
        drawing.text(10.0, y + 4.5, Anchor::Start, "label", &clip(&mark.label, 34));
        drawing.line(at(mark.low), y, at(mark.high), y, "whisker");
        drawing.line(at(mark.low), y - 4.0, at(mark.low), y + 4.0, "whisker");
        drawing.line(at(mark.high), y - 4.0, at(mark.high), y + 4.0, "whisker");
        drawing.circle(at(mark.counts), y, 5.0, "value");
    }
    for quarter in 0..=4 {
        let counts = windows.full_scale * f64::from(quarter) / 4.0;
        drawing.text(at(counts), bottom + 20.0, Anchor::Middle, "small", &words::number(counts.round()));
    }
    Some(drawing.finish())
}
