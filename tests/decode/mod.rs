//! Chassis files, shapes, ladders, binary records.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)] // helpers outside of test functions

mod frame;
mod hostile;
mod ladder;
mod library;
mod linux;
mod looked_over;
mod own;
mod parts;
mod protocol_file;
mod schema;
mod set_clock;
mod shape;
mod shipped;
mod sparing;
mod text;

/// Property tests with a fixed seed.
fn seeded(cases: u32) -> proptest::test_runner::Config {
    proptest::test_runner::Config {
        cases,
        failure_persistence: None,
        rng_seed: proptest::test_runner::RngSeed::Fixed(1187),
        ..Default::default()
    }
}
