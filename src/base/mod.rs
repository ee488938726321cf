//! Words that everybody uses: time, units, keys, the event, errors, files written whole.
//!
//! Stands at the bottom of the house and imports nothing of ours.

mod error;
mod event;
mod json;
mod key;
mod lock;
mod output;
pub(crate) mod system;
mod time;
mod unit;
pub mod words;

pub use error::{Cause, Error, Kind, Place, Result, is_hidden, plain, quote, quote_up_to};
pub use event::{ControlPath, Event, EventKind, Name};
pub use json::{shown_json, write_event};
pub use key::Key;
pub(crate) use key::nearest;
pub(crate) use lock::locked;
pub use output::{sync_folder, write_output};
pub(crate) use time::push_decimal;
pub use time::{Anchor, Nanoseconds, Span};
pub use unit::{Counts, Ohms, Volts};

/// Ends a line on sets that print it in a line feed's place.
pub const FORM_FEED: u8 = b'\x0c';

/// Whether a byte ends a line of text whose set is not known: line feed, carriage return, form feed.
pub fn is_line_end(byte: u8) -> bool {
    matches!(byte, b'\n' | b'\r' | FORM_FEED)
}
