//! The report: one self-contained HTML file about a job, for the customer, the next technician, the warranty.
//!
//! What enters: a [`Report`], the state of a job with what is drawn beside it. What leaves: HTML text with inline
//! SVG, its style inside, no script that runs, nothing fetched, and the same facts as JSON in a data block. Log text
//! is hostile and private: every text passes one [`Door`](crate::face::drawing::Door), in the page and in its drawings, and every string of the
//! data block the same mask.
//!
//! Promised: below [`LARGEST`] bytes (the timeline is coarsened until it fits), one column that prints to A4
//! and Letter, figures and table rows never cut by a page, a table beside every chart, no meaning in colour
//! alone. Deliberately not done: any arithmetic about strays; numbers come with the state.

mod blocks;
mod data;
mod facts;
mod folded;
mod forest;
pub mod html;
mod lanes;
mod parts;
mod results;
mod sections;
mod timeline;
pub mod words;

use crate::base::Result;
use crate::face::report::parts::Page;

pub use facts::Report;
pub use folded::Folded;
pub use timeline::{Lane, StageTimeline, Tick, TimelineBuilder};

/// Largest report, bytes.
pub const LARGEST: usize = 2_000_000;

/// The report as HTML, at most [`LARGEST`] bytes, and what was masked in it: the timeline loses detail first, then the
/// JSON copy goes and the report says so.
///
/// # Errors
/// `System` when a finding cannot be written as JSON.
pub fn write(report: &Report<'_>) -> Result<(String, Vec<String>)> {
    // A tick costs some 45 bytes, half as a stroke, half as JSON: far too many are thinned before any is drawn.
    const TICKS: usize = LARGEST / 60;
    let mut timeline = report.timeline.clone();
    for lane in timeline.iter_mut().flat_map(|stage| &mut stage.lanes) {
        for text in [&mut lane.path, &mut lane.label] {
            *text = report.door.plain(text);
        }
    }
    let sections = sections::sections(report.state, report.door)?;
    let (data, masked) = data::value(report, &sections);
    let page = Page { report, sections, data, masked };
    // Each round halves the timeline; sixteen rounds leave one tick of each lane.
    for _ in 0..16 {
        if timeline.iter().flat_map(|stage| &stage.lanes).map(|lane| lane.ticks.len()).sum::<usize>() <= TICKS
        {
            let text = parts::page(&page, &timeline, true);
            if text.len() <= LARGEST {
                return Ok((text, page.masked));
            }
        }
        timeline.iter_mut().for_each(StageTimeline::coarsen);
    }
    let mut text = parts::page(&page, &timeline, false);
    if text.len() > LARGEST {
        // Hundreds of stages with hundreds of lanes: the tables still tell.
        text = parts::page(&page, &[], false);
    }
    Ok((text, page.masked))
}
