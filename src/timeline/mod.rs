//! One job, all sources, one clock.
//!
//! This is the one place that joins source, journal, signal and decode: a capture goes in, events come out.

mod channels;
pub mod decoding;
pub mod export;
pub mod job;
pub mod keypad_line;
pub mod live;
pub mod mask;
pub mod protocols;
pub mod store;
pub mod text_stage;
mod uart_pipe;
pub mod unseen;
pub mod watch;
pub mod wire;
pub mod wired;

pub use decoding::{Options, Sink, Summary, decode_path, decode_reader, decode_watched};
pub use protocols::Protocols;
pub use unseen::{Unseen, UnseenWire};
pub use watch::{Both, Unwatched, Watch};
pub use wire::{Signal, Wire};
