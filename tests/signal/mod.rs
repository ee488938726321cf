//! Edges, pulses, UART characters, levels.

mod edge;
mod pulse;
mod uart;
pub mod wire; // an independent bit generator, from the frame's definition
