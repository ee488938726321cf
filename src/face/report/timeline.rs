//! What happened when: events counted into bins while they stream by, then drawn, all stages in one strip.

pub use crate::face::report::lanes::{Lane, StageTimeline, Tick};
use std::collections::BTreeMap;

use crate::base::{ControlPath, Event, EventKind, Nanoseconds};
use crate::face::drawing::Door;
use crate::face::drawing::svg::{Anchor, Drawing};
use crate::face::report::html::Part;
use crate::face::report::words;

/// Bins of a lane at most; a page has no more dots to show.
const MOST_BINS: usize = 240;
/// Lanes that are kept apart; further ones join a common lane.
const MOST_LANES: usize = 24;

/// Counts the events of one stage into lanes. Memory is bounded however long the stage is: when it outgrows
/// the bins, their width doubles.
#[derive(Clone, Debug)]
pub struct TimelineBuilder {
    stage: u32,
    bin: i64,
    end: i64,
    lanes: BTreeMap<(ControlPath, String), Vec<[u32; 2]>>,
}

impl TimelineBuilder {
    /// For a stage, counted from 1.
    pub fn new(stage: u32) -> Self {
        Self { stage, bin: 100_000_000, end: 0, lanes: BTreeMap::new() }
    }

    /// Takes one event, `t` after the stage's start (negative counts as 0). Readings and releases are passed
    /// over: their presses tell.
    pub fn push(&mut self, t: Nanoseconds, event: &Event, stray: bool) {
        if matches!(event.kind, EventKind::Reading | EventKind::Release) {
            return;
        }
        let t = t.0.max(0);
        self.cover(t);
        let mut lane = (event.path, label(event));
        if self.lanes.len() >= MOST_LANES && !self.lanes.contains_key(&lane) {
            lane.1 = words::OTHER.to_owned();
        }
        let bins = self.lanes.entry(lane).or_default();
        let index = usize::try_from(t / self.bin).unwrap_or(MOST_BINS - 1).min(MOST_BINS - 1);
        if bins.len() <= index {
            bins.resize(index + 1, [0; 2]);
        }
        if let Some(counts) = bins.get_mut(index) {
            let count = if stray { &mut counts[0] } else { &mut counts[1] };
            *count = count.saturating_add(1);
        }
    }

    /// Tells that the stage was watched up to `t` after its start.
    pub fn observe(&mut self, t: Nanoseconds) {
        self.cover(t.0.max(0));
    }

    fn cover(&mut self, t: i64) {
        self.end = self.end.max(t);
        while t / self.bin >= MOST_BINS as i64 {
            self.bin = self.bin.saturating_mul(2);
            for bins in self.lanes.values_mut() {
                *bins = bins
                    .chunks(2)
                    .map(|pair| {
                        pair.iter().fold([0; 2], |sum: [u32; 2], c| {
                            [sum[0].saturating_add(c[0]), sum[1].saturating_add(c[1])]
                        })
                    })
                    .collect();
            }
        }
    }

    /// The lanes, most strays first.
    pub fn finish(self) -> StageTimeline {
        let bin_s = Nanoseconds(self.bin).seconds();
        let mut lanes: Vec<Lane> = self
            .lanes
            .into_iter()
            .map(|((path, label), bins)| {
                let ticks = bins.iter().enumerate().filter(|(_, c)| **c != [0, 0]);
                // Whole nanoseconds first: their decimals are short and read back as they were.
                let start = |i: usize| Nanoseconds(self.bin.saturating_mul(i as i64)).seconds();
                let ticks = ticks.map(|(i, c)| Tick(start(i), c[0], c[1])).collect();
                Lane { path: path.word().to_owned(), label, ticks }
            })
            .collect();
        lanes.sort_by_key(|lane| std::cmp::Reverse(weight(lane)));
        StageTimeline { stage: self.stage, span_s: Nanoseconds(self.end).seconds(), bin_s, lanes }
    }
}

/// Strays first, other events only to break ties.
fn weight(lane: &Lane) -> (u64, u64) {
    lane.ticks.iter().fold((0, 0), |sum, tick| (sum.0 + u64::from(tick.1), sum.1 + u64::from(tick.2)))
}

fn label(event: &Event) -> String {
    if let Some(key) = event.key {
        return key.label().to_owned();
    }
    if let Some(item) = &event.item {
        return item.to_string();
    }
    match (event.command, event.opcode) {
        (Some(command), _) => format!("code {command:#x}"),
        (_, Some(opcode)) => format!("message {opcode:#04x}"),
        _ => words::kind(event.kind.word()).to_owned(),
    }
}

/// Lanes in one drawing; the rest is left to the data block and said.
const SHOWN_LANES: usize = 10;
/// Stages in one drawing.
const SHOWN_STAGES: usize = 6;
const LEFT: f64 = 172.0;
const WIDTH: f64 = 960.0;
const LANE: f64 = 26.0;
const TOP: f64 = 40.0;

/// The strips, at most six stages each, and how many lanes are not shown.
pub(super) fn figures(stages: &[StageTimeline], door: Door) -> (Vec<Part>, usize) {
    let mut weights: BTreeMap<(&str, &str), (u64, u64)> = BTreeMap::new();
    for lane in stages.iter().flat_map(|stage| &stage.lanes) {
        let sum = weights.entry((lane.path.as_str(), lane.label.as_str())).or_default();
        let more = weight(lane);
        *sum = (sum.0 + more.0, sum.1 + more.1);
    }
    let mut lanes: Vec<_> = weights.into_iter().collect();
    lanes.sort_by_key(|(_, weight)| std::cmp::Reverse(*weight));
    let hidden = lanes.len().saturating_sub(SHOWN_LANES);
    let mut shown: Vec<(&str, &str)> = lanes.into_iter().take(SHOWN_LANES).map(|(lane, _)| lane).collect();
    // Neighbours on one path belong together; the paths stand in their order of cause.
    shown.sort_by_key(|(path, _)| ControlPath::ALL.iter().position(|p| p.word() == *path));
    (stages.chunks(SHOWN_STAGES).map(|stages| strip(stages, &shown, door)).collect(), hidden)
}

fn strip(stages: &[StageTimeline], lanes: &[(&str, &str)], door: Door) -> Part {
    let height = TOP + LANE * lanes.len().max(1) as f64 + 6.0;
    let numbers: Vec<String> = stages.iter().map(|stage| stage.stage.to_string()).collect();
    let mut drawing = Drawing::new(
        door,
        WIDTH,
        height,
        words::FIGURE_TIMELINE,
        &format!("{} {}.", words::FIGURE_TIMELINE_TEXT, numbers.join(", ")),
    );
    for (i, (path, label)) in lanes.iter().enumerate() {
        let y = TOP + LANE * (i as f64 + 0.5);
        drawing.text(LEFT - 10.0, y + 4.0, Anchor::End, "label", &drawing.clip(label, 15));
        drawing.text(8.0, y + 4.0, Anchor::Start, "small", path);
    }
    let mut x = LEFT;
    for (stage, width) in stages.iter().zip(widths(stages)) {
        one_stage(&mut drawing, stage, lanes, x, width);
        x += width + 6.0;
    }
    Part(drawing.finish())
}

/// Width of each stage in proportion to its length, none below a readable one.
fn widths(stages: &[StageTimeline]) -> Vec<f64> {
    let room = WIDTH - LEFT - 4.0 - 6.0 * (stages.len().saturating_sub(1)) as f64;
    let least = 60.0_f64.min(room / stages.len().max(1) as f64);
    let spare = room - least * stages.len() as f64;
    let total: f64 = stages.iter().map(|stage| stage.span_s.max(0.0)).sum();
    stages
        .iter()
        .map(|stage| least + spare * if total > 0.0 { stage.span_s.max(0.0) / total } else { 0.0 })
        .collect()
}

fn one_stage(drawing: &mut Drawing, stage: &StageTimeline, lanes: &[(&str, &str)], x: f64, width: f64) {
    let bottom = TOP + LANE * lanes.len().max(1) as f64;
    drawing.rect(x, TOP, width, bottom - TOP, "band");
    for row in 1..lanes.len() {
        let y = TOP + LANE * row as f64;
        drawing.line(x, y, x + width, y, "rule");
    }
    drawing.text(
        x + width / 2.0,
        16.0,
        Anchor::Middle,
        "strong",
        &format!("{} {}", words::STAGE, stage.stage),
    );
    drawing.text(x + width / 2.0, 32.0, Anchor::Middle, "small", &words::duration(stage.span_s));
    let scale = width / stage.span_s.max(1e-9);
    for lane in &stage.lanes {
        let Some(row) = lanes.iter().position(|l| *l == (lane.path.as_str(), lane.label.as_str())) else {
            continue;
        };
        let base = TOP + LANE * (row as f64 + 1.0) - 1.0;
        let most = lane.ticks.iter().map(|tick| tick.1.max(tick.2)).max().unwrap_or(1).max(1);
        let tall = |count: u32| 6.0 + (LANE - 11.0) * f64::from(count).ln_1p() / f64::from(most).ln_1p();
        let at = |tick: &Tick| (x + (tick.0 + stage.bin_s / 2.0) * scale).clamp(x + 1.0, x + width - 1.0);
        let others: Vec<_> =
            lane.ticks.iter().filter(|t| t.1 == 0).map(|t| (at(t), base, base - tall(t.2) * 0.6)).collect();
        let strays: Vec<_> =
            lane.ticks.iter().filter(|t| t.1 > 0).map(|t| (at(t), base, base - tall(t.1))).collect();
        drawing.ticks(&others, "other");
        drawing.ticks(&strays, "stray");
        drawing.heads(&strays, "strayhead");
    }
}
