//! What a job says: its stages, figures, verdicts, patterns, causes, credit and place of the fault, as values.
//!
//! Shared by the commands, the report and whatever serves a page: [`Loaded::open`] brings a job's index up to
//! date, [`state`] gives everything as one [`JobState`]. Nothing here prints.

mod asking;
mod causes;
mod condition;
mod hand_back;
pub mod keycheck;
mod levels;
mod lines;
mod load;
mod place;
mod presses;
pub mod provoke;
mod resting;
mod runner;
mod state;
pub mod summary;
mod symptoms;
mod views;
mod windows;
pub mod words;

pub use asking::{KeyRun, KeyState, Turn};
pub use causes::{CausePath, JobCauses, Orphan};
pub use hand_back::PathBack;
pub use levels::{LineLevels, RateSegment, levels, rate_stretches, stretches_sentence};
pub use lines::{LevelChange, Lines, Track, ripple_sentence};
pub use load::{Loaded, Seen, StageSeen, chassis, prompted, taught, timed};
pub use place::{concluding, located};
pub use presses::{KeyChange, KeyChecks, key_checks_of};
pub use resting::OffRest;
pub use runner::{Asked, SoakPlan, SoakRun, on_for};
pub use state::{
    Advice, AttributedStep, AttributionRest, AttributionState, CaptureState, JobState, PlanState, StageState,
    captures, state, state_of,
};
pub use views::{
    Reference, StageView, attributed, keys, last_plan, options, options_of, reference, views, worth_telling,
};
pub use windows::{Level, Readings, WindowMark, Windows, key_windows};
pub use words::shift_cells;
