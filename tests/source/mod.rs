//! Capture files: recognition, text logs, tables, dumps.

// Helpers of tests may fail like the tests themselves.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod csv;
mod dump_times;
mod no_table;
mod recognise;
mod text;
mod vcd;
