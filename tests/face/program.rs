//! Exit statuses, messages and JSON of the program, run as a user runs it.

use std::fs;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

pub(crate) use crate::support::program::{refused, sample, straykey, text};

/// A file with these bytes in a folder of its own.
fn file(name: &str, bytes: &[u8]) -> (tempfile::TempDir, PathBuf) {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join(name);
    fs::write(&path, bytes).unwrap();
    (folder, path)
}

#[test]
fn every_command_shows_help_with_an_example() {
    let all = text(&straykey(&["--help"]).stdout);
    let commands: Vec<&str> = all
        .lines()
        .skip_while(|line| !line.starts_with("Commands:"))
        .skip(1)
        .take_while(|line| !line.trim().is_empty())
        .filter_map(|line| line.split_whitespace().next())
        .filter(|word| *word != "help")
        .collect();
    assert!(commands.len() >= 12, "{commands:?}");
    for command in commands {
        let mut asked = vec![vec![command, "--help"]];
        if command == "job" {
            asked = ["new", "build", "close", "pack", "open", "show"]
                .map(|sub| vec!["job", sub, "--help"])
                .to_vec();
        } else if command == "protocol" {
            asked = ["check", "list", "show", "schema"].map(|sub| vec!["protocol", sub, "--help"]).to_vec();
        }
        for arguments in asked {
            let help = text(&straykey(&arguments).stdout);
            assert!(help.contains("Example"), "{arguments:?}: {help}");
            assert!(help.contains("straykey "), "{arguments:?}");
        }
    }
    assert!(all.contains("Exit status"));
}

#[test]
fn wrong_use_is_2_bad_input_is_3_the_machine_is_4() {
    refused(&["decode"], 2, &["FILE"]);
    refused(&["decode", "/nowhere/at/all.log"], 3, &["/nowhere/at/all.log"]);
    refused(&["watch", "--port", "/dev/straykey-nowhere", "--cautions-read"], 4, &["/dev/straykey-nowhere"]);
    let log = sample("alder/plain-lf.log");
    refused(&["decode", &log, "--chassis", "aldre"], 2, &["aldre", "alder"]);
    refused(&["decode", &sample("logic/port-and-receiver.csv")], 2, &["--wire", "A, B"]);
    refused(&["decode", &sample("logic/port-and-receiver.csv"), "--wire", "CH9=uart"], 2, &["CH9"]);
    refused(
        &["decode", &sample("logic/port-and-receiver.csv"), "--wire", "A=morse"],
        2,
        &["morse", "infrared"],
    );
    refused(&["decode", &sample("logic/port-without-clock.csv"), "--wire", "RX=uart"], 3, &["--sample-rate"]);
}

#[test]
fn binary_garbage_is_no_log_of_any_chassis() {
    let mut garbage = Vec::new();
    let mut x = 1u32;
    while garbage.len() < 100_000 {
        x = x.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        garbage.extend_from_slice(&x.to_le_bytes());
    }
    let (_folder, path) = file("garbage.log", &garbage);
    refused(&["decode", path.to_str().unwrap()], 3, &["garbage.log", "no known chassis", "--chassis"]);
    // With a chassis named it decodes to whatever it holds, which is nothing.
    let output = straykey(&["decode", path.to_str().unwrap(), "--chassis", "alder", "--json"]);
    assert_eq!(output.status.code(), Some(0));
    assert!(text(&output.stderr).contains("does not look like text"), "{}", text(&output.stderr));
}

#[test]
fn a_gigabyte_without_a_line_end_needs_little_memory() {
    let mut child = Command::new(env!("CARGO_BIN_EXE_straykey"))
        .args(["decode", "-", "--chassis", "alder", "--json"])
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::null())
        .spawn()
        .unwrap();
    let mut stdin = child.stdin.take().unwrap();
    let block = vec![b'x'; 1 << 20];
    for _ in 0..1024 {
        stdin.write_all(&block).unwrap();
    }
    let status = fs::read_to_string(format!("/proc/{}/status", child.id())).unwrap();
    let peak: u64 = status
        .lines()
        .find_map(|line| line.strip_prefix("VmHWM:"))
        .and_then(|rest| rest.split_whitespace().next())
        .and_then(|kib| kib.parse().ok())
        .unwrap();
    drop(stdin);
    let output = child.wait_with_output().unwrap();
    assert_eq!(output.status.code(), Some(0));
    assert!(text(&output.stdout).contains("\"kind\":\"noise\""), "{}", text(&output.stdout));
    assert!(peak < 64 << 10, "{peak} KiB");
}

#[test]
fn a_table_that_is_wrong_is_shown_at_its_line() {
    let uart = ["--wire", "CH0=uart@9600", "--chassis", "birch"];
    for (rows, words) in [
        ("Time [s],CH0\n0,1\n1,0\n2,1,1\n3,0\n", ":4"),
        ("Time [s],CH0\n0,1\n2,0\n1,1\n3,0\n", ":4"),
        ("Time [s],CH0\n0,1\nx,0\n1,1\n3,0\n", ":3"),
    ] {
        let (_folder, path) = file("table.csv", rows.as_bytes());
        let mut arguments = vec!["decode", path.to_str().unwrap()];
        arguments.extend(uart);
        refused(&arguments, 3, &["table.csv", words]);
    }
}

#[test]
fn a_mistake_in_a_protocol_file_is_shown_with_place_and_remedy() {
    let alder =
        fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join("protocols/chassis/alder.toml"))
            .unwrap();
    let broken = alder.replace("{counts:hex}", "{counts:hexx}");
    assert_ne!(alder, broken);
    let line = broken.lines().position(|line| line.contains("hexx")).unwrap() + 1;
    let (_folder, path) = file("alder.toml", broken.as_bytes());
    let output = straykey(&["protocol", "check", path.to_str().unwrap()]);
    assert_eq!(output.status.code(), Some(3));
    let told = text(&output.stdout) + text(&output.stderr).as_str();
    assert!(told.contains(&format!("alder.toml:{line}:")), "{told}");
    assert!(told.contains("hexx") && told.contains("hex"), "{told}");
    // The same folder as the user's own: nothing is decoded with a broken file.
    let folder = path.parent().unwrap().to_str().unwrap();
    refused(&["protocol", "list", "--protocols", folder], 3, &["hexx"]);
}

#[test]
fn all_shipped_protocol_files_are_right() {
    let output = straykey(&["protocol", "check", "--json"]);
    assert_eq!(output.status.code(), Some(0), "{}", text(&output.stderr));
    let result: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    assert_eq!(result["mistakes"], 0);
    let files = result["files"].as_array().unwrap();
    assert!(files.len() >= 10, "{} files", files.len());
    for file in files.iter().filter(|file| file["file"].as_str().unwrap().contains("chassis/")) {
        assert!(file["examples"].as_u64().unwrap() >= 3, "{file}");
    }
}

#[test]
fn the_chassis_is_recognised_and_the_choice_is_shown() {
    for (log, name) in [
        ("alder/plain-lf.log", "alder"),
        ("birch/plain-lf.log", "birch"),
        ("rowan/numbers.log", "rowan"),
        ("linux-input/evtest.log", "linux-input"),
        ("linux-input/getevent.log", "linux-input"),
    ] {
        let output = straykey(&["decode", &sample(log), "--json"]);
        let told = text(&output.stderr);
        assert_eq!(output.status.code(), Some(0), "{told}");
        assert!(told.contains(&format!("chassis {name} recognised (score ")), "{log}: {told}");
    }
}

#[test]
fn results_for_programs_have_the_agreed_fields() {
    let log = sample("birch/plain-lf.log");
    let patterns: serde_json::Value =
        serde_json::from_slice(&straykey(&["patterns", &log, "--json"]).stdout).unwrap();
    assert_eq!(patterns["version"], 1);
    for field in ["span_s", "strays", "unexplained", "patterns"] {
        assert!(!patterns[field].is_null(), "{field}");
    }
    let comparison: serde_json::Value =
        serde_json::from_slice(&straykey(&["compare", &log, &log, "--json"]).stdout).unwrap();
    assert_eq!(comparison["version"], 1);
    for field in ["before", "after", "ratio", "chance_same", "quiet_anyway", "verdict", "method", "notes"] {
        assert!(!comparison[field].is_null(), "{field}: {comparison}");
    }
    for field in ["span_s", "strays", "episodes", "per_min", "per_min_low", "per_min_high"] {
        assert!(comparison["before"][field].is_number(), "{field}");
    }
    let ports: serde_json::Value = serde_json::from_slice(&straykey(&["ports", "--json"]).stdout).unwrap();
    assert!(ports["ports"].is_array());
}

#[test]
fn check_turns_strays_into_status_1() {
    let log = sample("alder/plain-lf.log");
    assert_eq!(straykey(&["patterns", &log]).status.code(), Some(0));
    assert_eq!(straykey(&["patterns", &log, "--check"]).status.code(), Some(1));
    assert_eq!(straykey(&["compare", &log, &log, "--check"]).status.code(), Some(1));
    assert_eq!(straykey(&["decode", &log, "--check"]).status.code(), Some(1));
}

#[test]
fn a_closed_pipe_is_no_failure() {
    let mut child = Command::new(env!("CARGO_BIN_EXE_straykey"))
        .args(["decode", &sample("alder/plain-lf.log"), &sample("alder/plain-lf.log")])
        .stdout(Stdio::piped())
        .stderr(Stdio::null())
        .spawn()
        .unwrap();
    drop(child.stdout.take());
    assert_eq!(child.wait().unwrap().code(), Some(0));
}

#[test]
fn hostile_text_of_a_set_does_not_reach_the_terminal() {
    let line = "[1.000] osd: set item=vol\u{1b}[2Jume value=\u{1b}]0;owned\u{7}\n".repeat(8);
    let (_folder, path) = file("hostile.log", line.as_bytes());
    let output = straykey(&["decode", path.to_str().unwrap(), "--chassis", "alder"]);
    assert!(!output.stdout.contains(&0x1b) && !output.stdout.contains(&7), "{}", text(&output.stdout));
    assert!(!text(&output.stdout).is_empty());
}

/// Lines in the shape of `getevent -lt` (its public source): one key every `period` seconds for `span` seconds.
fn getevent(period: u32, span: u32) -> String {
    let line = |t: f64, code: &str, value: &str| format!("[{t:15.6}] EV_KEY       {code:<20} {value:<20}\n");
    let scan = |t: f64| format!("[{t:15.6}] EV_MSC       MSC_SCAN             00000001            \n");
    let mut text = scan(100.0);
    for t in (0..span).step_by(period.max(1) as usize).filter(|_| period > 0) {
        let t = 100.0 + f64::from(t);
        text += &line(t, "KEY_VOLUMEDOWN", "DOWN");
        text += &line(t + 0.08, "KEY_VOLUMEDOWN", "UP");
    }
    text + scan(100.0 + f64::from(span)).as_str()
}

#[test]
fn a_quiet_log_too_short_to_be_recognised_is_read_like_the_other_one() {
    let (_one, before) = file("before.log", getevent(10, 300).as_bytes());
    let (_two, after) = file("after.log", getevent(0, 300).as_bytes());
    let (_three, short) = file("short.log", getevent(0, 3).as_bytes());
    let result = |after: &Path| {
        let output = straykey(&["compare", before.to_str().unwrap(), after.to_str().unwrap(), "--json"]);
        assert_eq!(output.status.code(), Some(0), "{}", text(&output.stderr));
        serde_json::from_slice::<serde_json::Value>(&output.stdout).unwrap()
    };
    // Such a log says nothing while no key is pressed: without a sign of life its quiet proves nothing.
    for after in [&after, &short] {
        let found = result(after);
        assert_eq!((&found["verdict"], &found["paths"][0]["observed_s"]), (&"undecided".into(), &0.0.into()));
        assert!(found["notes"][0].as_str().unwrap().contains("would have been seen"), "{}", found["notes"]);
    }
}

#[test]
fn a_set_whose_readings_cannot_be_read_is_not_quiet() {
    let line = |t: u32, counts: u32| format!("[{t}.000] keyscan: line=KEY1 adc=0x{counts:03x}\n");
    let before: String = (1..400).map(|t| line(t, if t % 10 < 2 { 0x2eb } else { 0x3ff })).collect();
    // The wrong rate: as many bytes, not one line of them readable.
    let after: String =
        (1..400).map(|t| format!("[{t}.000] ke~scan: l|ne=KEY1 \u{fffd}dc=0x3ff\n")).collect();
    let (_one, before) = file("before.log", before.as_bytes());
    let (_two, after) = file("after.log", after.as_bytes());
    let output = straykey(&[
        "compare",
        before.to_str().unwrap(),
        after.to_str().unwrap(),
        "--chassis",
        "alder",
        "--json",
    ]);
    let result: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    assert!(result["before"]["strays"].as_u64().unwrap() > 30, "{result}");
    assert_eq!(result["verdict"], "undecided", "{result}");
    let notes = result["notes"].to_string();
    assert!(notes.contains("could not be read") && !notes.contains("Hands were on"), "{notes}");
}

#[test]
fn what_a_ladder_bears_is_shown_for_people_and_programs() {
    let shown = straykey(&["protocol", "show", "alder", "--json"]);
    let json: serde_json::Value = serde_json::from_slice(&shown.stdout).unwrap();
    let limits = &json["lines"][0]["limits"];
    let keys: Vec<_> = limits["leak_walk"].as_array().unwrap().iter().map(|s| s["key"].clone()).collect();
    // The order is that of the resistors: 27, 13, 7.5, 3.9, 1.8 kΩ and none.
    let order =
        ["KEY_MENU", "KEY_CHANNELUP", "KEY_CHANNELDOWN", "KEY_VOLUMEUP", "KEY_VOLUMEDOWN", "KEY_POWER"];
    assert_eq!(keys[0], serde_json::Value::Null);
    assert_eq!(keys[1..], order);
    // 10 kΩ beside a leak reads 885 of 1024 at 63.7 kΩ.
    let menu = limits["windows"].as_array().unwrap().last().unwrap()["leak_to_ground"].clone();
    assert!((menu["at"].as_f64().unwrap() / (10_000.0 * 885.0 / 139.0) - 1.0).abs() < 1e-5, "{menu}");
    assert_eq!(menu["then"], "KEY_MENU");
    let people = text(&straykey(&["protocol", "show", "alder"]).stdout);
    assert!(people.contains("G  1023–1023     138     none  63.7 kΩ: F"), "{people}");
}

/// What a comparison of two files remarks of the pair, on standard error.
fn doubts(before: &Path, after: &Path) -> String {
    let told = straykey(&["compare", before.to_str().unwrap(), after.to_str().unwrap()]);
    text(&told.stderr).lines().filter(|line| line.starts_with("Attention")).collect::<Vec<_>>().join("\n")
}

#[test]
fn a_wrong_pair_of_files_is_remarked() {
    let log = |day: u32| {
        let line = |s: u32| {
            format!(
                "2026-11-{day:02}T10:{:02}:{:02}Z [{s}.000] keyscan: line=KEY1 adc=0x3ff\n",
                s / 60,
                s % 60
            )
        };
        (1..600).map(line).collect::<String>()
    };
    let (_kept, monday) = file("monday.log", log(2).as_bytes());
    let (_kept_too, tuesday) = file("tuesday.log", log(3).as_bytes());
    assert_eq!(doubts(&monday, &tuesday), "");
    assert!(doubts(&tuesday, &monday).contains("in the right order"));
    assert!(doubts(&monday, &monday).contains("the same file"));
    let other = PathBuf::from(sample("birch/plain-lf.log"));
    assert!(doubts(&monday, &other).contains("of the chassis alder, the second of birch"));
    // What is missing is said before the other side is read.
    let (_also, broken) = file("broken.log", b"\0\0\0\0");
    refused(&["compare", broken.to_str().unwrap(), "/nowhere.log"], 3, &["no such file", "/nowhere.log"]);
}

#[test]
fn a_part_that_is_none_is_refused_with_the_list() {
    let folder = tempfile::tempdir().unwrap();
    drop(crate::timeline::small_job(folder.path()));
    let job = folder.path().join("job").display().to_string();
    let step = |part: &str| straykey(&["step", &job, "cleaned", "--kind", "repair", "--part", part]);
    let told = step("keybord");
    assert_eq!(told.status.code(), Some(2));
    let said = text(&told.stderr);
    assert!(straykey::timeline::job::PARTS.iter().all(|part| said.contains(part)), "{said}");
    assert_eq!(step("other:speaker").status.code(), Some(0));
    // The page offers the same parts by the same names, and the help lists them.
    let help = text(&straykey(&["step", "--help"]).stdout);
    let page =
        fs::read_to_string(concat!(env!("CARGO_MANIFEST_DIR"), "/src/face/http/page/words.js")).unwrap();
    let list = page.split_once("parts: [").unwrap().1.split_once(']').unwrap().0;
    let listed: Vec<&str> = list.split(',').map(|part| part.trim().trim_matches('"')).collect();
    assert_eq!(listed, straykey::timeline::job::PARTS);
    assert!(listed.iter().all(|part| help.contains(part)), "{help}");
}

#[test]
fn the_special_words_are_explained() {
    for arguments in [&["help", "words"][..], &["words"]] {
        let said = text(&straykey(arguments).stdout).split_whitespace().collect::<Vec<_>>().join(" ");
        assert!(said.contains("stray: An input that the set takes for a key press"), "{said}");
    }
}

#[test]
fn shells_and_the_manual_know_every_command() {
    for shell in ["bash", "elvish", "fish", "powershell", "zsh"] {
        let script = text(&straykey(&["completions", shell]).stdout);
        assert!(script.contains("straykey") && script.contains("soak"), "{shell}: {script}");
    }
    let folder = tempfile::tempdir().unwrap();
    let to = folder.path().join("man1");
    assert_eq!(straykey(&["man", to.to_str().unwrap()]).status.code(), Some(0));
    for page in ["straykey.1", "straykey-soak.1", "straykey-job-pack.1"] {
        let text = fs::read_to_string(to.join(page)).unwrap();
        assert!(text.starts_with(".ie") && text.contains(".SH NAME"), "{page}: {text}");
    }
}

/// What an unknown set prints can be read, from a log or a wire, and nothing in it acts on the terminal.
#[test]
fn the_text_of_any_set_is_shown() {
    let folder = tempfile::tempdir().unwrap();
    let log = folder.path().join("any.log");
    std::fs::write(&log, b"boot \x1b[2J ok\r\nadc 85\n").unwrap();
    let output = straykey(&["decode", log.to_str().unwrap(), "--text"]);
    let shown = text(&output.stdout);
    assert_eq!(output.status.code(), Some(0), "{}", text(&output.stderr));
    assert!(shown.contains("text = boot \\x1b[2J ok") && shown.contains("text = adc 85"), "{shown}");
    let wire =
        straykey(&["decode", &sample("logic/port-and-receiver.csv"), "--wire", "A=uart@9600", "--text"]);
    let shown = text(&wire.stdout);
    assert!(shown.lines().filter(|line| line.contains("text = [")).count() > 10, "{shown}");
    refused(&["decode", log.to_str().unwrap(), "--text", "--chassis", "alder"], 2, &["--text"]);
}
