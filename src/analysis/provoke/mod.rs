//! Provocation as a designed experiment: what a bench does by instinct (warm, cold, tap, shade), in blocks whose order is
//! drawn at random, and judged on that drawing alone.
//!
//! Enters: which stressors with which times, the time at hand, and numbers for each block: episodes, excursions, mean
//! levels. Leaves: the plan, a p value for each stressor and kind of number, the factor on the rate or the shift of the
//! level with an interval, before all that what a plan of this length can show at all, and after a repair whether the same
//! stressors bring fewer. No input or output, no wording.
//!
//! Promised: only the order is random, so a stressor without effect is called one with chance `alpha` at most, whatever
//! the strays do by themselves: bursts, drifts, warming up. Not promised: that an effect is found. Where the block before
//! still works on, effects are diluted, and the error stays what it is.
//!
//! Stands on what the bench keeps to: all slots are equally long and count the same part; the order is not known to
//! whoever decides to strike a round out, nor are its numbers; pauses fall between rounds.
//!
//! # Source
//! Fisher 1935, The Design of Experiments, chapters II and III; Edgington & Onghena 2007, Randomization Tests, 4th edition;
//! Westfall & Young 1993, Resampling-Based Multiple Testing.

pub mod effect;
pub mod forecast;
pub mod inference;
mod orders;
pub mod plan;
pub mod repeat;
pub mod stressor;
pub mod table;

pub use effect::{Ratio, Shift, ratio, shift};
pub use forecast::{Forecast, Wish, forecast, smallest_p};
pub use inference::{Looks, Outcome, judge, judge_all};
pub use plan::{Block, Label, Plan, PlanError, Round, Slot, Timing};
pub use repeat::{Before, JOINED, fewer};
pub use table::{Direction, Kind, Table, TableError};
