//! A disk that is soon full.

use std::path::PathBuf;
use std::process::Command;

/// A file system of 256 KiB in memory; needs the rights of root, and fails without them.
pub(crate) struct SmallDisk(pub(crate) PathBuf, #[allow(dead_code)] tempfile::TempDir);

impl SmallDisk {
    pub(crate) fn mount() -> Self {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("small");
        std::fs::create_dir(&path).unwrap();
        let done = Command::new("mount")
            .args(["-t", "tmpfs", "-o", "size=256k", "straykey-test"])
            .arg(&path)
            .status()
            .expect("`mount` is there");
        assert!(done.success(), "this test mounts a file system of 256 KiB: run the tests as root");
        Self(path, folder)
    }
}

impl Drop for SmallDisk {
    fn drop(&mut self) {
        let _ = Command::new("umount").arg(&self.0).status();
    }
}
