//! Temporary jobs, pseudo-terminals, failing disks; asserts nothing.

pub(crate) mod disk;
pub(crate) mod random;
pub(crate) mod terminal;
