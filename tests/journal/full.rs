//! A disk that is really full.

use std::path::Path;

use straykey::journal::Writer;

use super::ANCHOR;

#[test]
fn a_device_that_is_always_full_is_told() {
    // Linux: every write to /dev/full fails for want of room.
    let disk = straykey::journal::FileDisk::open(Path::new("/dev/full")).unwrap();
    let error = Writer::create_on(Box::new(disk), Path::new("/dev/full"), ANCHOR).unwrap_err();
    assert_eq!(error.exit_status(), 4);
    assert!(error.to_string().contains("the disk is full"), "{error}");
}

#[test]
fn an_existing_journal_is_never_overwritten() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("a.journal");
    std::fs::write(&path, b"precious").unwrap();
    assert_eq!(Writer::create(&path, ANCHOR).unwrap_err().exit_status(), 4);
    assert_eq!(std::fs::read(&path).unwrap(), b"precious");
}
