//! Readings to keys, against tables that are not ours.

use std::sync::Arc;

use straykey::base::{Event, EventKind, Key, Nanoseconds};
use straykey::decode::ladder::{Line, Tracker, Windows};

fn line(toml: &str) -> Line {
    toml::from_str(toml).unwrap()
}

fn key(name: &str) -> Key {
    Key::from_name(name).unwrap()
}

/// The parallel-branch ladder: 10 bit, supply = reference = 3.3 V, pull-up 10 kohm.
fn reference(window: &str) -> Windows {
    Windows::new(&line(&format!(
        r#"
        name = "KEY1"
        full_scale = 1023
        supply_volts = 3.3
        pull_up_ohm = 10_000
        {window}
        key = [
            {{ name = "KEY_POWER", to_ground_ohm = 0 }},
            {{ name = "KEY_VOLUMEDOWN", to_ground_ohm = 1_800 }},
            {{ name = "KEY_VOLUMEUP", to_ground_ohm = 3_900 }},
            {{ name = "KEY_CHANNELDOWN", to_ground_ohm = 7_500 }},
            {{ name = "KEY_CHANNELUP", to_ground_ohm = 13_000 }},
            {{ name = "KEY_MENU", to_ground_ohm = 27_000 }},
        ]"#
    )))
    .unwrap()
}

#[test]
fn nominal_codes_and_window_edges_are_those_of_the_divider_rule() {
    // V = Vcc R / (R + Rpu), code = floor(2^10 V / Vref), by hand; edges halfway between neighbouring codes.
    let windows = reference("");
    let expected = [
        (Some("KEY_POWER"), 0.0, 0, 77),
        (Some("KEY_VOLUMEDOWN"), 156.0, 78, 221),
        (Some("KEY_VOLUMEUP"), 287.0, 222, 362),
        (Some("KEY_CHANNELDOWN"), 438.0, 363, 507),
        (Some("KEY_CHANNELUP"), 578.0, 508, 662),
        (Some("KEY_MENU"), 747.0, 663, 884),
        (None, 1023.0, 885, 1023),
    ];
    let got: Vec<_> =
        windows.all().iter().map(|w| (w.key.map(Key::name), w.nominal.unwrap(), w.low, w.high)).collect();
    assert_eq!(got, expected);
}

#[test]
fn two_keys_at_once_decode_as_the_divider_rule_says() {
    // Parallel resistances of pairs and their codes, by hand: R1 R2 / (R1 + R2), then the divider rule.
    let windows = reference("");
    let pairs = [
        (1231.6, 112, "KEY_VOLUMEDOWN"),
        (2565.8, 209, "KEY_VOLUMEDOWN"),
        (3000.0, 236, "KEY_VOLUMEUP"),
        (4756.1, 330, "KEY_VOLUMEUP"),
        (5869.6, 378, "KEY_CHANNELDOWN"),
        (8775.0, 478, "KEY_CHANNELDOWN"),
    ];
    for (ohm, code, name) in pairs {
        assert_eq!(windows.line().reading_at(ohm / (ohm + 10_000.0)), f64::from(code), "{ohm} ohm");
        assert_eq!(windows.key(code), Some(key(name)), "{ohm} ohm");
    }
}

#[test]
fn a_falling_leak_walks_the_stray_key_from_menu_to_power() {
    // Leak to ground at which each window begins, R = Rpu c / (2^N - c) at the edges, by hand (ohm).
    let borders = [
        (63_700.0, None, "KEY_MENU"),
        (18_300.0, Some("KEY_MENU"), "KEY_CHANNELUP"),
        (9_840.0, Some("KEY_CHANNELUP"), "KEY_CHANNELDOWN"),
        (5_480.0, Some("KEY_CHANNELDOWN"), "KEY_VOLUMEUP"),
        (2_760.0, Some("KEY_VOLUMEUP"), "KEY_VOLUMEDOWN"),
        (825.0, Some("KEY_VOLUMEDOWN"), "KEY_POWER"),
    ];
    let windows = reference("");
    let at = |ohm: f64| {
        #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
        let counts = windows.line().reading_at(ohm / (ohm + 10_000.0)) as u32;
        windows.key(counts)
    };
    for (ohm, above, below) in borders {
        // The borders are given to three digits.
        assert_eq!(at(ohm * 1.01), above.map(key), "{ohm}");
        assert_eq!(at(ohm * 0.99), Some(key(below)), "{ohm}");
    }
}

/// The example of the Linux `adc-keys` binding: key-up 2.0 V, 1.5 V, 1.0 V, 0.5 V; one count is a millivolt.
fn adc_keys(rule: &str) -> Windows {
    Windows::new(&line(&format!(
        r#"
        name = "buttons"
        full_scale = 3300
        supply_volts = 3.3
        idle_counts = 2000
        idle_low_counts = 2000
        window = "{rule}"
        key = [
            {{ name = "KEY_VOLUMEUP", counts = 1500, low_counts = 1500 }},
            {{ name = "KEY_VOLUMEDOWN", counts = 1000, low_counts = 1000 }},
            {{ name = "KEY_ENTER", counts = 500, low_counts = 500 }},
        ]"#
    )))
    .unwrap()
}

#[test]
fn threshold_and_nearest_rules_differ_as_binding_and_driver_of_linux_do() {
    // Documentation/devicetree/bindings/input/adc-keys.yaml (thresholds) and drivers/input/keyboard/adc-keys.c
    // (nearest, key-up as one more candidate), with the binding's own example.
    let cases = [
        (1800, Some("KEY_VOLUMEUP"), None),
        (1740, Some("KEY_VOLUMEUP"), Some("KEY_VOLUMEUP")),
        (1700, Some("KEY_VOLUMEUP"), Some("KEY_VOLUMEUP")),
        (1300, Some("KEY_VOLUMEDOWN"), Some("KEY_VOLUMEUP")),
        (800, Some("KEY_ENTER"), Some("KEY_VOLUMEDOWN")),
        (400, None, Some("KEY_ENTER")),
        (300, None, Some("KEY_ENTER")),
        (0, None, Some("KEY_ENTER")),
        (2100, None, None),
        // Ties, by the driver: a key wins against key-up (1750), the first listed of two keys wins (1250).
        (1750, Some("KEY_VOLUMEUP"), Some("KEY_VOLUMEUP")),
        (1250, Some("KEY_VOLUMEDOWN"), Some("KEY_VOLUMEUP")),
    ];
    let (binding, driver) = (adc_keys("threshold"), adc_keys("nearest"));
    for (millivolts, by_binding, by_driver) in cases {
        assert_eq!(binding.key(millivolts), by_binding.map(key), "binding, {millivolts} mV");
        assert_eq!(driver.key(millivolts), by_driver.map(key), "driver, {millivolts} mV");
    }
}

#[test]
fn tolerance_rule_takes_the_first_key_within_reach() {
    // The rule of a public SoC keypad driver: first entry with value - tolerance <= reading <= value + tolerance.
    let windows = Windows::new(&line(
        r#"
        name = "2"
        full_scale = 1023
        supply_volts = 3.3
        window = "tolerance"
        tolerance_counts = 40
        key = [{ name = "KEY_VOLUMEUP", counts = 143 }, { name = "KEY_VOLUMEDOWN", counts = 200 }]"#,
    ))
    .unwrap();
    for (counts, expected) in [
        (102, None),
        (103, Some("KEY_VOLUMEUP")),
        (183, Some("KEY_VOLUMEUP")),
        (184, Some("KEY_VOLUMEDOWN")),
        (240, Some("KEY_VOLUMEDOWN")),
        (241, None),
    ] {
        assert_eq!(windows.key(counts), expected.map(key), "{counts}");
    }
}

#[test]
fn quality_is_one_at_the_nominal_reading_and_falls_towards_the_border() {
    let windows = reference("");
    assert_eq!(windows.quality(287), Some(1.0));
    assert_eq!(windows.quality(0), Some(1.0));
    // VOL+ 287, border 221.5: 254 is 32.5 of 65.5 counts away from it.
    assert_eq!(windows.quality(254), Some(0.5));
    assert!(windows.quality(222).unwrap() < 0.02);
}

fn run(tracker: &mut Tracker, readings: &[u32]) -> Vec<Event> {
    let mut out = Vec::new();
    for (t, counts) in (0i64..).zip(readings) {
        tracker.push(Nanoseconds::from_millis(10 * t), *counts, &mut out);
    }
    out
}

#[test]
fn a_single_reading_in_another_window_presses_nothing_under_debounce() {
    let windows = Arc::new(reference("debounce = 3"));
    let mut tracker = Tracker::new("KEY1".into(), Some(windows));
    // A slow contact ramps through MENU and CH+ on its way down to VOL+ (common practice, no source).
    let out =
        run(&mut tracker, &[1023, 1023, 1023, 800, 640, 287, 287, 287, 286, 1023, 287, 1023, 1023, 1023]);
    let keys: Vec<_> = out
        .iter()
        .filter(|e| e.kind != EventKind::Reading)
        .map(|e| (e.t.0 / 1_000_000, e.kind, e.key.map(Key::name), e.held.map(|h| h.0 / 1_000_000)))
        .collect();
    let expected = [
        (70, EventKind::Press, Some("KEY_VOLUMEUP"), None),
        (130, EventKind::Release, Some("KEY_VOLUMEUP"), Some(60)),
    ];
    assert_eq!(keys, expected);
}

#[test]
fn idle_readings_are_thinned_to_one_a_second_and_every_step_is_kept() {
    let mut tracker = Tracker::new("KEY1".into(), Some(Arc::new(reference(""))));
    // Ten seconds of idle with one count of noise, ten readings a second, then a step of 4 counts.
    let mut readings: Vec<u32> = (0..1001).map(|i| 1021 + i % 3 / 2).collect();
    readings.push(1017);
    let out = run(&mut tracker, &readings);
    assert_eq!(out.len(), 12, "first, ten seconds, the step");
    assert_eq!(out.last().unwrap().counts, Some(1017));
}

#[test]
fn ladders_that_cannot_be_read_are_refused_with_a_remedy() {
    let base = "name = \"K\"\nfull_scale = 1023\nsupply_volts = 3.3\n";
    let cases = [
        ("key = [{ name = \"KEY_OK\", to_ground_ohm = 0 }]", "no nominal reading"),
        (
            "pull_up_ohm = 10\nkey = [{ name = \"KEY_OK\", to_ground_ohm = 5 }, { name = \"KEY_UP\", to_ground_ohm = 5 }]",
            "both read",
        ),
        ("window = \"threshold\"\nkey = [{ name = \"KEY_OK\", counts = 5 }]", "low_counts"),
        ("window = \"tolerance\"\nkey = [{ name = \"KEY_OK\", counts = 5 }]", "tolerance_counts"),
    ];
    for (rest, part) in cases {
        let error = Windows::new(&line(&format!("{base}{rest}"))).unwrap_err();
        assert!(error.what().contains(part), "{error}");
        assert!(error.help_text().is_some(), "{error}");
    }
    let zero = line("name = \"K\"\nfull_scale = 0\nsupply_volts = 3.3\nkey = []");
    assert!(Windows::new(&zero).is_err());
}
