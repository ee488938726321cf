//! The fault tree as a file, and the odds that it gives.

use std::path::Path;

use straykey::analysis::ladder::{Fault, Fit, Place, fit};
use straykey::analysis::locate::{
    LOCATIONS, Located, Outcome, Risk, StageEvidence, StepKind, TestKind, expected_gain, faults, locate,
    parse,
};
use straykey::base::ControlPath;

use super::cases::CODES;
use super::ladders::{conditions, key, readings, reference};

pub(crate) fn stage(kind: Option<StepKind>, text: &str, parts: &[&str], outcome: Outcome) -> StageEvidence {
    StageEvidence {
        kind,
        text: text.into(),
        parts: parts.iter().map(|p| (*p).to_owned()).collect(),
        outcome,
        quiet_anyway: (outcome == Outcome::Stops).then_some(0.01),
        exposure_s: 600.0,
        episodes: if outcome == Outcome::Stops { 0 } else { 20 },
        keys: vec![key("KEY_MENU")],
        path: (outcome != Outcome::Stops).then_some(ControlPath::Keypad),
        compared_strayed: None,
        misread: (0, 0),
        codes: Default::default(),
        quiet_paths: Vec::new(),
    }
}

fn baseline() -> StageEvidence {
    stage(None, "as received", &[], Outcome::Stays)
}

fn chance(located: &Located, name: &str) -> f64 {
    located.locations.iter().find(|b| b.location == name).unwrap().probability
}

fn case(name: &str, tolerance: f64, taken: &[usize]) -> Fit {
    let network = reference(tolerance);
    let codes = CODES.iter().find(|(case, _)| *case == name).unwrap().1;
    let codes: Vec<u32> = taken.iter().map(|i| codes[*i]).collect();
    let all = conditions();
    let chosen: Vec<_> = taken.iter().map(|i| all[*i].clone()).collect();
    fit(&network, &readings(&network, &codes, &chosen))
}

#[test]
fn expected_gain_is_the_worked_example() {
    // Worked by hand calculation in double precision: four locations, chance of a stop for each, two outcomes;
    // H = 1.90370170 bits; formula of Lindley 1956.
    let prior = [0.40, 0.25, 0.15, 0.20];
    for (stops, gain) in [
        ([0.98, 0.02, 0.02, 0.05], 0.806_068_64),
        ([0.02, 0.95, 0.02, 0.02], 0.637_536_89),
        ([0.10, 0.10, 0.95, 0.10], 0.332_021_92),
        ([0.05, 0.05, 0.05, 0.40], 0.106_053_18),
    ] {
        let goes_on = stops.iter().map(|s| 1.0 - s).collect();
        let got = expected_gain(&prior, &[stops.to_vec(), goes_on]);
        assert!((got - gain).abs() < 5e-9, "{got} against {gain}");
    }
}

#[test]
fn shipped_tree_names_every_location_and_never_unplugs_under_power() {
    let tree = faults().unwrap();
    let names: Vec<&str> = tree.locations.iter().map(|l| l.name).collect();
    assert_eq!(names, LOCATIONS);
    for test in &tree.tests {
        assert!(!test.unplugs || test.prerequisites.iter().any(|p| p.contains("unplugged from the mains")));
        assert!(test.risk == Risk::Low || !test.cautions.is_empty(), "{} has no caution", test.name);
    }
}

#[test]
fn a_test_that_unplugs_under_power_is_refused_with_its_place() {
    let text = include_str!("../../protocols/faults.toml");
    let path = Path::new("faults.toml");
    let at = text.find("name = \"unplug-key-board\"").unwrap();
    let (head, tail) = text.split_at(at);
    let broken = format!("{head}{}", tail.replacen("\"power_off_first\", ", "", 1));
    let error = parse(path, &broken).unwrap_err();
    assert!(error.to_string().contains("never be done under power"), "{error}");
    assert_eq!(error.place().line, Some(head.lines().count() as u64 + 1));
    for (from, to, says) in [
        ("remote = [0.04, 0.03, 0.93]", "remotte = [0.04, 0.03, 0.93]", "no location is called remotte"),
        ("remote = [0.04, 0.03, 0.93]", "remote = [0.5, 0.03, 0.93]", "no chances"),
        ("version = 1", "version = 7", "version"),
        ("prior = 0.20", "prior = 0.25", "add up to 1.05"),
        ("\"esd\"]", "\"esdd\"]", "no caution is called esdd"),
        ("minutes = 2\n", "minutes = -2\n", "positive"),
        ("risk = \"low\"", "rissk = \"low\"", "rissk"),
    ] {
        let error = parse(path, &text.replacen(from, to, 1)).unwrap_err();
        assert!(error.to_string().contains(says), "{error}");
        assert_eq!(error.exit_status(), 3);
    }
}

#[test]
fn steps_in_a_technicians_words_are_recognised() {
    let tree = faults().unwrap();
    for (text, parts, name) in [
        ("key board unplugged", vec!["key-board"], "unplug-key-board"),
        ("Unplugged the cable at the key-board end", vec![], "unplug-cable-at-key-board"),
        ("covered the IR window with tape", vec![], "cover-infrared-window"),
        ("key board cleaned", vec!["key-board"], "clean-key-board"),
        ("main-board key connector area cleaned", vec!["main-board"], "clean-main-board-input"),
        ("remote's batteries taken out", vec![], "remove-remotes"),
        ("all HDMI cables unplugged", vec![], "unplug-hdmi-and-antenna"),
        ("ground screw 2 tightened", vec![], "retighten-ground-screws"),
        ("4.7k resistor in place of the key board", vec![], "substitute-known-resistor"),
        ("replaced the key board", vec![], "replace-key-board"),
        ("key cable reseated", vec![], "reseat-or-replace-key-cable"),
        ("CEC switched off in the menu", vec![], "disable-cec"),
        ("pull-up joint resoldered", vec![], "replace-part-at-main-board-input"),
        ("R117 resoldered", vec!["main-board"], "replace-part-at-main-board-input"),
        ("receiver shaded", vec![], "cover-infrared-window"),
        ("lamp off", vec![], "darken-room"),
        ("other remote's batteries out", vec![], "remove-remotes"),
        ("HDMI box unplugged", vec![], "unplug-hdmi-and-antenna"),
        ("brightness lowered", vec![], "change-loads"),
    ] {
        let parts: Vec<String> = parts.into_iter().map(str::to_owned).collect();
        assert_eq!(tree.recognise(text, &parts).map(|t| t.name.as_str()), Some(name), "{text}");
    }
    assert_eq!(tree.recognise("had lunch", &[]), None);
}

#[test]
fn a_stray_key_that_changes_when_the_key_board_is_unplugged_points_at_the_main_board() {
    let stages =
        [baseline(), stage(Some(StepKind::Isolate), "key board unplugged", &["key-board"], Outcome::Changes)];
    let located = locate(&stages, &[]).unwrap();
    assert_eq!(located.locations[0].location, "main-board-input");
    let cleaned = stage(Some(StepKind::Repair), "key board cleaned", &["key-board"], Outcome::Stays);
    let stages = [stages[0].clone(), stages[1].clone(), cleaned];
    let after = locate(&stages, &[]).unwrap();
    assert!(chance(&after, "main-board-input") > chance(&located, "main-board-input"));
    assert_eq!(after.steps[1].credit, 0.0);
}

#[test]
fn a_stop_seen_for_too_short_a_time_is_weak_evidence() {
    let chance_after = |quiet: f64| {
        let mut second =
            stage(Some(StepKind::Isolate), "key board unplugged", &["key-board"], Outcome::Stops);
        second.quiet_anyway = Some(quiet);
        let located = locate(&[baseline(), second], &[]).unwrap();
        chance(&located, "key-switch") + chance(&located, "key-board") + chance(&located, "key-cable")
    };
    let nothing = {
        let located = locate(&[baseline()], &[]).unwrap();
        chance(&located, "key-switch") + chance(&located, "key-board") + chance(&located, "key-cable")
    };
    assert!(chance_after(0.01) > 0.85);
    assert!(chance_after(0.5) < chance_after(0.01));
    // A soak in which the set would have been quiet anyway tells nothing.
    assert!((chance_after(1.0) - nothing).abs() < 0.02, "{} against {nothing}", chance_after(1.0));
}

#[test]
fn readings_and_steps_together_name_the_main_board_with_the_leaks_size() {
    let stages =
        [baseline(), stage(Some(StepKind::Isolate), "key board unplugged", &["key-board"], Outcome::Stays)];
    let located = locate(&stages, &[case("F01", 0.01, &[0, 1, 2, 3, 4, 5, 6, 7])]).unwrap();
    assert_eq!(located.locations[0].location, "main-board-input");
    assert!(located.locations[0].probability > 0.95, "{:?}", located.locations[0]);
    assert_eq!(located.ladder[0].model, "main-board-leak-to-ground");
    let because = &located.ladder[0].because;
    assert!(because.contains("33 kΩ") || because.contains("32.9 kΩ"), "{because}");
    assert!(because.contains("cannot"), "{because}");
    assert!(!located.undecided);
    // Once the place is known the repair of that place comes first.
    assert_eq!(located.next[0].kind, TestKind::Repair);
    assert!(located.next[0].test.contains("main-board-input"), "{:?}", located.next[0]);
}

#[test]
fn an_idle_reading_alone_names_no_board_and_asks_for_the_unplugged_reading() {
    let located = locate(&[baseline()], &[case("F01", 0.01, &[0])]).unwrap();
    assert!(located.undecided);
    assert!(located.notes.iter().any(|n| n.contains("unplugged")), "{:?}", located.notes);
    assert!(located.next.iter().any(|p| p.test == "read-unplugged" && !p.prerequisites.is_empty()));
}

#[test]
fn a_static_offset_is_not_offered_as_the_cause_of_an_idle_stray() {
    let stages = [baseline()];
    let located = locate(&stages, &[case("F06", 0.01, &[0, 1, 2, 3, 4, 5, 6, 7, 8])]).unwrap();
    let entry = located.ladder.iter().find(|e| e.model == "ground-offset").unwrap();
    assert!(entry.because.contains("presses no key"), "{}", entry.because);
    let part_by = entry.part_by.as_deref().unwrap();
    assert!(part_by.contains("second scan rate"), "{part_by}");
}

#[test]
fn infrared_strays_do_not_lead_to_the_key_board() {
    let mut first = baseline();
    first.path = Some(ControlPath::Infrared);
    let located = locate(&[first.clone()], &[]).unwrap();
    let infrared: f64 =
        ["infrared-ambient", "infrared-receiver", "remote"].map(|n| chance(&located, n)).iter().sum();
    assert!(infrared > 0.9);
    assert!(located.next[0].risk == Risk::Low, "{:?}", located.next[0]);
    let mut quiet = stage(Some(StepKind::Isolate), "remotes taken out of the room", &[], Outcome::Stops);
    quiet.path = None;
    let located = locate(&[first, quiet], &[]).unwrap();
    assert_eq!(located.locations[0].location, "remote");
}

#[test]
fn a_step_is_credited_when_undoing_it_brings_the_fault_back() {
    let unplug = stage(Some(StepKind::Isolate), "HDMI cables unplugged", &["hdmi"], Outcome::Stops);
    let replug = stage(Some(StepKind::Restore), "HDMI cables plugged in again", &["hdmi"], Outcome::Returns);
    let mut first = baseline();
    first.path = Some(ControlPath::Cec);
    let once = locate(&[first.clone(), unplug.clone()], &[]).unwrap();
    let twice = locate(&[first, unplug, replug], &[]).unwrap();
    assert!(twice.steps[0].credit > once.steps[0].credit);
    assert!(twice.steps[0].because.contains("undone"), "{}", twice.steps[0].because);
    assert_eq!(twice.locations[0].location, "cec-peer");
}

#[test]
fn two_parts_in_one_step_cannot_be_told_apart_and_the_credit_says_so() {
    let both =
        stage(Some(StepKind::Repair), "cleaned and retightened", &["key-board", "screws"], Outcome::Stops);
    let located = locate(&[baseline(), both], &[]).unwrap();
    assert!(located.steps[0].because.contains("cannot be told apart"), "{}", located.steps[0].because);
}

#[test]
fn the_json_has_the_promised_fields() {
    let located = locate(&[baseline()], &[case("F03", 0.01, &[0, 1, 2, 3, 4, 5, 6, 7])]).unwrap();
    let json = serde_json::to_value(&located).unwrap();
    assert_eq!(json["version"], 1);
    let sum: f64 =
        json["locations"].as_array().unwrap().iter().map(|l| l["probability"].as_f64().unwrap()).sum();
    assert!((sum - 1.0).abs() < 1e-9);
    for field in ["location", "probability", "because"] {
        assert!(json["locations"][0].get(field).is_some(), "{field}");
    }
    for field in ["model", "value", "unit", "low", "high", "weight"] {
        assert!(json["ladder"][0].get(field).is_some(), "{field}");
    }
    for field in ["test", "minutes", "gain_bits", "risk"] {
        assert!(json["next"][0].get(field).is_some(), "{field}");
    }
}

#[test]
fn a_fault_between_two_boards_that_no_model_has_is_not_explained() {
    // Readings of a set whose ladder has other resistors than the file says: no fault model fits.
    let mut other = reference(0.01);
    for (key, ohm) in other.keys.iter_mut().zip([300.0, 900.0, 5_000.0, 6_000.0, 20_000.0, 22_000.0]) {
        key.ohm = ohm;
    }
    let leak = [Fault::LeakToGround { at: Place::KeyBoard, ohm: 50_000.0 }];
    let codes: Vec<u32> = conditions().iter().map(|c| other.code(other.solve(c, &leak).unwrap())).collect();
    let network = reference(0.01);
    let fit = fit(&network, &readings(&network, &codes, &conditions()));
    assert!(!fit.accepted);
    assert!(fit.statement().contains("none of the circuits explains"), "{}", fit.statement());
}
