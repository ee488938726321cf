//! Three ways of speaking that no simulated chassis has: a press told by two lines, readings in volts, and a stamp in
//! ticks of a kernel. The truth is what the generator pressed; a draft must read another key check of the same set.

use std::path::Path;
use std::sync::Arc;

use straykey::analysis::keycheck::Prompt;
use straykey::base::{EventKind, Key, Nanoseconds};
use straykey::decode::chassis::Chassis;
use straykey::decode::check::{Severity, check};
use straykey::decode::text::TextDecoder;
use straykey::learn::{Capture, learn};

use crate::support::random::Random;

const KEYS: [&str; 5] = ["KEY_VOLUMEUP", "KEY_VOLUMEDOWN", "KEY_MENU", "KEY_CHANNELUP", "KEY_OK"];

/// From when to when which key was down.
fn presses(seed: u64, rounds: usize) -> Vec<(f64, f64, usize)> {
    let mut random = Random(seed);
    let mut down = Vec::new();
    for i in 0..rounds * KEYS.len() {
        let start = 5.0 + 3.0 * i as f64 + 0.001 * f64::from(random.below(200) as u32);
        down.push((start, start + 0.15 + 0.001 * f64::from(random.below(900) as u32), i * 3 % KEYS.len()));
    }
    down
}

/// Lines with their times, sorted and stamped by `stamp`.
fn written(mut lines: Vec<(f64, String)>, stamp: &dyn Fn(f64) -> String) -> Vec<String> {
    lines.sort_by(|a, b| a.0.total_cmp(&b.0));
    lines.into_iter().map(|(t, line)| stamp(t) + &line).collect()
}

/// A driver's scan code, again and again while the key is down, and the key itself, once; 10 ms ticks.
fn two_lines(down: &[(f64, f64, usize)]) -> Vec<String> {
    let mut lines = Vec::new();
    for (start, end, key) in down {
        let repeats = ((end - start) / 0.108) as u32;
        for n in 0..=repeats {
            lines.push((start + 0.108 * f64::from(n), format!("RCU;code 1f{:02x} q{}", 0x3a + key, 60 + n)));
        }
        lines.push((start + 0.004, format!("UIK;{}", ["VOLP", "VOLM", "MENU", "PRP", "OKAY"][*key])));
    }
    for i in 0..80 {
        lines.push((f64::from(i) * 1.1, format!("SYS;temp {} load {}", 40 + i % 7, 1 + i * 37 % 90)));
    }
    written(lines, &|t| format!("{:08};", (t * 100.0) as u32))
}

/// Two inputs in volts, every 40 ms.
fn volts(down: &[(f64, f64, usize)]) -> Vec<String> {
    let mut random = Random(7);
    let mut lines = Vec::new();
    for i in 0..2200 {
        let t = 0.04 * f64::from(i);
        let held = down.iter().find(|(start, end, _)| (*start..*end).contains(&t)).map(|(_, _, key)| *key);
        let mut level = |rest: f64| rest + 0.001 * f64::from(random.below(9) as u32);
        let (a, b) = match held {
            Some(key @ 0..=3) => (level([0.42, 0.93, 1.51, 2.08][key]), level(3.29)),
            Some(_) => (level(3.29), level(1.2)),
            None => (level(3.29), level(3.29)),
        };
        lines.push((t, format!("in0 {a:.3}V in1 {b:.3}V")));
    }
    written(lines, &|t| format!("@{:06x} ", (t * 1000.0) as u32))
}

/// Drafts from one key check and reads another one: keys that went down, in order, and the draft's text.
#[allow(clippy::type_complexity)]
fn learned(speak: fn(&[(f64, f64, usize)]) -> Vec<String>) -> (Vec<Key>, Vec<Key>, String) {
    let asked = |seed, rounds| -> Vec<(f64, f64, usize)> { presses(seed, rounds) };
    let key = |number: usize| -> Key { Key::from_name(KEYS[number]).unwrap() };
    let first = asked(1, 3);
    let mut capture = Capture::new("first.log");
    speak(&first).iter().for_each(|line| capture.push(None, line.as_bytes()));
    let prompt = |(start, _, number): &(f64, f64, usize)| Prompt {
        t: Nanoseconds::from_seconds(start - 0.6),
        key: key(*number),
    };
    capture.prompts = first.iter().map(prompt).collect();
    let text = learn(&capture, "heard").text();
    let found = check(Path::new("heard.toml"), &text);
    assert!(found.iter().all(|finding| finding.severity != Severity::Error), "{found:#?}\n{text}");
    let chassis = Chassis::parse(Path::new("heard.toml"), &text).unwrap();
    let second = asked(2, 2);
    let mut decoder = TextDecoder::new(Arc::new(chassis), "second.log".into());
    let mut events = Vec::new();
    decoder.push(None, 0, (speak(&second).join("\n") + "\n").as_bytes(), &mut events);
    decoder.finish(&mut events);
    let presses = events.iter().filter(|event| event.kind == EventKind::Press);
    let seen = presses.filter_map(|event| event.key).collect();
    (seen, second.iter().map(|(_, _, number)| key(*number)).collect(), text)
}

#[test]
fn a_press_that_two_lines_tell_is_one_input() {
    let (seen, asked, text) = learned(two_lines);
    assert_eq!(seen, asked, "{text}");
    assert!(text.contains("unit = \"10ms\"") && text.contains("[repeat]"), "{text}");
    assert!(text.contains("one press is one input"), "{text}");
}

#[test]
fn readings_in_volts_are_readings() {
    let (seen, asked, text) = learned(volts);
    assert_eq!(seen, asked, "{text}");
    assert!(text.contains("{KEY1:seconds}") && text.contains("full_scale = 3300"), "{text}");
}
