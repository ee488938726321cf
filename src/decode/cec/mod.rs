//! HDMI-CEC: from edges to messages to events.
//!
//! The bus file (`protocols/bus/hdmi-cec.toml`) has the times and names, [`Decoder`] reads a logic channel,
//! [`message`] takes bytes that a chassis prints, [`Keys`] makes press, repeat and release of either.
//! `initiator` 0 is the set itself: its presses are what it tells another box, an effect and no cause.

mod bus;
mod keys;
mod message;
mod wire;

pub(crate) use bus::schema;
pub use bus::{Bus, Timing, UserControl, Window};
pub use keys::{HOLD, Keys};
pub use message::{MOST_BLOCKS, message};
pub use wire::Decoder;
