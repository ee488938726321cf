//! What was read on a keypad line, against the stretches that the set takes for keys.

use std::collections::BTreeMap;

use super::html::Part;
use super::model::{WindowMark, Windows};
use super::svg::{Anchor, Drawing, clip};
use super::words;
use crate::base::{Event, EventKind, Name};

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
    if let Some(last) = windows.levels.last().filter(|last| last.label != words::NO_KEY) {
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

/// Lines and distinct readings that are kept; a set has two lines of some thousand counts.
const MOST_LINES: usize = 8;
const MOST_READINGS: usize = 1 << 16;

/// Gathers the readings of one stage while its events stream by; memory is bounded by the converter's range.
#[derive(Clone, Debug)]
pub struct Readings {
    stage: u32,
    lines: BTreeMap<Name, BTreeMap<u32, u64>>,
}

impl Readings {
    /// For a stage, counted from 1.
    pub fn new(stage: u32) -> Self {
        Self { stage, lines: BTreeMap::new() }
    }

    /// Takes one event; all but readings are passed over.
    pub fn push(&mut self, event: &Event) {
        let (EventKind::Reading, Some(line), Some(counts)) = (event.kind, &event.line, event.counts) else {
            return;
        };
        if self.lines.len() >= MOST_LINES && !self.lines.contains_key(line) {
            return;
        }
        let seen = self.lines.entry(Name::clone(line)).or_default();
        if seen.len() < MOST_READINGS || seen.contains_key(&counts) {
            *seen.entry(counts).or_default() += 1;
        }
    }

    /// Adds to each line's windows a mark for every window in which the stage's readings fell: their median, and
    /// the stretch that holds all but the lowest and the highest twentieth. A window with less than one reading
    /// in two hundred is left out: the line passed through it on its way.
    pub fn mark(&self, windows: &mut [Windows]) {
        for line in windows {
            let Some(seen) = self.lines.iter().find(|(name, _)| ***name == *line.line).map(|(_, seen)| seen)
            else {
                continue;
            };
            let all: u64 = seen.values().sum();
            let borders: Vec<(String, f64, f64)> = line
                .levels
                .iter()
                .map(|level| (level.label.clone(), level.low, level.high))
                .chain([(
                    words::NO_KEY.to_owned(),
                    line.levels.last().map_or(0.0, |l| l.high),
                    f64::INFINITY,
                )])
                .collect();
            for (label, low, high) in borders {
                let inside = || {
                    seen.iter()
                        .filter(|(counts, _)| (low..high).contains(&f64::from(**counts)))
                        .map(|(c, n)| (*c, *n))
                };
                let count: u64 = inside().map(|(_, n)| n).sum();
                if count > 0 && count.saturating_mul(200) >= all {
                    line.marks.push(WindowMark {
                        label: format!("{} {}: {label}", words::STAGE, self.stage),
                        counts: quantile(inside(), count, 50),
                        low: quantile(inside(), count, 5),
                        high: quantile(inside(), count, 95),
                    });
                }
            }
        }
    }
}

/// The reading below or at which this many hundredths of `count` readings lie; readings in rising order.
fn quantile(readings: impl Iterator<Item = (u32, u64)>, count: u64, hundredths: u64) -> f64 {
    let rank = (count.saturating_mul(hundredths)).div_ceil(100).max(1);
    let mut passed = 0u64;
    let mut last = 0;
    for (counts, n) in readings {
        last = counts;
        passed = passed.saturating_add(n);
        if passed >= rank {
            break;
        }
    }
    f64::from(last)
}
