//! The ladder of a job's chassis as a drawing: windows, nominal levels, and what was read at presses.

use std::collections::BTreeMap;
use std::fmt::Write as _;

use schemars::JsonSchema;
use serde::Serialize;

use crate::base::{EventKind, Key, Name, Result};
use crate::decode::ladder::Window;
use crate::face::findings::{Loaded, chassis};
use crate::timeline::Protocols;

const WIDTH: f64 = 440.0;
const ROW: f64 = 26.0;
const LEFT: f64 = 112.0;

/// What was read at the presses of a key.
#[derive(Clone, Copy, Debug, Default)]
struct Read {
    sum: f64,
    count: u32,
}

/// A line of the keypad with what its readings mean.
#[derive(Debug, Serialize, JsonSchema)]
pub struct LineWindows {
    line: String,
    /// Largest reading, counts.
    full_scale: u32,
    supply_volts: f64,
    /// From the lowest reading to the highest, without gaps.
    windows: Vec<KeyWindow>,
}

/// A run of readings that mean the same key, or none.
#[derive(Debug, Serialize, JsonSchema)]
struct KeyWindow {
    key: Option<Key>,
    /// Lowest and highest reading, counts.
    low: u32,
    high: u32,
    /// The reading that the ladder is made for, counts and volts; none for a gap between keys.
    nominal: Option<f64>,
    nominal_volts: Option<f64>,
}

/// The key windows of a job's chassis; empty where the chassis is not known or has no ladder.
///
/// # Errors
/// `Usage` when the job's chassis is not known to the program.
pub fn windows(loaded: &Loaded, protocols: &Protocols) -> Result<Vec<LineWindows>> {
    let Some(chassis) = chassis(loaded, protocols)? else { return Ok(Vec::new()) };
    let lines = chassis.lines().map(|(name, windows)| {
        let line = windows.line();
        let per_count = line.volts(line.full_scale) / f64::from(line.full_scale.max(1));
        let window = |window: &Window| KeyWindow {
            key: window.key,
            low: window.low,
            high: window.high,
            nominal: window.nominal,
            nominal_volts: window.nominal.map(|counts| counts * per_count),
        };
        LineWindows {
            line: name.to_string(),
            full_scale: line.full_scale,
            supply_volts: line.supply_volts,
            windows: windows.all().iter().map(window).collect(),
        }
    });
    Ok(lines.collect())
}

/// The drawing, `None` where there is no ladder.
///
/// # Errors
/// `Machine` when the disk fails; `Usage` when the job's chassis is not known.
pub fn draw(loaded: &Loaded, protocols: &Protocols, dark: bool) -> Result<Option<String>> {
    let Some(chassis) = chassis(loaded, protocols)? else { return Ok(None) };
    let lines: Vec<_> = chassis.lines().collect();
    if lines.is_empty() {
        return Ok(None);
    }
    let read = presses(loaded)?;
    let (paper, ink, faint, mark) = if dark {
        ("#1b211f", "#e9ede8", "#55635c", "#ff9f83")
    } else {
        ("#ffffff", "#1d2630", "#c3ccbf", "#a3341f")
    };
    let rows: usize = lines.iter().map(|(_, windows)| windows.all().len() + 1).sum();
    #[allow(clippy::cast_precision_loss)]
    let height = rows as f64 * ROW + 12.0;
    let mut svg = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {WIDTH} {height}\" role=\"img\" \
         aria-labelledby=\"t d\" font-family=\"system-ui,sans-serif\" font-size=\"13\"><title id=\"t\">Key ladder</title>\
         <desc id=\"d\">Windows of the keys in counts, their nominal levels as strokes, and readings at presses as \
         circles.</desc><rect width=\"{WIDTH}\" height=\"{height}\" fill=\"{paper}\"/>"
    );
    let mut y = ROW;
    for (line, windows) in lines {
        let full = f64::from(windows.line().full_scale).max(1.0);
        let x = |counts: f64| LEFT + counts / full * (WIDTH - LEFT - 90.0);
        let _ = write!(
            svg,
            "<text x=\"8\" y=\"{y}\" fill=\"{ink}\" font-weight=\"bold\">{}</text>",
            escape(line)
        );
        y += ROW;
        for window in windows.all() {
            let (low, high) = (x(f64::from(window.low)), x(f64::from(window.high) + 1.0));
            let label = window.key.map_or("no key", Key::label);
            let _ = write!(
                svg,
                "<text x=\"8\" y=\"{y}\" fill=\"{ink}\">{}</text><rect x=\"{low:.1}\" y=\"{:.1}\" width=\"{:.1}\" \
                 height=\"12\" fill=\"{faint}\"/>",
                escape(label),
                y - 11.0,
                (high - low).max(1.0)
            );
            let mut note = String::new();
            if let Some(nominal) = window.nominal {
                let _ = write!(
                    svg,
                    "<line x1=\"{0:.1}\" x2=\"{0:.1}\" y1=\"{1:.1}\" y2=\"{2:.1}\" stroke=\"{ink}\" stroke-width=\"2\"/>",
                    x(nominal),
                    y - 14.0,
                    y + 4.0
                );
                note = format!("{nominal:.0}");
            }
            let found = window.key.and_then(|key| read.get(&(line.clone(), key)));
            if let Some(read) = found.filter(|read| read.count > 0) {
                let mean = read.sum / f64::from(read.count);
                let _ = write!(
                    svg,
                    "<circle cx=\"{:.1}\" cy=\"{:.1}\" r=\"5\" fill=\"none\" stroke=\"{mark}\" stroke-width=\"3\"/>",
                    x(mean),
                    y - 5.0
                );
                let _ = write!(note, " / {mean:.0}");
            }
            let _ = write!(svg, "<text x=\"{:.1}\" y=\"{y}\" fill=\"{ink}\">{note}</text>", WIDTH - 84.0);
            y += ROW;
        }
    }
    svg.push_str("</svg>");
    Ok(Some(svg))
}

/// The readings at the presses of the last stage with any.
fn presses(loaded: &Loaded) -> Result<BTreeMap<(Name, Key), Read>> {
    for stage in loaded.job.stages().iter().rev() {
        let mut read: BTreeMap<(Name, Key), Read> = BTreeMap::new();
        for capture in &stage.captures {
            loaded.store().acts(&capture.name, &mut |_, event| {
                if event.kind == EventKind::Press
                    && let (Some(line), Some(key), Some(counts)) = (&event.line, event.key, event.counts)
                {
                    let slot = read.entry((line.clone(), key)).or_default();
                    slot.sum += f64::from(counts);
                    slot.count += 1;
                }
                Ok(())
            })?;
        }
        if !read.is_empty() {
            return Ok(read);
        }
    }
    Ok(BTreeMap::new())
}

fn escape(text: &str) -> String {
    text.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;").replace('"', "&quot;")
}
