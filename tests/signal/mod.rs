//! Edges, pulses, UART characters, levels.

// Helpers of tests may fail like the tests themselves.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod carrier;
mod edge;
mod level;
mod pulse;
mod uart;
mod uart_found;
pub(crate) mod wire; // an independent bit generator, from the frame's definition
