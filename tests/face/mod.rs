//! The program as a user runs it.

mod demo;
mod report;
