//! What `check` finds beyond mistakes: shapes that never match, keys that no reading means, windows, sources.

use std::path::Path;

use straykey::decode::check::{Finding, Severity, check};

const HEAD: &str = "[chassis]\nname = \"x\"\nversion = 1\nabout = \"a\"\nsource = \"invented\"\n";
const TAIL: &str = "[[record]]\nshape = \"k {line:word} {counts:integer}\"\nevent = \"reading\"\n\
                    [[example]]\ninput = \"net up\"\nevents = []\nnot_mine = 1\n";

/// The findings of a file, without notes on what has no stamp.
fn findings(middle: &str) -> Vec<Finding> {
    let mut found = check(Path::new("x.toml"), &format!("{HEAD}{middle}{TAIL}"));
    found.retain(|finding| !finding.message.contains("no shape has a stamp"));
    found
}

/// The one finding whose message holds a text: severity, line and column.
fn only(found: &[Finding], text: &str) -> (Severity, Option<u64>, Option<u64>) {
    let of: Vec<_> = found.iter().filter(|finding| finding.message.contains(text)).collect();
    assert_eq!(of.len(), 1, "{text}: {found:?}");
    assert!(of[0].help.is_some() && of[0].place.path.is_some());
    (of[0].severity, of[0].place.line, of[0].place.column)
}

fn line(rest: &str) -> String {
    format!("[[line]]\nname = \"A\"\nfull_scale = 1023\nsupply_volts = 3.3\n{rest}\n")
}

#[test]
fn a_sound_file_has_no_findings() {
    let ladder = "pull_up_ohm = 10_000\nkey = [{ name = \"KEY_OK\", to_ground_ohm = 0 }, { name = \"KEY_MENU\", to_ground_ohm = 4_700 }]";
    let found = findings(&line(ladder));
    assert!(found.is_empty(), "{found:?}");
}

#[test]
fn a_shape_that_never_matches_is_shown_at_its_place() {
    let record = |shape: &str| format!("[[record]]\nshape = \"{shape}\"\nevent = \"ignore\"\n");
    let found = findings(&format!("{}{}", record("go {_a:word}"), record("go {_b:integer}")));
    assert!(!found.iter().any(|finding| finding.message.contains("never matches")), "{found:?}");
    let found = findings(&format!("{}{}", record("go {_a:word}"), record("go {_b:word}")));
    assert_eq!(only(&found, "`go {_b:word}` never matches"), (Severity::Warning, Some(10), Some(9)));
}

#[test]
fn a_key_that_no_reading_means_is_an_error() {
    // The idle line begins at 500: nothing above it is a key.
    let found = findings(&line(
        "window = \"threshold\"\nidle_low_counts = 500\nkey = [\n{ name = \"KEY_OK\", low_counts = 0, counts = 10 },\n\
         { name = \"KEY_MENU\", low_counts = 600, counts = 650 }]",
    ));
    assert_eq!(
        only(&found, "key KEY_MENU of line A is never reached"),
        (Severity::Error, Some(14), Some(10))
    );
    assert!(!found.iter().any(|finding| finding.message.contains("KEY_OK")), "{found:?}");
}

#[test]
fn windows_that_overlap_or_leave_gaps_are_told() {
    let ladder = |reach: u32| {
        line(&format!(
            "window = \"tolerance\"\ntolerance_counts = {reach}\nkey = [\n{{ name = \"KEY_OK\", counts = 100 }},\n\
             {{ name = \"KEY_MENU\", counts = 150 }}]"
        ))
    };
    let found = findings(&ladder(30));
    let overlap = "the windows of KEY_OK and KEY_MENU on line A overlap";
    assert_eq!(only(&found, overlap), (Severity::Warning, Some(14), Some(10)));
    let found = findings(&ladder(20));
    assert!(!found.iter().any(|finding| finding.message.contains("overlap")), "{found:?}");
    // 0 to 79, 121 to 129, 171 to 1002; the idle line holds 1003 to 1023.
    assert_eq!(
        only(&found, "leaves 3 gaps between its windows; the widest is 171 to 1002").0,
        Severity::Note
    );
}

#[test]
fn a_file_without_a_source_is_told_to_name_one() {
    let text = format!("{HEAD}{TAIL}").replace("\"invented\"", "\" \"");
    let found = check(Path::new("x.toml"), &text);
    assert_eq!(only(&found, "where its facts come from"), (Severity::Warning, Some(2), Some(8)));
}

#[test]
fn a_wrong_example_is_shown_with_line_and_column() {
    let text = format!("{HEAD}{TAIL}").replace("not_mine = 1", "not_mine = 2");
    let found = check(Path::new("x.toml"), &text);
    assert_eq!(only(&found, "`not_mine` should be 2, is 1"), (Severity::Error, Some(10), Some(9)));
}
