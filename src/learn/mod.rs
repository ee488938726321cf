//! An unknown debug log to a draft protocol file.
//!
//! Enters: the lines of captures, with arrival times where the host stamped them, and the keys that were asked
//! for. Leaves: line shapes, the stamp and its unit, what answers presses, readings for each key, and the text of
//! a file that `protocol check` accepts, every rule with the evidence for it. What the capture does not tell is
//! marked `# unknown` and never filled in silently.
//!
//! [`Miner`] groups lines as they come, in constant time a line and bounded memory. [`learn`] looks at a capture
//! as a whole and holds at most [`MOST_BYTES`] of it.

mod coverage;
mod draft;
mod example;
mod extend;
mod frames;
mod load;
mod menu;
mod mined;
mod named;
mod prefix;
mod readings;
mod rules;
mod shape;
mod skeleton;
mod table;
mod token;
mod tree;

pub use crate::learn::mined::Capture;
pub use crate::learn::mined::MOST_BYTES;
pub(crate) use crate::learn::mined::Mined;
use crate::learn::mined::mine;
pub use coverage::{Coverage, Unread, coverage};
pub use draft::{Draft, Rule};
pub use extend::{Extended, extend};
pub use frames::{FrameDraft, LengthDraft, learn_frames};
pub use load::{Loaded, load, source};
pub use prefix::{Line, Prefix, Unit};
pub use skeleton::{Skeleton, Speech};
pub use token::{Class, MOST_TOKENS, Signature, Token, scan};
pub use tree::{Group, GroupId, Miner, Piece, Varying};

use std::collections::BTreeSet;

use crate::base::Key;

/// Learns a draft from one capture; `name` is the chassis name in it.
pub fn learn(capture: &Capture, name: &str) -> Draft {
    learn_beyond(capture, name, &BTreeSet::new())
}

/// The same, without examples of keys that are `shown` already.
fn learn_beyond(capture: &Capture, name: &str, shown: &BTreeSet<Key>) -> Draft {
    let mined = mine(capture);
    rules::draft(&mined, name, shown)
}
