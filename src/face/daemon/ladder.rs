//! The ladder of a job's chassis as a drawing: windows, nominal levels, and what was read at presses.

use std::collections::BTreeMap;
use std::fmt::Write as _;

use crate::base::{EventKind, Key, Name, Result};
use crate::face::findings::{Loaded, chassis};
use crate::timeline::Protocols;

const WIDTH: f64 = 640.0;
const ROW: f64 = 26.0;
const LEFT: f64 = 130.0;

/// What was read at the presses of a key.
#[derive(Clone, Copy, Debug, Default)]
struct Read {
    sum: f64,
    count: u32,
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
        ("#16181c", "#f1f3f5", "#5b6470", "#ffb454")
    } else {
        ("#ffffff", "#1b1f24", "#b9c1cb", "#b34700")
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
