//! Menu lines that the set does not print any more after the step, while its keypad readings go on.

use std::fmt::Write as _;

use serde_json::Value;

use super::{REST, alder, line, not_gone_on, reasons, run, says};

/// Readings of both lines for so many seconds, and where `strays` the set changes its brightness by itself each 1.5 s.
fn log(seconds: u64, strays: bool) -> String {
    let mut log = String::new();
    for ms in (1000..1000 + 1000 * seconds).step_by(50) {
        log.push_str(&line(ms, "KEY1", REST));
        log.push_str(&line(ms, "KEY2", REST));
        if strays && ms % 1500 == 0 {
            let _ = write!(
                log,
                "[{}.{:03}] osd: set item=brightness value={}\r\n",
                ms / 1000,
                ms % 1000,
                ms % 97
            );
        }
    }
    log
}

fn job(before: &str, after: &str) -> (tempfile::TempDir, std::path::PathBuf) {
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("before.log"), before).unwrap();
    std::fs::write(folder.path().join("after.log"), after).unwrap();
    let manifest = "set = \"hall set\"\nchassis = \"alder\"\n[[stage]]\nstep = \"as received\"\n\
                    [[stage.capture]]\nfile = \"before.log\"\nhands = \"off\"\n[[stage]]\nstep = \"new firmware\"\n\
                    kind = \"repair\"\nparts = [\"main-board\"]\n[[stage.capture]]\nfile = \"after.log\"\nhands = \"off\"\n";
    std::fs::write(folder.path().join("job.toml"), manifest).unwrap();
    let job = folder.path().join("job");
    let manifest = folder.path().join("job.toml");
    run(&["job", "build", manifest.to_str().unwrap(), "--out", job.to_str().unwrap()]);
    (folder, job)
}

#[test]
fn menu_lines_are_not_printed_while_readings_go_on() {
    let (_folder, job) = job(&log(120, true), &log(600, false));
    let own = not_gone_on(&job, "menu", None);
    // A quiet menu of a set that prints none of its changes was not met at all.
    assert_eq!(own["observed_s"], 0.0, "{own}");
    let shown = super::json(&["job", "show", job.to_str().unwrap(), "--json"]);
    let compared = &shown["stages"][1]["comparison"]["paths"];
    let menu = compared.as_array().unwrap().iter().find(|path| path["path"] == "menu").unwrap();
    assert_eq!(
        (&menu["observed_s"], &menu["verdict"]),
        (&Value::from(0.0), &Value::from("undecided")),
        "{menu}"
    );
    assert_eq!(reasons(menu), ["no_sign"], "{menu}");
    let keypad = shown["stages"][1]["paths"].as_array().unwrap().iter().find(|path| path["line"] == "KEY1");
    assert!(keypad.unwrap()["observed_s"].as_f64().unwrap() > 599.0, "{keypad:?}");
    says(&job, "nothing showed that a stray would have been seen");
}

/// Strays on the keypad too: its readings prove it quiet, and the set is still not gone.
#[test]
fn a_quiet_keypad_does_not_vouch_for_the_menu() {
    let menu: String = log(120, true)
        .lines()
        .filter(|line| !line.contains("line=KEY1"))
        .map(|line| format!("{line}\r\n"))
        .collect();
    let before = menu + alder(121_000, 241_000, true).as_str();
    let (_folder, job) = job(&before, &log(600, false));
    not_gone_on(&job, "menu", None);
    let shown = super::json(&["job", "show", job.to_str().unwrap(), "--json"]);
    let paths = shown["stages"][1]["comparison"]["paths"].as_array().unwrap().clone();
    let of = |name: &str| paths.iter().find(|path| path["path"] == name).unwrap()["verdict"].clone();
    assert_eq!((of("keypad"), of("menu")), (Value::from("gone"), Value::from("undecided")), "{paths:?}");
    assert_eq!(shown["verdict"], "reduced", "gone on one path, unknown on the other");
}
