//! Excursions of a line, from the text that a set prints to the verdict in every face. A reading of 50 ms at the key's level is
//! too short for the set's debounce; three are a press.

use std::fmt::Write as _;
use std::path::Path;

use serde_json::Value;

use super::{KEY, REST, json, line, run, says};
use crate::face::program::{straykey, text};

/// The touches that are presses, in no order.
const LONG: [u64; 9] = [3, 9, 31, 38, 52, 77, 80, 101, 118];

/// `minutes` of an alder, each line with the wall clock of the computer before it, from this minute of the day on; the line
/// touches the key's level each 7 to 12 s where `touches`, and some of the times long enough to press it where `strays`.
fn touched(from_min: u64, minutes: u64, touches: bool, strays: bool) -> String {
    let mut log = String::new();
    let mut due = Vec::new();
    for i in 0..minutes * 60 / 10 {
        due.push((12_000 + i * 9_500 + i * i % 7 * 400, LONG.contains(&i)));
    }
    for ms in (0..minutes * 60_000).step_by(50) {
        let held = |(start, long): &(u64, bool)| {
            *start <= ms
                && ms < *start + if *long && strays { 150 } else { 50 }
                && (touches || *long && strays)
        };
        let counts = if due.iter().any(held) { KEY } else { REST };
        let s = from_min * 60 + ms / 1000;
        let _ = write!(
            log,
            "2026-03-02T{:02}:{:02}:{:02}.{:03}Z {}",
            s / 3600,
            s / 60 % 60,
            s % 60,
            ms % 1000,
            line(1000 + ms, "KEY1", counts)
        );
    }
    log
}

/// The comparison of a job of two stages.
fn judged(folder: &Path, before: &str, after: &str) -> Value {
    let job = folder.join("job");
    std::fs::write(folder.join("before.log"), before).unwrap();
    std::fs::write(folder.join("after.log"), after).unwrap();
    let capture = |file: &str| format!("[[stage.capture]]\nfile = \"{file}\"\nhands = \"off\"\n");
    let manifest = format!(
        "set = \"hall set\"\nchassis = \"alder\"\n[[stage]]\nstep = \"as received\"\n{}[[stage]]\nstep = \"key board \
         cleaned\"\nkind = \"repair\"\nparts = [\"key-board\"]\n{}",
        capture("before.log"),
        capture("after.log")
    );
    std::fs::write(folder.join("job.toml"), manifest).unwrap();
    run(&["job", "build", folder.join("job.toml").to_str().unwrap(), "--out", job.to_str().unwrap()]);
    run(&["report", job.to_str().unwrap()]);
    let found = json(&["compare", job.to_str().unwrap(), "--json"]);
    found["comparisons"][0]["comparison"].clone()
}

#[test]
fn a_line_that_touched_a_key_and_does_no_more_is_gone_sooner() {
    let folder = tempfile::tempdir().unwrap();
    let found = judged(folder.path(), &touched(600, 20, true, true), &touched(621, 6, false, false));
    let own = &found["paths"][0];
    assert_eq!((&own["verdict"], &own["excursions"]["decides"]), (&"gone".into(), &true.into()), "{own}");
    assert_eq!((&own["before"]["strays"], &own["excursions"]["before"]), (&9.into(), &111.into()), "{own}");
    let job = folder.path().join("job");
    assert_eq!(json(&["job", "show", job.to_str().unwrap(), "--json"])["verdict"], "gone");
    let stage = |number| format!("{}#{number}", job.to_str().unwrap());
    let faces = [
        text(&straykey(&["compare", &stage(1), &stage(2)]).stdout),
        std::fs::read_to_string(job.join("report.html")).unwrap(),
    ];
    for said in faces {
        let said = said.split_whitespace().collect::<Vec<_>>().join(" ");
        assert!(
            said.contains("Keypad KEY1 went as far as its strays did 111 times before the step"),
            "{said}"
        );
    }
    // With strays alone the same quiet is too short.
    let folder = tempfile::tempdir().unwrap();
    let found = judged(folder.path(), &touched(600, 20, false, true), &touched(621, 6, false, false));
    assert_eq!(found["verdict"], "undecided", "{found}");
}

#[test]
fn a_line_that_still_touches_a_key_is_not_repaired_however_quiet() {
    let folder = tempfile::tempdir().unwrap();
    let found = judged(folder.path(), &touched(600, 20, true, true), &touched(621, 60, true, false));
    assert_eq!((&found["verdict"], &found["hand_back"]), (&"reduced".into(), &false.into()), "{found}");
    let job = folder.path().join("job");
    let shown = json(&["job", "show", job.to_str().unwrap(), "--json"]);
    assert_ne!(shown["advice"]["action"], "hand-back", "{}", shown["advice"]);
    says(&job, "No stray came, but keypad KEY1 still went as far as its strays did");
}
