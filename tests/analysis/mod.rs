#![allow(clippy::unwrap_used, clippy::panic, reason = "helpers of tests stop the test, and say why")]

mod outside;
mod patterns;
mod rates;
mod simulate;
mod soak;
mod special;
mod train;
mod verdicts;
