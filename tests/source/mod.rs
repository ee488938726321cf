//! Capture files: recognition, text logs, tables, dumps.

mod csv;
pub mod drip; // a reader that gives few bytes at a time
mod recognise;
mod text;
