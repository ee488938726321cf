//! The bench page and the report in Debian's Chromium, driven over WebDriver (W3C), against the real daemon.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod browser;
mod guided;
mod keyboard;
mod looks;
mod paper;
mod provoke;
mod recorded;
mod served;
mod set;
mod speed;
#[allow(dead_code)] // each layer uses a part of it
#[path = "../support/mod.rs"]
mod support;
mod together;
