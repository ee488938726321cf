//! Walks the shipped chassis files: every file, every example.

use std::path::Path;

use straykey::decode::check::{Severity, check};
use straykey::decode::library::Library;
use straykey::decode::{example, shipped};

#[test]
fn every_example_of_every_shipped_chassis_gives_its_events() {
    let library = Library::shipped().unwrap_or_else(|error| panic!("{error}"));
    let mut count = 0;
    for chassis in library.all() {
        for outcome in example::run(chassis) {
            let place = format!("{}:{}", chassis.path().display(), outcome.line);
            assert_eq!(outcome.difference, None, "{place}");
            count += 1;
        }
    }
    assert!(count >= 12, "only {count} examples");
}

#[test]
fn shipped_chassis_have_no_findings_beyond_notes() {
    for (path, text) in shipped::folder("protocols/chassis/") {
        for finding in check(Path::new(path), text) {
            assert_eq!(finding.severity, Severity::Note, "{finding}");
        }
    }
}
