//! `protocol check --watch` as a process of its own, into a pipe and onto a terminal; `--capture`.

use std::fs;
use std::io::{BufRead, BufReader, Read};
use std::os::fd::OwnedFd;
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::sync::mpsc::{Receiver, channel};
use std::time::{Duration, Instant};

use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};

/// A chassis file whose one record means `KEY_MENU` or another key.
fn file(key: &str) -> String {
    format!(
        "[chassis]\nname = \"elm\"\nversion = 1\nabout = \"invented\"\nsource = \"invented\"\n\n\
         [text]\nprefixes = [\"[{{uptime:seconds}}] \"]\n\n[[record]]\nshape = \"keyp {{key:word}} down\"\n\
         event = \"press\"\n\n[keys]\nM = \"{key}\"\n\n[repeat]\ndelay_s = 0.3\nperiod_s = 0.1\n\n\
         [[example]]\ninput = \"[1.0] keyp M down\"\nevents = [{{ path = \"keypad\", kind = \"press\" }}]\n"
    )
}

fn watching(folder: &Path, stdout: Stdio, more: &[&str]) -> Child {
    Command::new(env!("CARGO_BIN_EXE_straykey"))
        .args(["protocol", "check", "elm.toml", "--watch"])
        .args(more)
        .current_dir(folder)
        .env_remove("STRAYKEY_PROTOCOLS")
        .env_remove("NO_COLOR")
        .env("TERM", "xterm")
        .stdin(Stdio::null())
        .stdout(stdout)
        .stderr(Stdio::piped())
        .spawn()
        .unwrap()
}

/// Lines as they come, from a thread of their own.
fn lines(from: impl Read + Send + 'static) -> Receiver<String> {
    let (give, take) = channel();
    std::thread::spawn(move || {
        for line in BufReader::new(from).lines().map_while(Result::ok) {
            if give.send(line).is_err() {
                return;
            }
        }
    });
    take
}

/// The lines up to the one that holds `word`.
#[track_caller]
fn until(lines: &Receiver<String>, word: &str) -> Vec<String> {
    let end = Instant::now() + Duration::from_secs(60);
    let mut seen = Vec::new();
    loop {
        let left = end.saturating_duration_since(Instant::now());
        match lines.recv_timeout(left) {
            Ok(line) => {
                let found = line.contains(word);
                seen.push(line);
                if found {
                    return seen;
                }
            }
            Err(error) => panic!("no line with {word:?} came ({error}); came: {seen:#?}"),
        }
    }
}

/// Ctrl-C, as the terminal gives it to a program.
#[track_caller]
fn interrupt(mut child: Child) {
    let sent = Command::new("kill").args(["-INT", &child.id().to_string()]).status().unwrap();
    assert!(sent.success());
    assert_eq!(child.wait().unwrap().code(), Some(0));
}

/// Saves as many editors do: beside the file, then renamed.
fn save(folder: &Path, text: &str) {
    fs::write(folder.join("elm.toml~"), text).unwrap();
    fs::rename(folder.join("elm.toml~"), folder.join("elm.toml")).unwrap();
}

const LOG: &str =
    "[2.0] keyp M down\n[2.1] net: up in 12 ms\n[2.2] net: up in 15 ms\n[2.3] keyp\n[2.4] osd: shown\n";

#[test]
fn every_save_is_checked_and_what_changed_in_the_events_is_shown() {
    let folder = tempfile::tempdir().unwrap();
    let at = folder.path();
    fs::write(at.join("bench.log"), LOG).unwrap();
    save(at, &file("KEY_MENU"));
    let mut child = watching(at, Stdio::piped(), &["--capture", "bench.log"]);
    let out = lines(child.stdout.take().unwrap());
    let said = lines(child.stderr.take().unwrap());
    until(&out, "elm.toml: 1 of 1 examples right");
    until(&out, "3 events");
    save(at, &file("KEY_POWER"));
    let shown = until(&out, "+ bench.log");
    let changes: Vec<&str> =
        shown.iter().map(|line| line.trim_start()).filter(|line| line.starts_with(['-', '+'])).collect();
    assert_eq!(
        changes,
        [
            "- example 1  0.000 s  keypad    press    Menu",
            "- bench.log  0.000 s  keypad    press    Menu",
            "+ example 1  0.000 s  keypad    press    Power",
            "+ bench.log  0.000 s  keypad    press    Power",
        ]
    );
    // A mistake is told with its place and ends nothing; nor does a file that is away for a moment.
    save(at, &file("KEY_POWR"));
    until(&out, "KEY_POWR");
    until(&out, "cannot be used as it is");
    fs::remove_file(at.join("elm.toml")).unwrap();
    until(&said, "cannot read the protocol file");
    // The comparison is with the last version that could be used.
    save(at, &file("KEY_POWER"));
    until(&out, "the same as before");
    // Written in place within one tick of the clock, at the same length.
    fs::write(at.join("elm.toml"), file("KEY_VIDEO")).unwrap();
    until(&out, "+ bench.log");
    interrupt(child);
}

#[test]
fn on_a_terminal_the_same_is_shown_and_signs_stand_beside_the_colours() {
    let folder = tempfile::tempdir().unwrap();
    let at = folder.path();
    save(at, &file("KEY_MENU"));
    let screen: OwnedFd = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY | OpenptFlags::CLOEXEC).unwrap();
    grantpt(&screen).unwrap();
    unlockpt(&screen).unwrap();
    let name = ptsname(&screen, Vec::new()).unwrap();
    let terminal = fs::OpenOptions::new().read(true).write(true).open(name.to_str().unwrap()).unwrap();
    let child = watching(at, terminal.into(), &[]);
    let out = lines(fs::File::from(screen));
    until(&out, "1 event");
    save(at, &file("KEY_POWER"));
    let shown = until(&out, "+ example 1");
    let change = shown.last().unwrap();
    assert!(change.contains('\u{1b}') && change.contains("Power"), "{change:?}");
    interrupt(child);
}

#[test]
fn programs_get_one_object_a_run() {
    let folder = tempfile::tempdir().unwrap();
    let at = folder.path();
    save(at, &file("KEY_MENU"));
    let mut child = watching(at, Stdio::piped(), &["--json"]);
    let out = lines(child.stdout.take().unwrap());
    let first: serde_json::Value = serde_json::from_str(&out.recv().unwrap()).unwrap();
    assert_eq!(
        (&first["version"], &first["events"], first["changes"].is_null()),
        (&1.into(), &1.into(), true)
    );
    save(at, &file("KEY_POWER"));
    let second: serde_json::Value = serde_json::from_str(&out.recv().unwrap()).unwrap();
    let changes = second["changes"].as_array().unwrap();
    assert_eq!(changes.len(), 2);
    assert_eq!((&changes[0]["change"], &changes[0]["event"]["key"]), (&"went".into(), &"KEY_MENU".into()));
    assert_eq!((&changes[1]["change"], &changes[1]["event"]["key"]), (&"came".into(), &"KEY_POWER".into()));
    interrupt(child);
}

#[test]
fn what_nothing_decodes_is_listed_by_shape_most_frequent_first() {
    let folder = tempfile::tempdir().unwrap();
    let at = folder.path();
    fs::write(at.join("bench.log"), LOG).unwrap();
    fs::write(at.join("table.csv"), "Time [s],CH0\n0.1,1\n0.2,0\n").unwrap();
    save(at, &file("KEY_MENU"));
    let run = |arguments: &[&str]| {
        Command::new(env!("CARGO_BIN_EXE_straykey"))
            .args(["protocol", "check"])
            .args(arguments)
            .current_dir(at)
            .output()
            .unwrap()
    };
    let output = run(&["elm.toml", "--capture", "bench.log", "--json"]);
    assert!(output.status.success());
    let result: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    let covered = &result["coverage"][0];
    // By hand: five lines, of which one is a record, one begins like one, three are of something else.
    assert_eq!(
        (
            &covered["records"],
            &covered["decoded"],
            &covered["damaged"],
            &covered["not_mine"],
            &covered["share"]
        ),
        (&5.into(), &1.into(), &1.into(), &3.into(), &0.2.into())
    );
    let foreign = covered["foreign"].as_array().unwrap();
    assert_eq!(foreign.len(), 2);
    assert_eq!(
        (&foreign[0]["shape"], &foreign[0]["lines"], &foreign[0]["example"]),
        (&"net: up in {_a:integer} ms".into(), &2.into(), &"net: up in 12 ms".into())
    );
    assert_eq!((&foreign[1]["shape"], &foreign[1]["lines"]), (&"osd: shown".into(), &1.into()));
    assert_eq!(covered["broken"][0]["example"], "keyp");
    // The shape can be written into the file as it is.
    let more = "\n[[record]]\nshape = \"net: up in {_a:integer} ms\"\nevent = \"ignore\"\n";
    save(at, &(file("KEY_MENU") + more));
    let text = run(&["elm.toml", "--capture", "bench.log"]);
    let text = String::from_utf8_lossy(&text.stdout).into_owned();
    assert!(text.contains("5 lines, 3 decoded (60.0 %), 1 damaged, 1 of something else"), "{text}");
    for (arguments, status) in [
        (["elm.toml", "--capture", "table.csv"].as_slice(), 3),
        (&["elm.toml", "--capture", "missing.log"], 3),
        (&["elm.toml", "elm.toml", "--capture", "bench.log"], 2),
        (&["--capture", "bench.log"], 2),
        (&["--watch"], 2),
    ] {
        assert_eq!(run(arguments).status.code(), Some(status), "{arguments:?}");
    }
}
