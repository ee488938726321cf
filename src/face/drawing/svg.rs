//! Drawing in SVG: a handful of shapes, numbers of one place, every text escaped, a title and a description.

use std::fmt::Write as _;

use crate::face::drawing::escape::Door;

/// Where a text hangs on its point.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Anchor {
    /// By its beginning.
    Start,
    /// By its middle.
    Middle,
    /// By its end.
    End,
}

/// One drawing. Shapes carry classes of the page's style, never a style of their own.
#[derive(Debug)]
pub struct Drawing {
    out: String,
    door: Door,
}

impl Drawing {
    /// A drawing of this size in its own units, scaled to the width of the page.
    pub fn new(door: Door, width: f64, height: f64, title: &str, description: &str) -> Self {
        let mut out = String::new();
        // Writing to a string cannot fail. The title and the description name the drawing for those who hear it.
        let _ = write!(
            out,
            "<svg viewBox=\"0 0 {width:.0} {height:.0}\" role=\"img\" xmlns=\"http://www.w3.org/2000/svg\">\
             <title>{}</title><desc>{}</desc>",
            door.text(title),
            door.text(description)
        );
        Self { out, door }
    }

    /// A text.
    pub fn text(&mut self, x: f64, y: f64, anchor: Anchor, class: &'static str, text: &str) {
        let anchor = match anchor {
            Anchor::Start => "start",
            Anchor::Middle => "middle",
            Anchor::End => "end",
        };
        let _ = write!(
            self.out,
            "<text x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"{anchor}\" class=\"{class}\">{}</text>",
            finite(x),
            finite(y),
            self.door.text(text)
        );
    }

    /// A label cut to `most` characters, to be given to [`text`](Self::text).
    pub fn clip(&self, text: &str, most: usize) -> String {
        self.door.clip(text, most)
    }

    /// A straight stroke.
    pub fn line(&mut self, x1: f64, y1: f64, x2: f64, y2: f64, class: &'static str) {
        let [x1, y1, x2, y2] = [x1, y1, x2, y2].map(finite);
        let _ = write!(self.out, "<path d=\"M{x1:.1} {y1:.1}L{x2:.1} {y2:.1}\" class=\"{class}\"/>");
    }

    /// A rectangle.
    pub fn rect(&mut self, x: f64, y: f64, width: f64, height: f64, class: &'static str) {
        let [x, y, width, height] = [x, y, width, height].map(finite);
        let _ = write!(
            self.out,
            "<rect x=\"{x:.1}\" y=\"{y:.1}\" width=\"{:.1}\" height=\"{:.1}\" class=\"{class}\"/>",
            width.max(0.0),
            height.max(0.0)
        );
    }

    /// A disc.
    pub fn circle(&mut self, x: f64, y: f64, radius: f64, class: &'static str) {
        let [x, y] = [x, y].map(finite);
        let _ = write!(self.out, "<circle cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"{radius:.1}\" class=\"{class}\"/>");
    }

    /// A style sheet of its own, for a drawing that stands in no page.
    pub(super) fn style(&mut self, sheet: &str) {
        self.out.push_str("<style>");
        self.out.push_str(sheet);
        self.out.push_str("</style>");
    }

    /// A cross, the mark of what is not where it belongs; it needs no colour.
    pub fn cross(&mut self, x: f64, y: f64, half: f64, class: &'static str) {
        let [x, y] = [x, y].map(finite);
        let (left, right, top, bottom) = (x - half, x + half, y - half, y + half);
        let _ = write!(
            self.out,
            "<path d=\"M{left:.1} {top:.1}L{right:.1} {bottom:.1}M{left:.1} {bottom:.1}L{right:.1} {top:.1}\" \
             class=\"{class}\"/>"
        );
    }

    /// A closed polygon.
    pub fn polygon(&mut self, points: &[(f64, f64)], class: &'static str) {
        let _ = write!(self.out, "<path class=\"{class}\" d=\"");
        for (i, (x, y)) in points.iter().enumerate() {
            let [x, y] = [*x, *y].map(finite);
            let _ = write!(self.out, "{}{x:.1} {y:.1}", if i == 0 { 'M' } else { 'L' });
        }
        self.out.push_str("Z\"/>");
    }

    /// Upright strokes (x, foot, head) as one path.
    pub fn ticks(&mut self, ticks: &[(f64, f64, f64)], class: &'static str) {
        if ticks.is_empty() {
            return;
        }
        let _ = write!(self.out, "<path class=\"{class}\" d=\"");
        for (x, foot, head) in ticks {
            let [x, foot, head] = [*x, *foot, *head].map(finite);
            let _ = write!(self.out, "M{x:.1} {foot:.1}V{head:.1}");
        }
        self.out.push_str("\"/>");
    }

    /// Small triangles on the heads of strokes, the mark of a stray that does not need colour.
    pub fn heads(&mut self, ticks: &[(f64, f64, f64)], class: &'static str) {
        if ticks.is_empty() {
            return;
        }
        let _ = write!(self.out, "<path class=\"{class}\" d=\"");
        for (x, _, head) in ticks {
            let _ = write!(self.out, "M{:.1} {:.1}h5l-2.5 4z", finite(x - 2.5), finite(head - 2.0));
        }
        self.out.push_str("\"/>");
    }

    /// The markup.
    pub fn finish(mut self) -> String {
        self.out.push_str("</svg>");
        self.out
    }
}

/// A coordinate: what is not finite goes to the corner instead of breaking the drawing.
fn finite(x: f64) -> f64 {
    if x.is_finite() { x.clamp(-1e5, 1e5) } else { 0.0 }
}

/// A logarithmic axis in decades.
#[derive(Clone, Copy, Debug)]
pub struct LogAxis {
    low: f64,
    high: f64,
    left: f64,
    width: f64,
}

impl LogAxis {
    /// From the decade below the smallest to the one above the largest of the positive finite values.
    pub fn around(values: impl Iterator<Item = f64>, left: f64, width: f64) -> Self {
        let (mut low, mut high) = (f64::INFINITY, f64::NEG_INFINITY);
        for value in values.filter(|value| *value > 0.0 && value.is_finite()) {
            low = low.min(value.log10());
            high = high.max(value.log10());
        }
        if low > high {
            (low, high) = (-1.0, 1.0);
        }
        let (low, high) = ((low - 0.05).floor(), (high + 0.05).ceil());
        Self { low, high: high.max(low + 1.0), left, width }
    }

    /// Place of a value; zero and below stand at the left end.
    pub fn at(&self, value: f64) -> f64 {
        let share = if value > 0.0 { (value.log10() - self.low) / (self.high - self.low) } else { 0.0 };
        self.left + self.width * share.clamp(0.0, 1.0)
    }

    /// The powers of ten on the axis with their places.
    #[allow(clippy::cast_possible_truncation)]
    pub fn decades(&self) -> Vec<(f64, f64)> {
        // At most some twenty decades lie between a stray a year and a thousand a second.
        let step = (((self.high - self.low) / 8.0).ceil() as i32).max(1);
        (self.low as i32..=self.high as i32)
            .step_by(usize::try_from(step).unwrap_or(1))
            .map(|power| (10f64.powi(power), self.at(10f64.powi(power))))
            .collect()
    }
}
