//! Infrared: declared formats, all at once, over marks and spaces.
//!
//! Marks and spaces enter, events leave. A format is a file ([`Format`] holds what one may say); all of them
//! run together. At every mark a table tells which formats may begin there; those of equal timing are read
//! once; of the formats that fit, the one with the smallest timing error and the most redundancy wins, and
//! how far the next one was behind goes into `quality`. What almost was a frame becomes a `noise` event that
//! names the bit; everything else is summarised, one event for ten seconds of it.
//!
//! Grades of trust: a *checked* format proves itself by redundant bits; the key of any other counts once two
//! equal frames came (`quality` 0.8 at most); a *single unchecked* frame is a `frame` event with `quality`
//! 0.3 at most, and no key.
//!
//! Memory is bounded by a few thousand marks and spaces, the keys that are down, and the events of the last
//! third of a second.

mod check;
mod coding;
mod decoder;
mod encode;
mod example;
mod format;
mod formats;
mod frame;
mod held;
mod layout;
mod near;
mod noise;
mod stranger;

pub use decoder::Decoder;
pub use encode::{Code, encode, encode_press, encode_repeat};
pub use example::{Example, pulses};
pub use format::{Format, RepeatForm, Shared};
pub(crate) use formats::schema;
pub use formats::{Formats, Remote};
