//! Temporary jobs, pseudo-terminals, failing disks; asserts nothing.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::print_stdout)]

pub(crate) mod crash;
pub(crate) mod dialects;
pub(crate) mod disk;
pub(crate) mod memory;
pub(crate) mod outage;
pub(crate) mod random;
pub(crate) mod small_disk;
pub(crate) mod terminal;
