//! The report: one self-contained HTML file about a job, for the customer, the next technician, the warranty.
//!
//! What enters: a [`ReportModel`], plain data that the caller fills from job, timeline and analysis. What
//! leaves: HTML text with inline SVG, its style inside, no script that runs, nothing fetched, and the model
//! itself as JSON in a data block. Log text is hostile: every text passes [`html::escape`].
//!
//! Promised: below [`LARGEST`] bytes (the timeline is coarsened until it fits), one column that prints to A4
//! and Letter, figures and table rows never cut by a page, a table beside every chart, no meaning in colour
//! alone. Deliberately not done: any arithmetic about strays; numbers come with the model.

mod folded;
mod forest;
pub mod html;
mod json;
mod lanes;
mod model;
mod parts;
mod results;
mod timeline;
pub mod words;

pub use model::{
    Capture, Cause, Comparison, Credit, Folded, LadderFit, Location, Motif, NextTest, Observed, Pattern,
    Rate, ReportModel, Stage, Topic, Verdict, Versions,
};
pub use timeline::{Lane, StageTimeline, Tick, TimelineBuilder};

/// Largest report, bytes.
pub const LARGEST: usize = 2_000_000;

/// The report as HTML, at most [`LARGEST`] bytes: the timeline loses detail first, then the JSON copy goes and
/// the report says so.
pub fn write(model: &ReportModel) -> String {
    // A tick costs some 45 bytes, half as a stroke, half as JSON: far too many are thinned before any is drawn.
    const TICKS: usize = LARGEST / 60;
    let mut model = std::borrow::Cow::Borrowed(model);
    let ticks = |model: &ReportModel| -> usize {
        model.timeline.iter().flat_map(|stage| &stage.lanes).map(|lane| lane.ticks.len()).sum()
    };
    // Each round halves the timeline; sixteen rounds leave one tick of each lane.
    for _ in 0..16 {
        if ticks(&model) <= TICKS {
            let page = parts::page(&model, true);
            if page.len() <= LARGEST {
                return page;
            }
        }
        model.to_mut().timeline.iter_mut().for_each(StageTimeline::coarsen);
    }
    let mut page = parts::page(&model, false);
    if page.len() > LARGEST {
        // Hundreds of stages with hundreds of lanes: the tables still tell.
        model.to_mut().timeline.clear();
        page = parts::page(&model, false);
    }
    page
}
