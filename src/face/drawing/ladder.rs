//! The ladder: a row for each key's window with its nominal level, and what was read in it.

use crate::base::words::number;
use crate::bench::{Level, WindowMark, Windows};
use crate::face::drawing::escape::Door;
use crate::face::drawing::svg::{Anchor, Drawing};

/// Where the drawing stands, which decides its colours.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Theme {
    /// In a page with a style for its classes.
    Inherit,
    /// By itself, dark on light.
    Light,
    /// By itself, light on dark.
    Dark,
}

/// How wide the drawing is, in its own units; letters are of 14 units, so that many pixels keep them legible.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Width(f64);

impl Width {
    /// A sheet of paper.
    pub const SHEET: Self = Self(960.0);

    /// A column of a page, units; from 300 to the width of a sheet.
    pub fn column(units: u32) -> Self {
        Self(f64::from(units).clamp(300.0, Self::SHEET.0))
    }

    /// Where the scale begins, right of the names: a narrow drawing leaves them less room.
    fn left(self) -> f64 {
        (100.0 + 0.14 * self.0).min(200.0)
    }

    /// Letters of a key's name that fit left of its nominal level.
    fn letters(self) -> usize {
        (((self.left() - 56.0) / 7.7) as usize).min(17)
    }
}

const RIGHT: f64 = 24.0;
/// Height of a window without readings, and of each reading in one.
const ROW: f64 = 26.0;
/// Space for the name of a line, and for its scale.
const HEAD: f64 = 34.0;
const SCALE: f64 = 44.0;
/// Readings that are drawn for one line; the list beside the drawing has them all.
const SHOWN: usize = 40;
/// Width of a letter of a label.
const LETTER: f64 = 7.2;

const TITLE: &str = "Key ladder: windows, nominal levels and readings";
const TEXT: &str = "One row for each key, from the highest reading down. The bar is the stretch of counts that the set takes \
    for the key, the upright stroke in it the nominal level. A disc with a line is what was read, with its spread; a cross \
    is a key that was asked for and read as another.";

/// The drawing of one or more lines; `None` where no line has windows and a scale.
pub fn ladder_svg(lines: &[Windows], theme: Theme, width: Width, door: Door) -> Option<String> {
    let drawable =
        |line: &&Windows| line.full_scale.is_finite() && line.full_scale > 0.0 && !line.levels.is_empty();
    let lines: Vec<&Windows> = lines.iter().filter(drawable).collect();
    if lines.is_empty() {
        return None;
    }
    let height =
        lines.iter().map(|line| HEAD + rows(line).iter().map(Row::height).sum::<f64>() + SCALE).sum();
    let names: Vec<String> = lines.iter().map(|line| spoken(line)).collect();
    let mut drawing = Drawing::new(door, width.0, height, TITLE, &format!("{TEXT} {}", names.join(" ")));
    match theme {
        Theme::Inherit => {}
        Theme::Light => {
            drawing.style(&sheet("#ffffff", "#1d2630", "#55606b", "#dfe5db", "#b9c1b5", "#24488a", "#a3341f"))
        }
        Theme::Dark => {
            drawing.style(&sheet("#16181c", "#f1f3f5", "#a9b3be", "#333a44", "#566070", "#8fb8ff", "#ff9e80"))
        }
    }
    if theme != Theme::Inherit {
        drawing.rect(0.0, 0.0, width.0, height, "paper");
    }
    let mut y = 0.0;
    for line in lines {
        y = draw(&mut drawing, line, y, width);
    }
    Some(drawing.finish())
}

/// One window with the readings in it.
struct Row<'a> {
    level: &'a Level,
    marks: Vec<&'a WindowMark>,
}

impl Row<'_> {
    fn height(&self) -> f64 {
        ROW * self.marks.len().max(1) as f64
    }
}

/// The windows from the highest down. Stretches between keys are left out unless something was read there.
fn rows(line: &Windows) -> Vec<Row<'_>> {
    let shown = line.marks.get(..SHOWN.min(line.marks.len())).unwrap_or_default();
    let inside = |level: &Level| {
        let last = line.levels.last().is_some_and(|last| std::ptr::eq(last, level));
        let within = move |m: &&WindowMark| m.counts >= level.low && (m.counts < level.high || last);
        shown.iter().filter(within).collect::<Vec<_>>()
    };
    let all = line.levels.iter().rev().map(|level| Row { marks: inside(level), level });
    all.filter(|row| row.level.nominal.is_some() || !row.marks.is_empty()).collect()
}

/// A line in words, for those who hear the drawing.
fn spoken(line: &Windows) -> String {
    let keys = line.levels.iter().filter(|level| level.nominal.is_some()).count();
    format!("{}: {keys} windows, {} readings.", line.line, line.marks.len())
}

fn draw(drawing: &mut Drawing, line: &Windows, top: f64, width: Width) -> f64 {
    let left = width.left();
    let at = |counts: f64| left + (width.0 - left - RIGHT) * (counts / line.full_scale).clamp(0.0, 1.0);
    drawing.text(
        10.0,
        top + 22.0,
        Anchor::Start,
        "strong",
        &drawing.clip(&line.line, width.letters().min(14)),
    );
    drawing.text(left - 10.0, top + 22.0, Anchor::End, "small", "nominal");
    let mut y = top + HEAD;
    let rows = rows(line);
    let bottom = y + rows.iter().map(Row::height).sum::<f64>();
    for quarter in 0..=4 {
        let x = at(line.full_scale * f64::from(quarter) / 4.0);
        drawing.line(x, y, x, bottom + 6.0, "grid");
    }
    for row in &rows {
        let height = row.height();
        let (low, high) = (at(row.level.low), at(row.level.high));
        drawing.rect(low, y + 3.0, (high - low).max(2.0), height - 6.0, "window");
        drawing.text(
            10.0,
            y + 18.0,
            Anchor::Start,
            "label",
            &drawing.clip(&row.level.label, width.letters()),
        );
        if let Some(nominal) = row.level.nominal {
            drawing.text(left - 10.0, y + 18.0, Anchor::End, "small", &number(nominal.round()));
            drawing.line(at(nominal), y + 1.0, at(nominal), y + height - 1.0, "level");
        }
        for (i, mark) in row.marks.iter().enumerate() {
            reading(drawing, mark, row.level, y + ROW * (i as f64 + 0.5), &at, width);
        }
        y += height;
    }
    for quarter in 0..=4 {
        let counts = line.full_scale * f64::from(quarter) / 4.0;
        drawing.text(at(counts), bottom + 22.0, Anchor::Middle, "small", &number(counts.round()));
    }
    drawing.text(left - 10.0, bottom + 22.0, Anchor::End, "small", "counts");
    bottom + SCALE
}

/// A reading with its spread, and beside it, where there is room, what it is.
fn reading(
    drawing: &mut Drawing,
    mark: &WindowMark,
    level: &Level,
    y: f64,
    at: &dyn Fn(f64) -> f64,
    width: Width,
) {
    let (low, middle, high) = (at(mark.low), at(mark.counts), at(mark.high));
    let astray = mark.asked.as_ref().is_some_and(|asked| *asked != level.label);
    drawing.line(low, y, high, y, "whisker");
    drawing.line(low, y - 4.0, low, y + 4.0, "whisker");
    drawing.line(high, y - 4.0, high, y + 4.0, "whisker");
    if astray {
        drawing.cross(middle, y, 5.0, "astray");
    } else {
        drawing.circle(middle, y, 5.0, "value");
    }
    let counts = format!(", {}", number(mark.counts.round()));
    let (right, left) = (high.max(middle) + 10.0, low.min(middle) - 10.0);
    let wide = (drawing.clip(&mark.label, 44).chars().count() + counts.len()) as f64 * LETTER;
    let (room_right, room_left) = (width.0 - 4.0 - right, left - width.left());
    let on_right = wide < room_right || wide >= room_left && room_right >= room_left;
    // Where neither side has room, the name is cut and the counts stay.
    let letters = (room_right.max(room_left) / LETTER) as usize;
    let label =
        format!("{}{counts}", drawing.clip(&mark.label, letters.saturating_sub(counts.len()).clamp(8, 44)));
    // A nominal stroke through a label would strike it out: the label's own outline keeps it apart.
    if on_right {
        drawing.text(right, y + 4.5, Anchor::Start, "halo", &label);
    } else {
        drawing.text(left, y + 4.5, Anchor::End, "halo", &label);
    }
}

/// Rules for the classes of this drawing.
fn sheet(paper: &str, ink: &str, soft: &str, window: &str, rule: &str, value: &str, astray: &str) -> String {
    format!(
        "text{{font:14px system-ui,sans-serif;fill:{ink}}}.small{{font-size:13px;fill:{soft}}}\
         .strong{{font-weight:600}}.halo{{font-size:13px;stroke:{paper};stroke-width:4px;paint-order:stroke;\
         stroke-linejoin:round}}.paper{{fill:{paper}}}.window{{fill:{window}}}.grid{{stroke:{rule};fill:none}}\
         .level{{stroke:{ink};stroke-width:2.5;fill:none}}.whisker{{stroke:{value};stroke-width:2;fill:none}}\
         .value{{fill:{value}}}.astray{{stroke:{astray};stroke-width:3;fill:none}}"
    )
}
