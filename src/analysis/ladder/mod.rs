//! Node equations of the keypad ladder with faults, and their fit to readings.
//!
//! ```text
//!  supply          supply'                          supply'
//!    |  pull-up      |  leak        cable             |  leak
//!    +-----[ ]-------+--[ ]--+                        +--[ ]--+
//!                            |                                |
//!   pin --[pin]--------------n-------[series]-----------------k---+---+--- …
//!                            |                                |   |   |
//!                        leak[ ]                         leak[ ] [R] [R]   keys
//!                            |                                |   /   /
//!   ground ------------------+--(offset)--[return]------------g---+---+--- …
//! ```
//!
//! A converter's code is `floor(levels * V / Vref)`. Parallel ladders ground `k` through one resistor a key;
//! series ladders ground the taps of a chain.

mod circuit;
mod fault;
mod fit;
pub mod keycheck;
mod limits;
mod margin;
mod minimise;
mod model;
mod network;
mod objective;
mod quick;
mod reading;
mod response;
pub mod ripple;
mod verdict;
mod windows;
pub mod words;

pub use fault::{Condition, Fault, Place};
pub use fit::{Estimate, Fit, Fitted, REJECT, Verdict, WINDOW, fit};
pub use limits::{Bears, Limits};
pub use margin::{Borne, FaultRange, Margin, margins, tolerated, walk};
pub use model::{Mechanism, Model, text as model_text, word as model_word};
pub use network::{ASSUMED_PULL_UP_OHM, CLOSED_OHM, FLOATING_OHM, HIGHER_SUPPLY_VOLTS, Network, NetworkKey};
pub use quick::{Quick, quick};
pub use reading::{Gatherer, Reading};
pub use response::{Moved, moves};
pub use verdict::{Entry, Value};
pub use windows::{Window, Windows};
