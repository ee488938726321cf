//! Walks the shipped chassis files: every file, every example.

use std::path::Path;

use straykey::base::{ControlPath, Event, EventKind, Name};
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

/// What a chassis tells of its menu and of itself: a name, and whether an event is of that kind.
type Told = (&'static str, fn(&Event) -> bool);

const DISPLAY: &str = "On-screen display";

fn is_change(event: &Event, path: ControlPath) -> bool {
    event.kind == EventKind::Change && event.path == path && event.value.is_some()
}

/// A reason in words: a number alone tells a technician nothing.
fn words(text: &Option<Name>) -> bool {
    text.as_deref().is_some_and(|text| text.chars().any(char::is_alphabetic))
}

const TOLD: [Told; 8] = [
    ("item and value", |event| {
        let own = event.item.as_deref().is_some_and(|item| item != DISPLAY && item != "Mode");
        own && is_change(event, ControlPath::Menu)
    }),
    ("on-screen display shown", |event| {
        let shown = event.value.as_deref() != Some("hidden") && words(&event.value);
        event.item.as_deref() == Some(DISPLAY) && is_change(event, ControlPath::Menu) && shown
    }),
    ("on-screen display hidden", |event| {
        event.item.as_deref() == Some(DISPLAY) && event.value.as_deref() == Some("hidden")
    }),
    ("mode step", |event| event.item.as_deref() == Some("Mode") && is_change(event, ControlPath::Menu)),
    ("standby", |event| event.kind == EventKind::Standby && event.value.as_deref() == Some("standby")),
    ("awake again", |event| event.kind == EventKind::Standby && event.value.as_deref() == Some("on")),
    ("boot", |event| event.kind == EventKind::Boot),
    ("reset reason", |event| match event.kind {
        EventKind::Boot => words(&event.note),
        EventKind::Change => {
            event.path == ControlPath::System && event.item.as_deref() == Some("Reset reason")
        }
        _ => false,
    }),
];

/// What a file cannot tell, and why.
const NOT_TOLD: [(&str, &str, &str); 4] = [
    (
        "linux-input",
        "item and value",
        "the menu is the application's; kernel and input tools print nothing of it",
    ),
    ("linux-input", "on-screen display shown", "the same"),
    ("linux-input", "on-screen display hidden", "the same"),
    ("linux-input", "mode step", "the same"),
];

#[test]
fn every_chassis_tells_of_its_menu_and_of_itself() {
    let library = Library::shipped().unwrap_or_else(|error| panic!("{error}"));
    for chassis in library.all() {
        let events: Vec<Event> =
            example::run(chassis).into_iter().flat_map(|outcome| outcome.events).collect();
        for (what, is) in TOLD {
            // What it traces is the infrared receiver alone.
            let excused = chassis.name() == "keytable"
                || NOT_TOLD.iter().any(|(name, not, _)| *name == chassis.name() && *not == what);
            let told = events.iter().any(is);
            assert_eq!(told, !excused, "{}: {what}", chassis.name());
        }
    }
    for (name, what, why) in NOT_TOLD {
        assert!(
            library.chassis(name).is_ok() && TOLD.iter().any(|(told, _)| *told == what),
            "{name}: {what}: {why}"
        );
    }
}
