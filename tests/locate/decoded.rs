//! From text to `locate --json`: logs of alder and birch with a fault put in by node equations of this file's own, through the
//! decoder.

use std::fmt::Write as _;
use std::path::Path;

use serde_json::Value;

use super::ladders::{KEYS, OHMS};
use crate::face::program::{straykey, text};

/// What is wrong with line KEY1 of alder: conductances to ground in siemens, pull-up and series resistance in ohms.
#[derive(Clone, Copy)]
struct Wrong {
    main: f64,
    board: f64,
    /// Across the second key.
    switch: f64,
    pull_up: f64,
    series: f64,
    contact: f64,
    /// Volts of the key board's ground.
    offset: f64,
}

const SOUND: Wrong =
    Wrong { main: 0.0, board: 0.0, switch: 0.0, pull_up: 10e3, series: 0.0, contact: 0.0, offset: 0.0 };

#[derive(Clone, Copy)]
enum Plug {
    Board,
    Resistor(f64),
}

/// The code with this plugged and this key down: the board as one source behind the cable, the line by the node rule.
fn code(wrong: &Wrong, plug: Plug, key: Option<usize>) -> u32 {
    let mut siemens = wrong.board;
    if let Some(key) = key {
        siemens += 1.0 / (OHMS[key] + wrong.contact).max(1e-3);
    }
    if wrong.switch > 0.0 && key != Some(1) {
        siemens += 1.0 / (OHMS[1] + 1.0 / wrong.switch);
    }
    let board = if siemens > 0.0 { 1.0 / (1.0 / siemens + wrong.series) } else { 0.0 };
    let (to, volts) = match plug {
        Plug::Board => (board, wrong.offset),
        Plug::Resistor(ohm) => (1.0 / ohm, 0.0),
    };
    let up = 1.0 / wrong.pull_up;
    let level = (3.3 * up + volts * to) / (up + to + wrong.main) / 3.3;
    (1024.0 * level).floor().clamp(0.0, 1023.0) as u32
}

/// Six minutes with hands off: the fault for a second in every fifteen where it comes and goes, else all the time.
fn soak(rests: &Wrong, shows: &Wrong, plug: Plug) -> String {
    let mut log = String::new();
    for i in 0..7_200u32 {
        let t = 1.0 + f64::from(i) * 0.05;
        let counts = code(if i % 300 < 20 { shows } else { rests }, plug, None);
        let _ = writeln!(log, "[{t:.3}] keyscan: line=KEY1 adc=0x{counts:03x}");
        let _ = writeln!(log, "[{t:.3}] keyscan: line=KEY2 adc=0x3ff");
    }
    log
}

/// Every key pressed twice when asked for; and the prompts.
fn keys(wrong: &Wrong) -> (String, String) {
    let (mut log, mut prompts) = (String::new(), String::new());
    for i in 0..800u32 {
        let t = f64::from(i) * 0.05;
        let (turn, since) = ((t / 3.0) as usize, t % 3.0);
        let down = (1.0..1.8).contains(&since) && turn < 12;
        let counts = code(wrong, Plug::Board, down.then_some(turn % 6));
        let _ = writeln!(log, "[{:.3}] keyscan: line=KEY1 adc=0x{counts:03x}", 100.0 + t);
        let _ = writeln!(log, "[{:.3}] keyscan: line=KEY2 adc=0x3ff", 100.0 + t);
    }
    for turn in 0..12 {
        let _ = writeln!(prompts, "{{\"t\": {}, \"key\": \"{}\"}}", 3 * turn, KEYS[turn % 6]);
    }
    (log, prompts)
}

/// A stage: step, its kind, a hands-off log.
type Stage<'a> = (&'a str, &'a str, String);

fn job(folder: &Path, chassis: &str, stages: &[Stage<'_>], check: Option<(String, String)>) -> String {
    let mut manifest = format!("set = \"kitchen set\"\nchassis = \"{chassis}\"\n");
    for (i, (step, kind, log)) in stages.iter().enumerate() {
        std::fs::write(folder.join(format!("{i}.log")), log).unwrap();
        let kind = if kind.is_empty() { String::new() } else { format!("kind = \"{kind}\"\n") };
        let _ = write!(manifest, "[[stage]]\nstep = \"{step}\"\n{kind}");
        let _ = write!(manifest, "[[stage.capture]]\nfile = \"{i}.log\"\nhands = \"off\"\n");
        if let (0, Some((log, prompts))) = (i, &check) {
            std::fs::write(folder.join("check.log"), log).unwrap();
            std::fs::write(folder.join("check.jsonl"), prompts).unwrap();
            manifest.push_str(
                "[[stage.capture]]\nfile = \"check.log\"\nhands = \"on\"\nprompts = \"check.jsonl\"\n",
            );
        }
    }
    let ticket = folder.join("ticket.toml");
    std::fs::write(&ticket, manifest).unwrap();
    let made = folder.join("job").display().to_string();
    let built = straykey(&["job", "build", ticket.to_str().unwrap(), "--out", &made]);
    assert_eq!(built.status.code(), Some(0), "{}", text(&built.stderr));
    made
}

fn locate(job: &str, more: &[&str]) -> Value {
    let arguments: Vec<&str> = ["locate", job, "--json"].iter().chain(more).copied().collect();
    let output = straykey(&arguments);
    assert_eq!(output.status.code(), Some(0), "{}", text(&output.stderr));
    serde_json::from_slice(&output.stdout).unwrap()
}

fn first(located: &Value) -> (&str, f64) {
    let first = &located["locations"][0];
    (first["location"].as_str().unwrap(), first["probability"].as_f64().unwrap())
}

/// A line that comes and goes as `shows`, sound else.
fn comes_and_goes(shows: Wrong) -> Value {
    let folder = tempfile::tempdir().unwrap();
    let stages = [("as received", "", soak(&SOUND, &shows, Plug::Board))];
    locate(&job(folder.path(), "alder", &stages, None), &[])
}

/// A line that is always so, with a key check.
fn steady(wrong: Wrong) -> Value {
    let folder = tempfile::tempdir().unwrap();
    let stages = [("as received", "", soak(&wrong, &wrong, Plug::Board))];
    locate(&job(folder.path(), "alder", &stages, Some(keys(&wrong))), &[])
}

#[test]
fn a_known_resistor_is_no_stray_and_shows_a_leak_beside_it() {
    let shows = Wrong { main: 1.0 / 38e3, ..SOUND };
    let folder = tempfile::tempdir().unwrap();
    let beside = Plug::Resistor(4_700.0);
    // It reads as Volume up all the time, with and without the leak beside it.
    assert!(
        (222..362).contains(&code(&shows, beside, None)) && (222..362).contains(&code(&SOUND, beside, None))
    );
    let stages = [
        ("as received", "", soak(&SOUND, &shows, Plug::Board)),
        ("4.7k resistor in place of the key board", "isolate", soak(&SOUND, &shows, beside)),
    ];
    let located = locate(&job(folder.path(), "alder", &stages, None), &[]);
    assert_eq!(first(&located).0, "main-board-input", "{}", located["locations"]);
    let leak = located["ladder"][0]["value"].as_f64().unwrap();
    assert!((leak / 38e3 - 1.0).abs() < 0.03, "{leak}");
}

#[test]
fn what_a_data_sheet_gives_is_no_leak_and_is_learned_where_it_is_not_stated() {
    let sound = Wrong { main: 1.0 / 5e6, contact: 25.0, ..SOUND };
    let learned = steady(sound);
    assert_eq!(learned["ladder"][0]["model"], "healthy", "{}", learned["ladder"][0]);
    let notes = learned["notes"].to_string();
    assert!(notes.contains("input resistance") && notes.contains("contact_ohm"), "{notes}");
    // An input of 600 kΩ is a leak, unless the file gives it.
    let low = Wrong { main: 1.0 / 600e3, ..SOUND };
    assert_ne!(steady(low)["ladder"][0]["model"], "healthy");
    let folder = tempfile::tempdir().unwrap();
    let own = folder.path().join("protocols");
    std::fs::create_dir_all(&own).unwrap();
    let shipped = include_str!("../../protocols/chassis/alder.toml");
    let stated = shipped.replacen("[[line]]\n", "[[line]]\ninput_ohm = 600_000\ncontact_ohm = 0\n", 1);
    // Examples of the file are of an ideal input.
    let stated = stated.split("# Expected readings").next().unwrap();
    std::fs::write(own.join("alder.toml"), stated).unwrap();
    let stages = [("as received", "", soak(&low, &low, Plug::Board))];
    let made = job(folder.path(), "alder", &stages, Some(keys(&low)));
    let located = locate(&made, &["--protocols", own.to_str().unwrap()]);
    assert_eq!(located["ladder"][0]["model"], "healthy", "{}", located["ladder"][0]);
    assert_eq!(located["nothing_yet"], true);
}

#[test]
fn misread_keys_without_a_stray_are_a_bad_joint_with_its_size() {
    let located = steady(Wrong { series: 2e3, ..SOUND });
    assert_eq!(located["nothing_yet"], false);
    assert_eq!(first(&located).0, "key-cable", "{}", located["locations"]);
    let ohm = located["ladder"][0]["value"].as_f64().unwrap();
    assert!((ohm / 2e3 - 1.0).abs() < 0.05, "{}", located["ladder"][0]);
}

#[test]
fn a_grounds_offset_beyond_half_a_volt_and_an_open_pull_up_are_within_range() {
    let offset = steady(Wrong { offset: 0.8, ..SOUND });
    assert_eq!(first(&offset).0, "ground-bond", "{}", offset["locations"]);
    // Open, but for 3 MΩ of dirt.
    let open = steady(Wrong { pull_up: 3e6, ..SOUND });
    assert_eq!(first(&open).0, "main-board-input", "{}", open["locations"]);
}

#[test]
fn a_stuck_switch_reads_as_its_own_key_and_is_a_switch() {
    let located = comes_and_goes(Wrong { switch: 1.0 / 5.0, ..SOUND });
    assert_eq!(first(&located).0, "key-switch", "{}", located["locations"]);
    assert_eq!(located["ladder"][0]["model"], "switch-leak-volumedown", "{}", located["ladder"][0]);
}

#[test]
fn quiet_and_sound_levels_are_nothing_to_locate() {
    let located = comes_and_goes(SOUND);
    assert_eq!(located["nothing_yet"], true, "{}", located["locations"]);
    assert_eq!(located["next"].as_array().unwrap().len(), 0);
}

/// Codes of birch, one a quarter of a minute, so many frames each.
fn frames(codes: &[(u32, u32)], frames: u32) -> String {
    let mut log = String::new();
    for (i, (address, command)) in (0u32..).zip(codes.iter().cycle().take(24)) {
        for frame in 0..frames {
            let t = 10.0 + f64::from(15 * i) + 0.108 * f64::from(frame);
            let repeats = u32::from(frame > 0);
            let _ =
                writeln!(log, "[{t:12.6}][  T103] ir: addr={address:02x} cmd={command:02x} rpt={repeats}");
        }
    }
    log
}

#[test]
fn a_remote_is_told_from_light_by_its_key_and_by_frames_that_go_on() {
    let of = |codes: &[(u32, u32)], count: u32| {
        let folder = tempfile::tempdir().unwrap();
        locate(&job(folder.path(), "birch", &[("as received", "", frames(codes, count))], None), &[])
    };
    let remote = of(&[(4, 0x1a)], 6);
    assert!(first(&remote).0 == "remote" && first(&remote).1 > 0.7, "{}", remote["locations"]);
    let odd: Vec<(u32, u32)> = (1..13).map(|i| (17 * i % 256, 29 * i % 256)).collect();
    let light = of(&odd, 1);
    assert!(first(&light).0.starts_with("infrared"), "{}", light["locations"]);
    // Several keys of a remote that somebody uses: many codes, but each goes on while its key is down.
    let used = of(&[(4, 0x1a), (4, 0x1e), (4, 0x12)], 6);
    let chance = |located: &Value| {
        let list = located["locations"].as_array().unwrap();
        list.iter().find(|place| place["location"] == "remote").unwrap()["probability"].as_f64().unwrap()
    };
    assert!(chance(&used) > 20.0 * chance(&light), "{} {}", used["locations"], light["locations"]);
}

#[test]
fn the_answer_comes_first_then_the_next_test_with_what_its_outcomes_mean() {
    let folder = tempfile::tempdir().unwrap();
    let shows = Wrong { board: 1.0 / 20e3, ..SOUND };
    let made = job(folder.path(), "alder", &[("as received", "", soak(&SOUND, &shows, Plug::Board))], None);
    let shown = text(&straykey(&["locate", &made]).stdout);
    let head = shown.lines().next().unwrap();
    assert!(head.starts_with("Not yet decided") || head.starts_with("The fault is in"), "{shown}");
    let place = |words: &str| shown.find(words).unwrap_or_else(|| panic!("{words} is not in {shown}"));
    assert!(place("Next test:") < place("    If "), "{shown}");
    assert!(place("    If ") < place("  place"), "{shown}");
    let next = &locate(&made, &[])["next"][0];
    let means = next["means"].as_array().unwrap();
    let sum: f64 = means.iter().map(|one| one["chance"].as_f64().unwrap()).sum();
    assert!((0.9..1.001).contains(&sum), "{next}");
}
