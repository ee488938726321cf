//! Where the fault is, and the next test that tells most.
//!
//! A declared tree ([`faults`]) says what each test shows under each location; the posterior over locations is
//! formed stage by stage and joined with the electrical fit of the ladder.

mod attribution;
mod called;
mod collect;
mod evidence;
mod faults;
mod hum;
mod next;
mod report;
mod settle;

pub use attribution::{StepShare, attributed};
pub use called::Called;
pub use collect::Collector;
pub use evidence::{CodeMix, Outcome, StageEvidence, StepKind, finding};
pub use faults::{FaultTree, LOCATIONS, Location, Risk, Test, TestKind, faults, parse};
pub use next::{Proposal, expected_gain};
pub use report::{Belief, Located, StageNote, locate, locate_with};
pub use settle::{mended, settle};
