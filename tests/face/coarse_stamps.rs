//! Whole seconds of a terminal or of a system log beside good stamps of the set: the set's clock tells beats.

use crate::support::program::run;

const CHASSIS: &str = r#"
[chassis]
name = "beat"
version = 1
about = "trial"
source = "invented"

[text]
prefixes = ["<{uptime:integer}> "]

[clock]
unit = "ms"

[[record]]
shape = "kp {key:word} down"
event = "press"

[[record]]
shape = "kp {key:word} up"
event = "release"
"#;

/// Presses every `period` seconds under stamps of whole seconds.
fn log(period: f64) -> String {
    let line = |t: f64, word: &str| {
        let (h, m, s) = (7 + t as u64 / 3600, t as u64 / 60 % 60, t as u64 % 60);
        format!("Nov  6 {h:02}:{m:02}:{s:02} bench set: <{}> kp KEY_MENU {word}\n", (t * 1e3).round())
    };
    // Off by up to 5 ms, seeded by the golden section.
    let at = |i: u32| 5.37 + period * f64::from(i) + 0.01 * ((f64::from(i) * 0.618_034).fract() - 0.5);
    (0..300).map(|i| [line(at(i), "down"), line(at(i) + 0.08, "up")].concat()).collect()
}

#[test]
fn a_beat_is_found_under_stamps_of_whole_seconds_and_its_change_too() {
    let folder = tempfile::tempdir().unwrap();
    let path = |name: &str| folder.path().join(name).display().to_string();
    std::fs::write(path("beat.toml"), CHASSIS).unwrap();
    for (name, period) in [("a.log", 1.105), ("b.log", 1.105), ("c.log", 2.317)] {
        std::fs::write(path(name), log(period)).unwrap();
    }
    let protocols = path(".");
    let json = |arguments: &[&str]| -> serde_json::Value {
        let all = [arguments, &["--protocols", &protocols, "--json"]].concat();
        serde_json::from_slice(&run(&all)).unwrap()
    };
    for (name, period) in [("a.log", 1.105), ("c.log", 2.317)] {
        let found = json(&["patterns", &path(name)]);
        let patterns = found["patterns"].as_array().unwrap();
        assert_eq!(patterns.len(), 1, "{found}");
        assert_eq!(patterns[0]["count"], 300, "{found}");
        assert!((patterns[0]["period_s"].as_f64().unwrap() - period).abs() < 1e-4, "{found}");
    }
    let verdict = |after: &str| json(&["compare", &path("a.log"), &path(after)])["verdict"].clone();
    assert_eq!((verdict("b.log"), verdict("c.log")), ("unchanged".into(), "reduced".into()));
}
