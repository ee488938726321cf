#![allow(clippy::unwrap_used, clippy::panic, reason = "helpers of tests stop the test, and say why")]

mod counts;
mod event_sequence;
mod evidence;
mod excursions;
mod hands;
mod judge;
mod laws;
mod near;
mod offtimes;
mod outside;
mod patterns;
mod periods;
mod provoke;
mod rates;
mod samples;
mod simulate;
mod soak;
mod special;
mod verdicts;
mod warmth;
