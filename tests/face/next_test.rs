//! `locate` as a technician reads it: the next test with what must be so first, and results of measurements.

#![allow(clippy::unwrap_used)] // helpers of tests are not seen as tests by the lint

use std::fmt::Write as _;
use std::path::{Path, PathBuf};

use super::program::{straykey, text};

/// Ten minutes of alder at rest whose first line falls to `stray` counts for a second in every twenty.
///
/// 785 counts are the worked reading of a leak of 33 kΩ beside the 10 kΩ pull-up: 1024 * 33 / 43.
fn alder(stray: u32) -> String {
    let mut log = String::from("[0.012] boot: alder firmware 1.4 reset=cold\n");
    for i in 0..12_000u32 {
        let t = 1.0 + f64::from(i) * 0.05;
        let counts = if i % 400 < 20 { stray } else { 1023 };
        let _ = writeln!(log, "[{t:.3}] keyscan: line=KEY1 adc=0x{counts:03x}");
        let _ = writeln!(log, "[{t:.3}] keyscan: line=KEY2 adc=0x3ff");
    }
    log
}

/// A job of stages, each a step in a technician's words with one hands-off log.
fn build(folder: &Path, chassis: &str, stages: &[(&str, &str)]) -> String {
    let mut manifest = format!("set = \"kitchen set\"\nchassis = \"{chassis}\"\n");
    for (i, (step, log)) in stages.iter().enumerate() {
        let name = format!("stage{i}.log");
        std::fs::write(folder.join(&name), log).unwrap();
        let kind = if i > 0 { "kind = \"isolate\"\n" } else { "" };
        let _ = writeln!(
            manifest,
            "[[stage]]\nstep = \"{step}\"\n{kind}[[stage.capture]]\nfile = \"{name}\"\nhands = \"off\""
        );
    }
    made(folder, &manifest)
}

/// The job of a manifest.
fn made(folder: &Path, manifest: &str) -> String {
    let file: PathBuf = folder.join("ticket.toml");
    std::fs::write(&file, manifest).unwrap();
    let job = folder.join("job").display().to_string();
    let built = straykey(&["job", "build", file.to_str().unwrap(), "--out", &job]);
    assert_eq!(built.status.code(), Some(0), "{}", text(&built.stderr));
    job
}

/// Stages of a manifest, each its kind (none for the first), the step, and its hands-off log, if it has one.
fn manifest(stages: &[(&str, &str, &str)]) -> String {
    let line = |name: &str, value: &str| {
        if value.is_empty() { String::new() } else { format!("{name} = \"{value}\"\n") }
    };
    let stage = |(kind, step, log): &(&str, &str, &str)| {
        let capture = match *log {
            "" => String::new(),
            log => format!("[[stage.capture]]\nfile = \"{log}.log\"\nhands = \"off\"\n"),
        };
        format!("[[stage]]\n{}{}{capture}", line("step", step), line("kind", kind))
    };
    stages.iter().map(stage).collect()
}

/// A job with the captures `noisy.log` and `quiet.log`, made of the stages of a manifest, and what `compare` says of it.
fn repaired(folder: &Path, stages: &str) -> (String, serde_json::Value) {
    std::fs::write(folder.join("noisy.log"), alder(785)).unwrap();
    std::fs::write(folder.join("quiet.log"), alder(1023)).unwrap();
    let job = made(folder, &format!("set = \"kitchen set\"\nchassis = \"alder\"\n{stages}"));
    let compared = straykey(&["compare", &job, "--json"]);
    (job, serde_json::from_slice(&compared.stdout).unwrap())
}

fn located(job: &str) -> serde_json::Value {
    let output = straykey(&["locate", job, "--json"]);
    assert_eq!(output.status.code(), Some(0), "{}", text(&output.stderr));
    serde_json::from_slice(&output.stdout).unwrap()
}

fn odds(located: &serde_json::Value, name: &str) -> f64 {
    let list = located["locations"].as_array().unwrap();
    list.iter().find(|l| l["location"] == name).unwrap()["probability"].as_f64().unwrap()
}

#[test]
fn the_next_test_says_what_must_be_so_before_what_to_do() {
    let folder = tempfile::tempdir().unwrap();
    let job = build(folder.path(), "alder", &[("as received", &alder(785))]);
    let next = located(&job)["next"][0].clone();
    // Lines are wrapped: compare without their ends.
    let flat = |text: &str| text.split_whitespace().collect::<Vec<_>>().join(" ");
    let shown = flat(&text(&straykey(&["locate", &job]).stdout));
    let place = |words: &str| {
        let words = flat(words);
        shown.find(&words).unwrap_or_else(|| panic!("\"{words}\" is not in {shown}"))
    };
    let what = place(next["text"].as_str().unwrap());
    for first in next["prerequisites"].as_array().unwrap() {
        assert!(place(&format!("First: {}", first.as_str().unwrap())) < what);
    }
    for caution in next["cautions"].as_array().unwrap() {
        place(&format!("Caution: {}", caution.as_str().unwrap()));
    }
    assert!(place("Next test:") < what);
}

#[test]
fn the_report_shows_each_proposed_test_with_what_must_be_so_and_its_cautions() {
    let folder = tempfile::tempdir().unwrap();
    let job = build(folder.path(), "alder", &[("as received", &alder(785))]);
    let tests = located(&job)["next"].as_array().unwrap().clone();
    assert!(tests.iter().any(|t| t["risk"] == "high"), "a test inside the set is among them");
    let page = folder.path().join("report.html");
    let output = straykey(&["report", &job, "--out", page.to_str().unwrap()]);
    assert_eq!(output.status.code(), Some(0), "{}", text(&output.stderr));
    let html = std::fs::read_to_string(&page).unwrap().replace("&#39;", "'");
    let mut blocks: Vec<&str> = html.split("<div class=\"test\">").skip(1).collect();
    if let Some(last) = blocks.last_mut() {
        *last = last.split("</div>").next().unwrap();
    }
    assert_eq!(blocks.len(), tests.len());
    for (block, test) in blocks.iter().zip(&tests) {
        let place = |text: &serde_json::Value| {
            let text = text.as_str().unwrap();
            block.find(text).unwrap_or_else(|| panic!("\"{text}\" is not beside {}", test["test"]))
        };
        let what = place(&test["text"]);
        for first in test["prerequisites"].as_array().unwrap() {
            assert!(place(first) < what, "first things first: {first}");
        }
        for caution in test["cautions"].as_array().unwrap() {
            place(caution);
        }
        assert!(block.contains(&format!("risk {}:", test["risk"].as_str().unwrap())));
        let unplugs = test["test"].as_str().unwrap().starts_with("unplug-key");
        assert!(!unplugs || !test["prerequisites"].as_array().unwrap().is_empty());
    }
    // The state of the job, which a page shows, says them as well.
    let shown = straykey(&["job", "show", &job, "--json"]);
    let state: serde_json::Value = serde_json::from_slice(&shown.stdout).unwrap();
    if state["advice"]["action"] == "test" {
        assert_eq!(state["advice"]["prerequisites"], tests[0]["prerequisites"]);
        assert_eq!(state["advice"]["cautions"], tests[0]["cautions"]);
    } else {
        panic!("a set with strays needs a test: {}", state["advice"]);
    }
}

#[test]
fn a_set_with_a_part_off_is_not_handed_back_though_the_step_names_no_part() {
    let folder = tempfile::tempdir().unwrap();
    let action = |stages: &[(&str, &str, &str)]| {
        let stages = manifest(stages);
        let folder = tempfile::tempdir_in(folder.path()).unwrap();
        let (job, _) = repaired(folder.path(), &stages);
        let shown = straykey(&["job", "show", &job, "--json"]);
        let state: serde_json::Value = serde_json::from_slice(&shown.stdout).unwrap();
        assert_eq!(state["hand_back"], state["advice"]["action"] == "hand-back");
        state["advice"]["action"].as_str().unwrap().to_owned()
    };
    let received = ("", "as received", "noisy");
    let off = ("isolate", "key board unplugged at the main board", "quiet");
    let repair = ("repair", "key cable replaced", "quiet");
    // It was said that no stray was seen yet, or that the set may go.
    assert_eq!(action(&[received, off]), "test");
    assert_eq!(action(&[received, off, repair]), "restore");
    let back = ("restore", "key board plugged in", "quiet");
    assert_eq!(action(&[received, off, repair, back]), "hand-back");
    // A measurement takes nothing off.
    let measured = ("isolate", "millivolts between the grounds measured: clear", "noisy");
    assert_eq!(action(&[received, measured, repair]), "hand-back");
}

#[test]
fn a_measurement_noted_as_a_step_moves_the_odds_without_a_soak() {
    let folder = tempfile::tempdir().unwrap();
    let job = build(folder.path(), "alder", &[("as received", &alder(785))]);
    let before = odds(&located(&job), "ground-bond");
    let step = |words: &str| {
        let output = straykey(&["step", &job, words, "--kind", "isolate"]);
        assert_eq!(output.status.code(), Some(0), "{}", text(&output.stderr));
    };
    step("millivolts-between-grounds");
    let open = located(&job);
    assert!((odds(&open, "ground-bond") - before).abs() < 1e-9, "nothing measured, nothing learnt");
    let asks = open["asks"].to_string();
    assert!(asks.contains("whose result is not known"), "{asks}");
    assert!(text(&straykey(&["locate", &job]).stdout).contains("result is not known"));
    step("millivolts-between-grounds: found, 80 mV");
    let after = located(&job);
    assert!(odds(&after, "ground-bond") > 3.0 * before, "{before} to {}", odds(&after, "ground-bond"));
    let next = after["next"].to_string();
    assert!(!next.contains("millivolts-between-grounds"), "done once, not proposed again: {next}");
}

#[test]
fn the_same_key_over_another_path_is_another_cause() {
    // One key by the keypad, then by infrared: the fault that pressed it first is not what presses it now.
    let lines =
        |words: &str| (1..40).map(|i| format!("[{:5}.000000][  T103] {words}\n", i * 15)).collect::<String>();
    let folder = tempfile::tempdir().unwrap();
    let stages = [
        ("as received", lines("keypad: key VOL+")),
        ("key board unplugged", lines("ir: addr=04 cmd=1a rpt=0")),
    ];
    let stages: Vec<(&str, &str)> = stages.iter().map(|(step, log)| (*step, log.as_str())).collect();
    let job = build(folder.path(), "birch", &stages);
    let located = located(&job);
    let note = located["stages"][1]["text"].to_string();
    assert!(note.contains("the stray input stopped"), "{note}");
    assert_eq!((&located["path"], &located["also"][0]["path"]), (&"keypad".into(), &"infrared".into()));
}

#[test]
fn steps_have_the_stage_numbers_and_the_credit_of_the_comparison() {
    let folder = tempfile::tempdir().unwrap();
    // The second stage was not watched, so that its step and the third's cannot be told apart.
    let stages = manifest(&[
        ("", "as received", "noisy"),
        ("repair", "key connector reseated", ""),
        ("repair", "key board cleaned", "quiet"),
        ("repair", "cover screws tightened", "quiet"),
    ]);
    let (job, compared) = repaired(folder.path(), &stages);
    let located = located(&job);
    let steps = located["steps"].as_array().unwrap();
    let stages: Vec<u64> = steps.iter().map(|step| step["stage"].as_u64().unwrap()).collect();
    assert_eq!(stages, [3, 4], "{steps:?}");
    let units = compared["attribution"]["steps"].as_array().unwrap();
    assert_eq!(units.len(), 2);
    for (step, unit) in steps.iter().zip(units) {
        assert_eq!(step["stage"], unit["stage"]);
        let (credit, posterior) = (step["credit"].as_f64().unwrap(), unit["posterior"].as_f64().unwrap());
        let fell = unit["chance_fall"].as_f64().unwrap() < 0.5;
        assert!((credit - if fell { posterior } else { 0.0 }).abs() < 1e-12, "{step} against {unit}");
    }
    // Thirty episodes before and none in ten minutes after leave no doubt where it changed.
    assert!(steps[0]["credit"].as_f64().unwrap() > 0.99, "{}", steps[0]);
    let because = steps[0]["because"].as_str().unwrap();
    assert!(because.contains("key connector reseated; key board cleaned"), "{because}");
    let notes: Vec<u64> =
        located["stages"].as_array().unwrap().iter().map(|note| note["stage"].as_u64().unwrap()).collect();
    assert_eq!(notes, [1, 3, 4]);
    // Which of the two it was is no question of the place: no gain in bits is claimed for undoing one.
    let settle = &located["next"][0];
    assert_eq!(
        (&settle["test"], &settle["gain_bits"]),
        (&"restore-and-repeat".into(), &serde_json::Value::Null)
    );
    // The minutes are the same in both views of the job.
    assert_eq!(settle["text"], compared["attribution"]["toggle"]["sentence"], "{compared:#}");
}

#[test]
fn a_measurement_earns_no_credit_and_blurs_none() {
    let folder = tempfile::tempdir().unwrap();
    let stages = manifest(&[
        ("", "as received", "noisy"),
        ("isolate", "millivolts between the grounds: clear", ""),
        ("repair", "key connector reseated", "quiet"),
    ]);
    let (_, compared) = repaired(folder.path(), &stages);
    let steps = compared["attribution"]["steps"].as_array().unwrap();
    assert_eq!(steps.len(), 1, "{compared:#}");
    assert_eq!(steps[0]["changes"], serde_json::json!(["key connector reseated"]));
    assert_eq!(steps[0]["confounded"], false);
}

#[test]
fn a_quiet_set_whose_line_sags_is_looked_at_before_it_goes_back() {
    let stages = manifest(&[("", "as received", "noisy"), ("repair", "key connector reseated", "sagging")]);
    let state = |rest: u32| {
        let folder = tempfile::tempdir().unwrap();
        let sagging = alder(1023).replace("line=KEY1 adc=0x3ff", &format!("line=KEY1 adc=0x{rest:03x}"));
        std::fs::write(folder.path().join("sagging.log"), sagging).unwrap();
        let (job, compared) = repaired(folder.path(), &stages);
        let shown = text(&straykey(&["job", "show", &job]).stdout);
        let page = folder.path().join("report.html");
        straykey(&["report", &job, "--out", page.to_str().unwrap()]);
        let page = std::fs::read_to_string(page).unwrap();
        let state = straykey(&["job", "show", &job, "--json"]);
        let state: serde_json::Value = serde_json::from_slice(&state.stdout).unwrap();
        assert_eq!(state["verdict"], "gone");
        assert_eq!(state["hand_back"], compared["hand_back"]);
        (state, shown.split_whitespace().collect::<Vec<_>>().join(" "), page)
    };
    // A divider by hand: 100 kΩ to ground beside the pull-up of 10 kΩ read 1024 * 100 / 110 = 930.9.
    let (sags, shown, page) = state(931);
    let said = "KEY1 is not what it should be: with no key pressed it reads 931, not 1023";
    assert_eq!(
        (&sags["hand_back"], &sags["advice"]["action"]),
        (&false.into(), &"test".into()),
        "{}",
        sags["advice"]
    );
    assert_eq!(sags["resting"][0]["sentence"], said);
    assert!(sags["advice"]["text"].as_str().unwrap().contains(said), "{}", sags["advice"]);
    assert!(shown.contains(&format!("Look at this: {said}")) && !shown.contains("FIXED"), "{shown}");
    assert!(page.contains("Look at this first") && page.contains(said) && !page.contains("✓\u{a0}Fixed"));
    // 1 MΩ, as the input of a converter may have: 1024 * 1000 / 1010 = 1013.9.
    let (sound, shown, page) = state(1013);
    assert_eq!((&sound["hand_back"], &sound["resting"]), (&true.into(), &serde_json::Value::Null));
    assert!(
        shown.contains("FIXED") && !shown.contains("Look at this") && page.contains("✓\u{a0}Fixed"),
        "{shown}"
    );
}
