//! Temporary jobs, pseudo-terminals, failing disks; asserts nothing.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::print_stdout)]

pub(crate) mod crash;
pub(crate) mod daemon;
pub(crate) mod dialects;
pub(crate) mod disk;
pub(crate) mod drip;
pub(crate) mod hearing;
pub(crate) mod jobs;
pub(crate) mod ladder;
pub(crate) mod memory;
pub(crate) mod nec;
pub(crate) mod outage;
pub(crate) mod program;
pub(crate) mod random;
pub(crate) mod replay;
pub(crate) mod small_disk;
pub(crate) mod soak;
pub(crate) mod sound;
pub(crate) mod terminal;

/// Python with the reference libraries: what `STRAYKEY_PYTHON` names, else the one that `tests/run` installs.
pub(crate) fn python() -> std::process::Command {
    let installed = || concat!(env!("CARGO_MANIFEST_DIR"), "/target/reference/venv/bin/python").to_owned();
    std::process::Command::new(std::env::var("STRAYKEY_PYTHON").unwrap_or_else(|_| installed()))
}

/// Waits for twenty seconds at most until it is so.
pub(crate) fn until(what: impl Fn() -> bool) {
    let end = std::time::Instant::now() + std::time::Duration::from_secs(20);
    while !what() {
        assert!(std::time::Instant::now() < end, "it never came to this");
        std::thread::yield_now();
    }
}
