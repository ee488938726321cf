//! Jobs in folders and on media in which nothing can be written.

use std::fs;
use std::os::unix::fs::PermissionsExt;
use std::path::Path;
use std::process::{Command, Output};

use crate::support::program::text;

/// A command to which permissions apply, also when the tests run as root, whom they do not bind.
fn bound(program: &str) -> Command {
    let status = fs::read_to_string("/proc/self/status").unwrap();
    let root =
        status.lines().any(|line| line.starts_with("Uid:") && line.split_whitespace().nth(2) == Some("0"));
    if !root {
        return Command::new(program);
    }
    let mut command = Command::new("setpriv");
    command.args(["--inh-caps=-all", "--ambient-caps=-all", "--bounding-set=-all", program]);
    command
}

fn straykey(arguments: &[&str]) -> Output {
    bound(env!("CARGO_BIN_EXE_straykey"))
        .args(arguments)
        .env_remove("STRAYKEY_PROTOCOLS")
        .env("COLUMNS", "100")
        .output()
        .unwrap()
}

fn permit(folder: &Path, write: bool) {
    for entry in fs::read_dir(folder).unwrap().flatten() {
        if entry.path().is_dir() {
            permit(&entry.path(), write);
        } else {
            fs::set_permissions(entry.path(), fs::Permissions::from_mode(if write { 0o644 } else { 0o444 }))
                .unwrap();
        }
    }
    fs::set_permissions(folder, fs::Permissions::from_mode(if write { 0o755 } else { 0o555 })).unwrap();
}

#[test]
fn a_job_that_cannot_be_written_is_looked_at() {
    let folder = tempfile::tempdir().unwrap();
    drop(crate::timeline::small_job(folder.path()));
    let job = folder.path().join("job");
    let name = job.display().to_string();
    let report = folder.path().join("report.html").display().to_string();
    let asked: [&[&str]; 6] = [
        &["job", "show", &name, "--json"],
        &["locate", &name, "--json"],
        &["compare", &name, "--json"],
        &["patterns", &name, "--json"],
        &["export", &name, "--to", "csv"],
        &["report", &name, "--out", &report],
    ];
    let answers = || {
        asked.map(|arguments| {
            let output = straykey(arguments);
            assert_eq!(output.status.code(), Some(0), "{arguments:?}: {}", text(&output.stderr));
            let told = text(&output.stdout);
            // Its remarks say that it cannot be written.
            serde_json::from_str::<serde_json::Value>(&told).map_or(told, |mut answer| {
                answer["remarks"] = serde_json::Value::Null;
                answer.to_string()
            })
        })
    };
    // Without an index, with one, and with a damaged one.
    let _ = fs::remove_file(job.join("straykey.db"));
    permit(&job, false);
    let probe = bound("touch").arg(job.join("probe")).output().unwrap();
    assert!(!probe.status.success(), "the folder must not be writable for this test to mean anything");
    let without = answers();
    let told = straykey(&["report", &name]);
    assert_eq!(told.status.code(), Some(4), "{}", text(&told.stderr));
    assert!(text(&told.stderr).contains("--out FILE"), "{}", text(&told.stderr));
    assert!(!job.join("straykey.db").exists());
    permit(&job, true);
    let indexed = answers();
    permit(&job, false);
    let with = answers();
    permit(&job, true);
    fs::write(job.join("straykey.db"), "no database at all, and longer than a header ".repeat(200)).unwrap();
    permit(&job, false);
    let damaged = answers();
    permit(&job, true);
    for (other, answers) in [("no index", without), ("an index", with), ("a damaged index", damaged)] {
        assert_eq!(answers, indexed, "{other}");
    }
}
