//! Key learning: a file learned from one capture decodes a second capture of the same chassis.

use std::path::Path;
use std::sync::Arc;

use straykey::analysis::keycheck::Prompt;
use straykey::base::{Event, EventKind, Key, Nanoseconds};
use straykey::decode::chassis::Chassis;
use straykey::decode::check::{Severity, check};
use straykey::decode::text::TextDecoder;
use straykey::learn::{Capture, Draft, extend, learn};

use crate::dialect::{Dialect, Heard};

const CHASSIS: u64 = 50;

/// The simulated chassis: 1 to 50, or as many from STRAYKEY_SEED on, for chassis that nobody has looked at yet.
fn seeds() -> std::ops::Range<u64> {
    let first = std::env::var("STRAYKEY_SEED").ok().and_then(|seed| seed.parse().ok()).unwrap_or(1);
    first..first + CHASSIS
}

fn path(name: &str) -> std::path::PathBuf {
    Path::new(name).with_extension("toml")
}

fn chassis(draft: &Draft) -> Arc<Chassis> {
    let text = draft.text();
    Arc::new(Chassis::parse(&path(&draft.name), &text).unwrap_or_else(|error| panic!("{error}\n{text}")))
}

fn decode(chassis: &Arc<Chassis>, heard: &Heard) -> (Vec<Event>, straykey::decode::Counters) {
    let mut decoder = TextDecoder::new(Arc::clone(chassis), "second".into());
    let mut events = Vec::new();
    for (arrival, line) in &heard.lines {
        let bytes = format!("{line}\n");
        decoder.push(arrival.map(Nanoseconds::from_seconds), 0, bytes.as_bytes(), &mut events);
    }
    decoder.finish(&mut events);
    // Without arrivals the decoder's time begins at the first stamp of a line that it knows, the truth at the first
    // line: what lies between is told by the set's own clock.
    if heard.lines.iter().all(|(arrival, _)| arrival.is_none())
        && let Some(uptime) = decoder.set_time()
    {
        let late = uptime - decoder.now() - Nanoseconds::from_seconds(heard.origin);
        events.iter_mut().for_each(|event| event.t = event.t + late);
    }
    let counters = decoder.counters();
    (events, counters)
}

/// Right presses, and all that were made or seen: each press made is right when the set's next event within 0.4 s
/// (a fifth of a second for the debounce of the slowest chassis, twice) is its key; every other press seen is wrong.
fn judge(made: &[(f64, Key)], events: &[Event]) -> (usize, usize) {
    let mut seen: Vec<(f64, Key)> = events
        .iter()
        .filter(|event| event.kind == EventKind::Press && event.is_input())
        .filter_map(|event| Some((event.t.seconds(), event.key?)))
        .collect();
    let mut right = 0;
    for (t, key) in made {
        if let Some(at) = seen.iter().position(|(s, k)| k == key && (t - 0.05..t + 0.4).contains(s)) {
            seen.remove(at);
            right += 1;
        }
    }
    (right, made.len() + seen.len())
}

#[test]
fn a_learned_file_decodes_a_second_capture_of_the_same_chassis() {
    let (mut right, mut all) = (0, 0);
    let mut shares = Vec::new();
    for seed in seeds() {
        let dialect = Dialect::new(seed);
        let first = dialect.hear(1_000 + seed, 3);
        let draft = learn(&first.capture("first.log"), "draft");
        let learned = chassis(&draft);
        let second = dialect.hear(2_000 + seed, 5);
        let (events, _) = decode(&learned, &second);
        let (r, a) = judge(&second.presses, &events);
        println!(
            "seed {seed}: {r} of {a} presses right; {:?} {:?}, {} rules, {} examples",
            dialect.stamp,
            dialect.speech,
            draft.rules.len(),
            draft.examples.len()
        );
        if r < a {
            println!("{}", draft.text().lines().take(60).collect::<Vec<_>>().join("\n"));
        }
        right += r;
        all += a;
        shares.push(r as f64 / a as f64);
    }
    shares.sort_by(f64::total_cmp);
    let perfect = shares.iter().filter(|share| **share == 1.0).count();
    let from = |least: f64| shares.iter().filter(|share| **share >= least).count();
    println!(
        "seeds {:?}: {right} of {all} presses right; of {CHASSIS} chassis {perfect} wholly, {} from 99 %, {} from 95 %, \
         {} from 90 %; worst {:.3?}",
        seeds(),
        from(0.99),
        from(0.95),
        from(0.9),
        &shares[..5]
    );
    assert!(right as f64 >= 0.99 * all as f64, "{right} of {all}");
    // The mean must not hide chassis that were not learned at all.
    let good = shares.iter().filter(|share| **share >= 0.99).count();
    assert!(good as f64 >= 0.9 * CHASSIS as f64, "only {good} chassis reach 99 %");
}

#[test]
fn every_draft_passes_its_own_check_with_examples() {
    for seed in seeds() {
        let dialect = Dialect::new(seed);
        let draft = learn(&dialect.hear(1_000 + seed, 3).capture("first.log"), "draft");
        let text = draft.text();
        let mistakes: Vec<String> = check(&path("draft"), &text)
            .into_iter()
            .filter(|finding| finding.severity == Severity::Error)
            .map(|finding| finding.to_string())
            .collect();
        assert!(mistakes.is_empty(), "seed {seed}: {mistakes:?}\n{text}");
        assert!(!draft.examples.is_empty(), "seed {seed} {dialect:?}: no example\n{text}");
    }
}

#[test]
fn lines_of_other_chassis_are_rejected() {
    // Each learned file reads the capture of another chassis that speaks in another way; none of its presses may
    // come of it.
    let (mut presses, mut wrong_lines, mut lines) = (0, 0, 0);
    for seed in seeds() {
        let draft = learn(&Dialect::new(seed).hear(1_000 + seed, 3).capture("first.log"), "draft");
        let other = Dialect::new(seed + 4);
        let heard = other.hear(3_000 + seed, 2);
        let (events, counters) = decode(&chassis(&draft), &heard);
        presses += events.iter().filter(|event| event.kind == EventKind::Press).count();
        wrong_lines += counters.damaged;
        lines += counters.records;
    }
    println!("{presses} presses and {wrong_lines} damaged lines from {lines} foreign lines");
    assert_eq!(presses, 0);
    assert!(wrong_lines as f64 <= 0.01 * lines as f64, "{wrong_lines} of {lines}");
}

#[test]
fn without_prompts_shapes_are_written_and_marked_unknown() {
    let dialect = Dialect::new(1);
    let mut heard = dialect.hear(1, 3);
    heard.prompts.clear();
    let draft = learn(&heard.capture("quiet.log"), "draft");
    assert!(draft.rules.iter().all(|rule| rule.event == "ignore"));
    assert!(draft.rules.len() >= 3);
    assert!(draft.text().contains("# unknown: what the lines mean"));
    let (events, counters) = decode(&chassis(&draft), &heard);
    assert!(events.iter().all(|event| event.kind != EventKind::Press));
    assert!(counters.decoded * 10 >= counters.records * 9, "{counters:?}");
}

/// The old text, all of it and in order, is what remains when text is taken out of the new one.
fn is_kept(old: &str, new: &str) -> bool {
    let mut rest = new.chars();
    old.chars().all(|c| rest.any(|n| n == c))
}

#[test]
fn a_second_capture_extends_the_file_and_changes_nothing_in_it() {
    for seed in 1..=18 {
        let dialect = Dialect::new(seed);
        let whole = dialect.hear(1_000 + seed, 3);
        // The first capture knows half of the keys: the other prompts and presses never were.
        let mut half = dialect.hear(1_000 + seed, 3);
        let middle = half.prompts.len() / 3;
        let cut = half.prompts[middle].0;
        let kept: Vec<_> = half.prompts[..middle].to_vec();
        let stop = half.lines.len() * middle / half.prompts.len();
        half.lines.truncate(stop);
        half.prompts = kept.into_iter().filter(|(t, _)| *t < cut - 3.0).collect();
        let first = learn(&half.capture("half.log"), "draft").text();
        let second = extend(&path("draft"), &first, &whole.capture("whole.log"))
            .unwrap_or_else(|error| panic!("seed {seed}: {error}\n{first}"));
        assert!(is_kept(&first, &second.text), "seed {seed}: something was taken out");
        assert!(Chassis::parse(&path("draft"), &second.text).is_ok(), "seed {seed}\n{}", second.text);
        let third = extend(&path("draft"), &second.text, &whole.capture("whole.log")).unwrap();
        let records = |text: &str| text.matches("[[record]]").count();
        assert_eq!(
            records(&third.text),
            records(&second.text),
            "seed {seed}: the same capture twice adds nothing"
        );
    }
}

fn ask(capture: &mut Capture, t: f64, key: &str) {
    let key = Key::from_name(key).unwrap();
    capture.prompts.push(Prompt { t: Nanoseconds::from_seconds(t), key });
}

#[test]
fn menu_lines_are_told_apart_by_words_that_do_not_stand_in_every_line() {
    let keys = [("KEY_VOLUMEUP", "UP"), ("KEY_VOLUMEDOWN", "DN"), ("KEY_MENU", "ME")];
    let mut random = crate::support::random::Random(5);
    let mut capture = Capture::new("first.log");
    let mut lines: Vec<(f64, String)> = Vec::new();
    for i in 0..18 {
        let (key, word) = keys[i % 3];
        let t = 3.0 + 4.0 * i as f64 + random.below(500) as f64 / 1e3;
        ask(&mut capture, t, key);
        lines.push((t + 0.6, format!("btn={word}")));
        lines.push((t + 0.7, format!("panel vol={i}")));
        for _ in 0..5 {
            let at = t + random.below(4_000) as f64 / 1e3;
            lines.push((at, format!("mem {} kB in {}", random.below(9_000), random.below(9))));
        }
    }
    lines.push((0.0, "mem 1 kB in 1".to_owned()));
    lines.sort_by(|a, b| a.0.total_cmp(&b.0));
    for (t, line) in lines {
        capture.push(None, format!("[{:.3}] unit/main: {line}", 41.0 + t).as_bytes());
    }
    let text = learn(&capture, "draft").text();
    assert!(text.contains("item = \"panel vol\""), "{text}");
}

/// Six requests, three of each of two keys, and what a set says of each press: its lines, by seconds after the request.
fn asked_twice(said: &dyn Fn(&str) -> Vec<(f64, String)>, idle: Option<&str>) -> Capture {
    let mut capture = Capture::new("first.log");
    let mut lines: Vec<(f64, String)> = Vec::new();
    for i in 0..8 {
        let key = ["KEY_MENU", "KEY_POWER"][i % 2];
        let t = 3.0 + 3.5 * i as f64 + [0.0, 0.2, 0.1][i % 3];
        ask(&mut capture, t, key);
        lines.extend(said(key).into_iter().map(|(after, line)| (t + after, line)));
        lines.extend(
            idle.iter().flat_map(|idle| (0..7).map(move |n| (t - 2.5 + 0.4 * n as f64, (*idle).to_owned()))),
        );
        lines.push((t + 1.7, format!("mem {} kB", 40 + 7 * i)));
    }
    lines.push((0.0, "mem 1 kB".to_owned()));
    lines.sort_by(|a, b| a.0.total_cmp(&b.0));
    for (t, line) in lines {
        capture.push(None, format!("[{:.3}] {line}", 41.0 + t).as_bytes());
    }
    capture
}

#[test]
fn numbers_that_never_scatter_are_readings_where_the_line_rests_at_the_end_of_a_scale() {
    let level = |key: &str| if key == "KEY_MENU" { 461 } else { 0 };
    let said =
        |key: &str| (0..4).map(|n| (0.6 + 0.05 * n as f64, format!("kp now {}", level(key)))).collect();
    let text = learn(&asked_twice(&said, Some("kp now 1023")), "draft").text();
    assert!(text.contains("idle_counts = 1023") && text.contains("event = \"reading\""), "{text}");
    assert!(text.contains("{ name = \"KEY_MENU\", counts = 461 }"), "{text}");
    // The same numbers with no rest at the top are codes, and the draft says that it cannot tell.
    let text = learn(&asked_twice(&said, Some("kp now 600")), "draft").text();
    assert!(text.contains("\"461\" = \"KEY_MENU\"") && text.contains("shape = \"kp now 600\""), "{text}");
    assert!(
        text.contains("event = \"release\"") && text.contains("# unknown: whether the keys' numbers"),
        "{text}"
    );
    // A word that speaks of a converter decides.
    let said =
        |key: &str| (0..4).map(|n| (0.6 + 0.05 * n as f64, format!("adc now {}", level(key)))).collect();
    let text = learn(&asked_twice(&said, Some("adc now 600")), "draft").text();
    assert!(text.contains("idle_counts = 600"), "{text}");
}

#[test]
fn a_line_that_prints_only_while_a_key_is_down_is_given_its_silence() {
    let said = |key: &str| {
        let level = if key == "KEY_MENU" { 461 } else { 12 };
        (0..5).map(|n| (0.6 + 0.05 * n as f64, format!("kp now {}", level + n % 2))).collect()
    };
    let draft = learn(&asked_twice(&said, None), "draft");
    let text = draft.text();
    // Two and a half of the usual steps of 50 ms.
    assert!(text.contains("silent_s = 0.125") && !text.contains("idle_counts"), "{text}");
    assert!(text.contains("unknown: what it reads with no key pressed"), "{text}");
    assert!(!draft.examples.is_empty());
}

#[test]
fn stamps_of_whole_seconds_give_no_silence_of_none() {
    let mut capture = Capture::new("first.log");
    for i in 0..8i64 {
        let (key, level) = [("KEY_MENU", 461), ("KEY_POWER", 12)][i as usize % 2];
        let t = 4 * i;
        ask(&mut capture, t as f64, key);
        capture.push(None, format!("[{}.000] mem {} kB", 40 + t, 40 + 7 * i).as_bytes());
        for n in 0..4 {
            capture.push(None, format!("[{}.000] kp now {}", 41 + t, level + n % 2).as_bytes());
        }
    }
    let draft = learn(&capture, "draft");
    assert!(draft.text().contains("silent_s = 0.100"), "{}", draft.text());
    let _ = chassis(&draft);
}
