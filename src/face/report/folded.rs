//! A sequence of strays folded at its period, as bars.

use serde::Serialize;

use crate::face::drawing::Door;
use crate::face::drawing::svg::{Anchor, Drawing};
use crate::face::report::html::Part;
use crate::face::report::words;

/// A sequence of events folded at a period.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct Folded {
    /// Period, seconds.
    pub period_s: f64,
    /// Events in each equal part of the period, first part first.
    pub bins: Vec<u32>,
}

impl Folded {
    /// Folds instants, in seconds, at a period longer than zero into `bins` parts (1 to 360, else cut to that).
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss, clippy::cast_precision_loss)]
    pub fn new(period_s: f64, times_s: impl IntoIterator<Item = f64>, bins: usize) -> Self {
        let mut counts = vec![0u32; bins.clamp(1, 360)];
        let parts = counts.len();
        if period_s > 0.0 {
            for t in times_s {
                let part = (t.rem_euclid(period_s) / period_s * parts as f64) as usize;
                if let Some(count) = counts.get_mut(part.min(parts - 1)) {
                    *count = count.saturating_add(1);
                }
            }
        }
        Self { period_s, bins: counts }
    }
}

const WIDTH: f64 = 460.0;
const HEIGHT: f64 = 190.0;
const LEFT: f64 = 46.0;
const RIGHT: f64 = 14.0;
const TOP: f64 = 30.0;
const BOTTOM: f64 = 44.0;

/// The drawing, `None` when there is nothing to draw.
pub(super) fn figure(door: Door, name: &str, folded: &Folded) -> Option<Part> {
    let most = folded.bins.iter().copied().max().filter(|most| *most > 0)?;
    let total: u64 = folded.bins.iter().map(|count| u64::from(*count)).sum();
    let mut drawing = Drawing::new(
        door,
        WIDTH,
        HEIGHT,
        &format!("{}: {name}", words::FIGURE_FOLDED),
        words::FIGURE_FOLDED_TEXT,
    );
    let (right, foot) = (WIDTH - RIGHT, HEIGHT - BOTTOM);
    let top = ceiling(most);
    let y = |count: f64| foot - (foot - TOP) * count / f64::from(top);
    drawing.text(LEFT - 38.0, 16.0, Anchor::Start, "strong", name);
    for share in [0, 1, 2] {
        let count = f64::from(top) * f64::from(share) / 2.0;
        drawing.line(LEFT, y(count), right, y(count), "grid");
        drawing.text(LEFT - 6.0, y(count) + 4.0, Anchor::End, "small", &words::number(count));
    }
    let bar = (right - LEFT) / folded.bins.len() as f64;
    for (i, count) in folded.bins.iter().enumerate().filter(|(_, count)| **count > 0) {
        let head = y(f64::from(*count));
        drawing.rect(LEFT + bar * i as f64 + bar * 0.08, head, bar * 0.84, foot - head, "bar");
    }
    let even = y(total as f64 / folded.bins.len() as f64);
    drawing.line(LEFT, even, right, even, "even");
    for quarter in 0..=4 {
        let share = f64::from(quarter) / 4.0;
        let x = LEFT + (right - LEFT) * share;
        let anchor = match quarter {
            0 => Anchor::Start,
            4 => Anchor::End,
            _ => Anchor::Middle,
        };
        drawing.text(x, foot + 17.0, anchor, "small", &words::number(folded.period_s * share));
    }
    let axis = format!("{} {}", words::WITHIN_PERIOD, words::duration(folded.period_s));
    drawing.text((LEFT + right) / 2.0, foot + 36.0, Anchor::Middle, "small", &axis);
    Some(Part(drawing.finish()))
}

/// The next even number of the form 2, 4, 10, 20, 40, 100 …
fn ceiling(most: u32) -> u32 {
    let mut decade = 1u32;
    loop {
        for step in [2, 4, 10] {
            let value = decade.saturating_mul(step);
            if value >= most {
                return value;
            }
        }
        decade = decade.saturating_mul(10);
    }
}
