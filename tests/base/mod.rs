//! Time, keys, events, errors.

#![allow(clippy::unwrap_used)]

mod error;
mod event;
mod key;
mod time;
