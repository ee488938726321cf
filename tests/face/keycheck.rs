//! Key checks on invented sets whose truth is known: which key reads as which.
//!
//! Nominal readings by the divider rule, floor(1024 R / (R + 10 000)), by hand: 1 800 ohm 156, 3 900 ohm 287,
//! 7 500 ohm 438, 13 000 ohm 578, 27 000 ohm 747.

use std::io::{BufRead, BufReader};
use std::path::Path;
use std::process::{Command, Stdio};
use std::sync::atomic::{AtomicBool, AtomicU32, Ordering};
use std::time::{Duration, Instant};

use super::program::{straykey, text};
use crate::support::terminal::Terminal;

const IDLE: u32 = 1023;

fn line(ms: u64, counts: u32) -> String {
    format!("[{}.{:03}] keyscan: line=KEY1 adc=0x{counts:03x}\r\n", ms / 1000, ms % 1000)
}

/// A log of 40 s: what the line reads at each time.
fn log(folder: &Path, counts: impl Fn(u64) -> u32) -> String {
    let path = folder.join("check.log");
    let all: String = (0..800).map(|i| line(5_000 + 50 * i, counts(50 * i))).collect();
    std::fs::write(&path, all).unwrap();
    path.to_str().unwrap().to_owned()
}

fn prompts(folder: &Path, list: &[(f64, &str)]) -> String {
    let path = folder.join("prompts.jsonl");
    let all: String = list.iter().map(|(t, key)| format!("{{\"t\": {t}, \"key\": \"{key}\"}}\n")).collect();
    std::fs::write(&path, all).unwrap();
    path.to_str().unwrap().to_owned()
}

fn json(bytes: &[u8]) -> serde_json::Value {
    serde_json::from_slice(bytes).unwrap()
}

const ASKED: [(f64, &str); 3] = [(5.0, "KEY_VOLUMEDOWN"), (10.0, "KEY_VOLUMEUP"), (15.0, "KEY_MENU")];

/// One second of press, one second after each prompt.
fn pressed(t: u64, readings: [u32; 3]) -> u32 {
    [6_000, 11_000, 16_000]
        .iter()
        .zip(readings)
        .find(|(at, _)| (**at..**at + 1_000).contains(&t))
        .map_or(IDLE, |p| p.1)
}

#[test]
fn a_healthy_keypad_passes() {
    let folder = tempfile::tempdir().unwrap();
    let file = log(folder.path(), |t| pressed(t, [156, 287, 747]));
    let prompts = prompts(folder.path(), &ASKED);
    let output =
        straykey(&["keycheck", &file, "--prompts", &prompts, "--chassis", "alder", "--json", "--check"]);
    assert_eq!(output.status.code(), Some(0), "{}{}", text(&output.stdout), text(&output.stderr));
    let result = json(&output.stdout);
    assert_eq!(result["version"], 1);
    let check = &result["checks"][0];
    assert_eq!((&check["right"], &check["wrong"], &check["missing"]), (&3.into(), &0.into(), &0.into()));
    for row in check["lines"][0]["keys"].as_array().unwrap() {
        assert!((row["counts"].as_f64().unwrap() - row["nominal"].as_f64().unwrap()).abs() <= 1.0, "{row}");
    }
}

#[test]
fn a_contact_resistance_is_estimated_and_a_wrong_key_is_found() {
    let folder = tempfile::tempdir().unwrap();
    // 3 900 + 2 000 ohm in the contact: 1024 * 5900 / 15900 = 379.9, beyond the border of 362.5.
    let file = log(folder.path(), |t| pressed(t, [156, 379, 747]));
    let prompts = prompts(folder.path(), &ASKED);
    let command = ["keycheck", &file, "--prompts", &prompts, "--chassis", "alder", "--check"];
    let output = straykey(&[&command[..], &["--json"]].concat());
    assert_eq!(output.status.code(), Some(1), "{}", text(&output.stderr));
    let result = json(&output.stdout);
    let check = &result["checks"][0];
    assert_eq!((&check["right"], &check["wrong"]), (&2.into(), &1.into()));
    let confused =
        check["table"].as_array().unwrap().iter().find(|row| row["asked"] == "KEY_VOLUMEUP").unwrap();
    assert_eq!(confused["seen"], "KEY_CHANNELDOWN");
    let rows = check["lines"][0]["keys"].as_array().unwrap();
    let row = rows.iter().find(|row| row["key"] == "KEY_VOLUMEUP").unwrap();
    // One count is worth 25 ohm here.
    assert!((row["contact_ohm"].as_f64().unwrap() - 2_000.0).abs() < 60.0, "{row}");
    assert!(row["margin"].as_f64().unwrap() < 0.0, "{row}");
    let shown = straykey(&command);
    let shown = text(&shown.stdout);
    assert!(
        shown.contains("Volume up") && shown.contains("Channel down") && shown.contains("contact"),
        "{shown}"
    );
}

#[test]
fn what_answers_no_prompt_is_stray_and_no_verdict_on_its_key() {
    let folder = tempfile::tempdir().unwrap();
    let stray = |t: u64| (30_000..30_500).contains(&t).then_some(578);
    let file = log(folder.path(), |t| stray(t).unwrap_or_else(|| pressed(t, [156, 287, 747])));
    let prompts = prompts(folder.path(), &ASKED);
    let command = ["keycheck", &file, "--prompts", &prompts, "--chassis", "alder", "--check"];
    let output = straykey(&[&command[..], &["--json"]].concat());
    assert_eq!(output.status.code(), Some(1), "{}", text(&output.stderr));
    let result = json(&output.stdout);
    let check = &result["checks"][0];
    assert_eq!(check["right"], 3);
    assert_eq!(check["strays"][0]["key"], "KEY_CHANNELUP", "{}", check["strays"]);
    assert!(text(&straykey(&command).stdout).contains("not taken to be the bad key"));
}

#[test]
fn a_capture_without_prompts_is_refused() {
    let folder = tempfile::tempdir().unwrap();
    let file = log(folder.path(), |_| IDLE);
    let output = straykey(&["keycheck", &file, "--chassis", "alder"]);
    assert_eq!(output.status.code(), Some(2));
    assert!(text(&output.stderr).contains("--prompts"), "{}", text(&output.stderr));
}

#[test]
fn a_live_check_asks_in_turn_keeps_its_prompts_and_finds_swapped_keys() {
    let folder = tempfile::tempdir().unwrap();
    let job = folder.path().join("job");
    let job = job.to_str().unwrap();
    let new = straykey(&["job", "new", job, "--set", "kitchen set", "--chassis", "alder"]);
    assert_eq!(new.status.code(), Some(0), "{}", text(&new.stderr));
    let mut terminal = Terminal::open();
    let port = terminal.path().to_str().unwrap().to_owned();
    let mut child = Command::new(env!("CARGO_BIN_EXE_straykey"))
        .args(["keycheck", job, "--port", &port, "--cautions-read", "--json", "--check", "--seconds", "8"])
        .args(["--keys", "KEY_VOLUMEDOWN,KEY_VOLUMEUP,KEY_MENU"])
        .env_remove("STRAYKEY_PROTOCOLS")
        .stdin(Stdio::null())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    let told = BufReader::new(child.stderr.take().unwrap());
    let (counts, done) = (AtomicU32::new(IDLE), AtomicBool::new(false));
    let mut asked = Vec::new();
    std::thread::scope(|scope| {
        scope.spawn(|| {
            // The set prints by its own clock, whatever straykey does.
            let start = Instant::now();
            while !done.load(Ordering::Relaxed) && start.elapsed() < Duration::from_secs(60) {
                let ms = 5_000 + u64::try_from(start.elapsed().as_millis()).unwrap();
                terminal.print(line(ms, counts.load(Ordering::Relaxed)).as_bytes());
                std::thread::sleep(Duration::from_millis(50));
            }
        });
        for said in told.lines().map_while(Result::ok) {
            let Some(rest) = said.strip_prefix("Press ").filter(|rest| rest.contains("KEY_")) else {
                continue;
            };
            // The wires of volume up and menu are swapped.
            let reads = match rest {
                rest if rest.contains("KEY_VOLUMEDOWN") => 156,
                rest if rest.contains("KEY_VOLUMEUP") => 747,
                _ => 287,
            };
            asked.push(rest.to_owned());
            std::thread::sleep(Duration::from_millis(400));
            counts.store(reads, Ordering::Relaxed);
            std::thread::sleep(Duration::from_millis(500));
            counts.store(IDLE, Ordering::Relaxed);
        }
        done.store(true, Ordering::Relaxed);
    });
    let output = child.wait_with_output().unwrap();
    assert_eq!(output.status.code(), Some(1), "{asked:?} {}", text(&output.stdout));
    assert_eq!(asked.len(), 3, "{asked:?}");
    let live = json(&output.stdout);
    let seen = |key: &str| {
        let table = live["checks"][0]["table"].as_array().unwrap();
        table.iter().find(|row| row["asked"] == key).unwrap()["seen"].clone()
    };
    assert_eq!(seen("KEY_VOLUMEDOWN"), "KEY_VOLUMEDOWN");
    assert_eq!(seen("KEY_VOLUMEUP"), "KEY_MENU");
    assert_eq!(seen("KEY_MENU"), "KEY_VOLUMEUP");
    // The job holds capture and prompts: the same check comes out of it later.
    let again = straykey(&["keycheck", &format!("{job}#1"), "--json", "--check"]);
    assert_eq!(json(&again.stdout), live, "{}", text(&again.stderr));
}

/// Volume up is asked for eight times: before the step Menu comes in six of them, after it none.
#[test]
fn two_stages_are_compared_by_what_came_for_what() {
    let folder = tempfile::tempdir().unwrap();
    let name = |file: &str| folder.path().join(file).to_str().unwrap().to_owned();
    let asked: String =
        (0..8).map(|i| format!("{{\"t\": {}, \"key\": \"KEY_VOLUMEUP\"}}\n", 4 * i)).collect();
    std::fs::write(name("prompts.jsonl"), asked).unwrap();
    for (file, wrong) in [("before", 6), ("after", 0)] {
        let counts = |ms: u64| {
            let turn = ms / 4_000;
            let reads = if turn < wrong { 747 } else { 287 };
            if turn < 8 && (1_000..2_000).contains(&(ms % 4_000)) { reads } else { IDLE }
        };
        let text: String = (0..800).map(|i| line(5_000 + 50 * i, counts(50 * i))).collect();
        std::fs::write(name(&format!("{file}.log")), text).unwrap();
    }
    let capture = |file: &str| {
        format!("[[stage.capture]]\nfile = \"{file}.log\"\nhands = \"on\"\nprompts = \"prompts.jsonl\"\n")
    };
    let manifest = format!(
        "set = \"hall set\"\nchassis = \"alder\"\n[[stage]]\nstep = \"as received\"\n{}[[stage]]\nstep = \"key board \
         cleaned\"\nkind = \"repair\"\n{}",
        capture("before"),
        capture("after")
    );
    std::fs::write(name("job.toml"), manifest).unwrap();
    let built = straykey(&["job", "build", &name("job.toml"), "--out", &name("job")]);
    assert_eq!(built.status.code(), Some(0), "{}", text(&built.stderr));
    let (one, two) = (name("job#1"), name("job#2"));
    let found = json(&straykey(&["compare", &one, &two, "--json"]).stdout);
    let checks = &found["key_checks"];
    assert_eq!(checks["verdict"], "gone", "{found}");
    let key = &checks["keys"][0];
    assert_eq!((&key["misread_before"], &key["misread_after"]), (&6.into(), &0.into()), "{checks}");
    // SciPy 1.17.1: boschloo_exact([[6, 0], [2, 8]], alternative="greater").pvalue = 0.0011138916.
    assert!((checks["chance"].as_f64().unwrap() - 0.001_113_891_6).abs() < 1e-8, "{checks}");
    let said = text(&straykey(&["compare", &one, &two]).stdout);
    assert!(said.contains("6 of 8 presses misread before, 0 of 8 after"), "{said}");
    let rows: Vec<Vec<&str>> = said.lines().map(|line| line.split_whitespace().collect()).collect();
    for row in
        [["Volume", "up", "Volume", "up", "2", "8"].to_vec(), ["Volume", "up", "Menu", "6", "0"].to_vec()]
    {
        assert!(rows.contains(&row), "{row:?}: {said}");
    }
}
