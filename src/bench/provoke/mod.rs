//! Provocation: a drawn plan carried out on a set, and what its blocks show. Live and stored captures are counted and judged
//! by the same code.

mod advise;
mod again;
mod draw;
pub mod lines;
mod run;
mod state;

pub use advise::{ProvokeTest, instead};
pub use again::{AgainState, AgainStressor, AgainVerdict, Compared, Support, again, compared};
pub use draw::{Choice, Drawn, RARE, draw, instruction, planned, uses};
pub use run::{Now, ProvokeRun, provoked};
pub use state::{
    BlockState, ExcursionState, LIKELY, LevelState, LineLevel, ProvokedState, SURE, StressorState,
};
