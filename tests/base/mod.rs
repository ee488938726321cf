//! Time, keys, events, errors.

mod error;
mod event;
mod key;
mod time;
