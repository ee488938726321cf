//! What `locate` never does: unplug under power, offer a static offset for an idle stray, part what cannot be parted.

use straykey::analysis::ladder::{Fit, Windows, fit, model_word};
use straykey::analysis::locate::{
    Located, Outcome, Proposal, Risk, StageEvidence, StepKind, faults, finding, locate,
};

use super::cases::CODES;
use super::ladders::{conditions, readings, reference};
use super::tree::stage;

/// A worked case's fit from some of its nine readings, at this tolerance and pin resistor.
fn fitted(case: &str, tolerance: f64, pin_ohm: f64, taken: &[usize]) -> Fit {
    let mut network = reference(tolerance);
    network.pin_ohm = pin_ohm;
    let codes = CODES.iter().find(|(name, _)| *name == case).unwrap().1;
    let all = conditions();
    let codes: Vec<u32> = taken.iter().map(|i| codes[*i]).collect();
    let chosen: Vec<_> = taken.iter().map(|i| all[*i].clone()).collect();
    fit(&network, &readings(&network, &codes, &chosen))
}

const EVERY: [usize; 9] = [0, 1, 2, 3, 4, 5, 6, 7, 8];

/// Whether a proposal, by its own words, parts a cable inside the set.
fn parts_a_cable(proposal: &Proposal) -> bool {
    let text = proposal.text.to_lowercase();
    let parts =
        ["unplug", "off its connector", "in place of the key board", "reseat", "replace the key board"];
    // Sockets at the back may be pulled with the set on.
    parts.iter().any(|words| text.contains(words)) && !text.contains("at the back of the set")
}

#[test]
fn no_proposed_test_parts_a_cable_under_power_and_each_risky_one_carries_its_caution() {
    let first = stage(None, "as received", &[], Outcome::Stays);
    let step = |text: &str, outcome| stage(Some(StepKind::Isolate), text, &["key-board"], outcome);
    let histories: [Vec<StageEvidence>; 4] = [
        vec![first.clone()],
        vec![first.clone(), step("key board unplugged", Outcome::Changes)],
        vec![first.clone(), step("key board unplugged", Outcome::Stops)],
        vec![first.clone(), step("remotes taken out of the room", Outcome::Stays)],
    ];
    let (mut proposals, mut parting) = (0, 0);
    for (case, _) in &CODES {
        for taken in [&EVERY[..1], &EVERY[..7], &EVERY] {
            let fits = [fitted(case, 0.01, 0.0, taken)];
            for history in &histories {
                for proposal in locate(history, &fits).unwrap().next {
                    proposals += 1;
                    let off = proposal.prerequisites.iter().any(|p| p.contains("unplugged from the mains"));
                    if parts_a_cable(&proposal) {
                        parting += 1;
                        assert!(off, "{case}: {} lets a cable be parted under power", proposal.test);
                    }
                    assert!(proposal.risk == Risk::Low || !proposal.cautions.is_empty(), "{}", proposal.test);
                }
            }
        }
    }
    // Not proved on nothing.
    assert!(proposals > 300 && parting > 100, "{proposals} proposals, {parting} part a cable");
    // And the words find every test that the file itself declares to part a cable.
    for test in faults().unwrap().tests.iter().filter(|test| test.unplugs) {
        assert!(!test.prerequisites.is_empty(), "{}", test.name);
    }
}

/// Model words of the leading verdict, and the measurement that parts them.
fn leading(fit: &Fit) -> (Vec<String>, String) {
    let members = &fit.verdicts[0].members;
    let words = members.iter().map(|i| model_word(&fit.models[*i].model)).collect();
    (words, fit.entries()[0].part_by.clone().unwrap_or_default())
}

/// Equivalences of the circuit itself: worked in Thevenin's form, whatever the readings.
#[test]
fn faults_that_no_reading_can_part_are_one_verdict_with_the_measurement_that_does() {
    for (case, tolerance, taken, both, by) in [
        // A leak beside the pull-up to the same supply is a lower pull-up.
        ("F04", 0.0, &EVERY[..], ["main-board-leak-to-supply", "pull-up-value"], "pull-up with one end free"),
        // Key POWER has no resistor: its switch leaking is a leak from the node to the return.
        ("F02", 0.0, &EVERY[..], ["key-board-leak-to-ground", "switch-leak-power"], "each switch open"),
        // Parts of 5 % hide what parts an offset from a resistance.
        (
            "F06",
            0.05,
            &EVERY[..],
            ["ground-offset", "series-resistance"],
            "millivolts between key-board ground",
        ),
        ("F08", 0.05, &EVERY[..], ["ground-offset", "series-resistance"], "backlight"),
        ("F06", 0.05, &EVERY[..7], ["ground-offset", "series-resistance"], "second scan rate"),
    ] {
        let fit = fitted(case, tolerance, 0.0, taken);
        let (words, part_by) = leading(&fit);
        for word in both {
            assert!(words.iter().any(|w| w == word), "{case}: {word} is not in {words:?}");
        }
        assert!(part_by.contains(by), "{case}: {part_by}");
    }
}

#[test]
fn a_leak_in_the_pin_and_one_on_the_board_are_parted_by_the_millivolts_across_the_pins_resistor() {
    // 1 kΩ before the pin: worked 75 mV across it for 33 kΩ at the pin, none for a leak on the board.
    let fit = fitted("F01", 0.05, 1_000.0, &EVERY);
    let (words, part_by) = leading(&fit);
    for word in ["main-board-leak-to-ground", "input-pin-leak"] {
        assert!(words.iter().any(|w| w == word), "{word} is not in {words:?}");
    }
    assert!(part_by.contains("across the pin's series resistor"), "{part_by}");
}

fn chance(located: &Located, name: &str) -> f64 {
    located.locations.iter().find(|b| b.location == name).unwrap().probability
}

#[test]
fn a_static_offset_earns_an_idle_stray_no_odds_where_the_readings_show_a_leak() {
    let first = [stage(None, "as received", &[], Outcome::Stays)];
    let before = chance(&locate(&first, &[]).unwrap(), "ground-bond");
    for case in ["F01", "F02", "F03", "F10"] {
        let fit = fitted(case, 0.01, 0.0, &EVERY);
        let idle = Windows::of(&fit.network).key(fit.readings[0].counts);
        assert!(idle.is_some(), "{case} presses a key with nobody near it");
        let located = locate(&first, &[fit]).unwrap();
        assert!(chance(&located, "ground-bond") < before, "{case}");
        assert!(located.ladder.iter().all(|e| e.model != "ground-offset"), "{case}: {:?}", located.ladder);
    }
    // Where the readings do show an offset, it is no sufficient cause of the complaint, and stays open.
    let located = locate(&first, &[fitted("F06", 0.01, 0.0, &EVERY)]).unwrap();
    let offset = located.ladder.iter().find(|e| e.model == "ground-offset").unwrap();
    assert!(offset.because.contains("needs another cause"), "{}", offset.because);
}

#[test]
fn a_measurements_result_is_read_from_its_step_and_moves_the_odds() {
    for (text, outcome) in [
        ("millivolts-between-grounds: found, 80 mV", Some(Outcome::Found)),
        ("millivolts-between-grounds: clear", Some(Outcome::Clear)),
        ("measured the ground: nothing found", Some(Outcome::Clear)),
        ("ohms of the key board, no leak found", Some(Outcome::Clear)),
        ("with no key pressed, 75 mV across the pin resistor found", Some(Outcome::Found)),
        ("ohms: found on one key, clear on the others", None),
        ("the picture is not clear", None),
        ("measured the ground", None),
    ] {
        assert_eq!(finding(text), outcome, "{text}");
    }
    let tree = faults().unwrap();
    for test in &tree.tests {
        let said = format!("{}: found", test.name);
        assert_eq!(tree.recognise(&said, &[]).map(|t| &t.name), Some(&test.name));
    }
    let first = stage(None, "as received", &[], Outcome::Stays);
    let after = |outcome| {
        let text = "millivolts-between-grounds: measured";
        let mut second = stage(Some(StepKind::Isolate), text, &[], outcome);
        second.path = None;
        chance(&locate(&[first.clone(), second], &[]).unwrap(), "ground-bond")
    };
    let before = chance(&locate(std::slice::from_ref(&first), &[]).unwrap(), "ground-bond");
    assert!(after(Outcome::Found) > 3.0 * before, "{before} to {}", after(Outcome::Found));
    assert!(after(Outcome::Clear) < 0.5 * before, "{before} to {}", after(Outcome::Clear));
}
