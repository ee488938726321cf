//! An invented set with a known fault, behind a pseudo-terminal.
//!
//! What enters: a seed, faults, steps of simulated time, hands on keys. What leaves: the bytes that the set's
//! debug UART would print. The set is honest: its keypad voltage comes from a node equation ([`circuit`]), the
//! leak moves because a worn cable touches metal as the set warms ([`leak`]), a remote control in the room follows its
//! own beat ([`wedged`]), the firmware sees converter counts and infrared codes alone ([`keypad`]), its menu reacts to
//! what the firmware believes ([`menu`]) and its lines are what the chassis prints ([`mod@print`]). straykey is given the bytes and nothing else; the truth stays here, for tests.
//!
//! Deliberately not done: picture, sound, the full boot log of a real set. No wall clock is read anywhere:
//! the caller hands in the time.

pub mod circuit;
pub mod keypad;
pub mod leak;
pub mod menu;
pub mod print;
mod random;
pub mod scenario;
pub mod set;
pub mod terminal;
pub mod wedged;

pub use circuit::{Connection, Faults, Ladder};
pub use leak::{Leak, Place};
pub use print::Style;
pub use random::Random;
pub use scenario::{Scenario, ScenarioStage};
pub use set::{Registered, SimulatedSet};
pub use terminal::Terminal;
pub use wedged::WedgedRemote;
