//! What people and programs see: the command line, the report, the demo.

pub mod args;
pub mod cautions;
pub mod check_args;
pub mod command;
pub mod daemon;
pub mod demo;
pub mod drawing;
pub mod findings;
pub mod learn_args;
pub mod out;
pub mod page;
pub mod report;
pub mod serve_args;
