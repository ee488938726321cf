//! What people and programs see: the command line, the report, the demo.

pub mod args;
pub mod command;
pub mod out;
