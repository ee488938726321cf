//! What people and programs see: the command line, the daemon with its page, the report.

pub mod cautions;
pub mod cli;
pub mod drawing;
pub mod glossary;
pub mod http;
pub mod out;
pub mod report;
