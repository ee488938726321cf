//! Provocation: a drawn plan carried out on a set, and what its blocks show. Live and stored captures are counted and judged
//! by the same code.

pub mod lines;
mod run;
mod state;

pub use run::{Now, ProvokeRun, planned, provoked, uses};
pub use state::{
    BlockState, ExcursionState, LIKELY, LevelState, LineLevel, ProvokedState, SURE, StressorState,
};
