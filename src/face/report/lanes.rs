//! What happened when, as data: lanes of moments, one set of them for each stage.

use serde::Serialize;

/// Events of one bin: its start in seconds from the stage's start, strays, other events.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize)]
pub struct Tick(pub f64, pub u32, pub u32);

/// One kind of event on one control path.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct Lane {
    /// Control path.
    pub path: String,
    /// Words for the key, the menu item or the kind.
    pub label: String,
    /// Bins in which something happened, in order.
    pub ticks: Vec<Tick>,
}

/// The lanes of one stage.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct StageTimeline {
    /// Stage, counted from 1.
    pub stage: u32,
    /// Its length.
    pub span_s: f64,
    /// Width of a bin.
    pub bin_s: f64,
    /// The lanes.
    pub lanes: Vec<Lane>,
}

impl StageTimeline {
    /// Halves the number of bins.
    pub(crate) fn coarsen(&mut self) {
        self.bin_s *= 2.0;
        for lane in &mut self.lanes {
            let mut merged: Vec<Tick> = Vec::with_capacity(lane.ticks.len());
            for tick in &lane.ticks {
                let start = (tick.0 / self.bin_s).floor() * self.bin_s;
                match merged.last_mut() {
                    Some(last) if last.0 >= start => {
                        last.1 = last.1.saturating_add(tick.1);
                        last.2 = last.2.saturating_add(tick.2);
                    }
                    _ => merged.push(Tick(start, tick.1, tick.2)),
                }
            }
            lane.ticks = merged;
        }
    }
}
