//! Tables and dumps of a receiver or a keypad line that could not have shown a stray.

use std::fmt::Write as _;
use std::path::{Path, PathBuf};

use serde_json::Value;

use crate::support::nec::frame;

use super::{not_gone_on, reasons, run, says};

/// A receiver's output, idle high, with a frame each second and a half while `strays`; one row a change.
fn receiver(seconds: u64, strays: bool) -> String {
    let mut table = "time_us\tIR\n0\t1\n".to_owned();
    if strays {
        for second in 0..2 * seconds / 3 {
            for (place, edge) in frame(1_500_000 * second + 200_000).iter().enumerate() {
                let _ = writeln!(table, "{edge}\t{}", place % 2);
            }
        }
    }
    let _ = writeln!(table, "{}\t1", 1_000_000 * seconds);
    table
}

/// The same sampled so often.
fn sampled(seconds: u64, step_us: u64, header: &str, unit: f64) -> String {
    let edges: Vec<u64> = (0..2 * seconds / 3).flat_map(|s| frame(1_500_000 * s + 200_000)).collect();
    let mut table = format!("{header},IR\n");
    let mut passed = 0;
    for t in (0..1_000_000 * seconds).step_by(step_us as usize) {
        while edges.get(passed).is_some_and(|edge| *edge <= t) {
            passed += 1;
        }
        let _ = writeln!(table, "{},{}", t as f64 * unit, (passed + 1) % 2);
    }
    table
}

/// A job of two captures of a receiver: full of strays, and one that is believed to be quiet.
fn job(folder: &Path, name: &str, after: &str) -> PathBuf {
    std::fs::write(folder.join("before.tsv"), receiver(120, true)).unwrap();
    std::fs::write(folder.join(name), after).unwrap();
    let capture = |file: &str| {
        format!("[[stage.capture]]\nfile = \"{file}\"\nhands = \"off\"\nwire = {{ IR = \"infrared\" }}\n")
    };
    let manifest = format!(
        "set = \"hall set\"\n[[stage]]\nstep = \"as received\"\n{}[[stage]]\nstep = \"receiver replaced\"\n\
         kind = \"repair\"\nparts = [\"ir-receiver\"]\n{}",
        capture("before.tsv"),
        capture(name)
    );
    std::fs::write(folder.join("job.toml"), manifest).unwrap();
    let job = folder.join("job");
    run(&["job", "build", folder.join("job.toml").to_str().unwrap(), "--out", job.to_str().unwrap()]);
    job
}

fn infrared(name: &str, after: &str, words: &str) -> Value {
    let folder = tempfile::tempdir().unwrap();
    let job = job(folder.path(), name, after);
    let own = not_gone_on(&job, "infrared", None);
    says(&job, words);
    own
}

/// A frame's shortest element lasts half a millisecond; here is one sample each two.
#[test]
fn infrared_that_is_sampled_too_slowly() {
    let own = infrared("after.csv", &sampled(120, 2000, "time_us", 1.0), "a sample each 2 ms is too coarse");
    assert_eq!(
        (&own["observed_s"], reasons(&own)),
        (&Value::from(0.0), vec!["too_coarse".to_owned()]),
        "{own}"
    );
    assert!(own["span_s"].as_f64().unwrap() > 119.0, "{own}");
}

/// The same in a dump, whose unit of time is the distance of its samples.
#[test]
fn a_dump_with_too_coarse_a_unit_of_time() {
    let mut dump = "$timescale 10 ms $end\n$scope module top $end\n$var wire 1 ! IR $end\n$upscope $end\n\
                    $enddefinitions $end\n#0\n1!\n"
        .to_owned();
    for second in 0..80 {
        let _ = write!(dump, "#{}\n0!\n#{}\n1!\n", 150 * second + 20, 150 * second + 26);
    }
    let _ = writeln!(dump, "#12000");
    let own = infrared("after.vcd", &dump, "too coarse");
    assert_eq!(
        (&own["observed_s"], reasons(&own)),
        (&Value::from(0.0), vec!["too_coarse".to_owned()]),
        "{own}"
    );
}

/// Frames come for six seconds; then the probe is off the wire, and its input stays high or low for an hour.
#[test]
fn a_probe_that_comes_off_in_the_middle() {
    for level in [0, 1] {
        let mut after = receiver(6, true);
        for t in [6_000_100u64, 1_800_000_000, 3_600_000_000] {
            let _ = writeln!(after, "{t}\t{level}");
        }
        let own = infrared("after.tsv", &after, "wait for a sign of life");
        assert!(own["observed_s"].as_f64().unwrap() < 6.0, "{own}");
        assert!(own["pending_s"].as_f64().unwrap() > 3590.0, "{own}");
    }
}

/// Seconds in a column that says milliseconds, microseconds in one that says seconds: no frame fits.
#[test]
fn times_in_another_unit_than_the_header_says() {
    let mut long = "time_s\tIR\n".to_owned();
    let mut short = "time_ns\tIR\n".to_owned();
    for row in receiver(120, true).lines().skip(1) {
        let (t, level) = row.split_once('\t').unwrap();
        let _ = writeln!(long, "{t}\t{level}");
        let _ = writeln!(short, "{t}\t{level}");
    }
    for (text, span) in [(long, 1.2e8), (short, 0.12)] {
        let own = infrared("after.tsv", &text, "nothing showed that a stray would have been seen");
        assert_eq!(
            (&own["observed_s"], reasons(&own)),
            (&Value::from(0.0), vec!["no_sign".to_owned()]),
            "{own}"
        );
        assert!((own["span_s"].as_f64().unwrap() / span - 1.0).abs() < 0.01, "{own}");
    }
}

/// A keypad line of an alder in volts, one sample each 10 ms: at rest 3.3 V, Volume down 0.5032 V.
fn keypad(rows: impl Iterator<Item = (f64, f64)>) -> String {
    rows.fold("Time [s],K (V)\n".to_owned(), |mut table, (t, volts)| {
        let _ = writeln!(table, "{t:.4},{volts:.4}");
        table
    })
}

fn line(name: &str, after: &str, words: &str) -> Value {
    let folder = tempfile::tempdir().unwrap();
    let volts = |i: u32| if i % 120 < 20 { 0.5032 } else { 3.3 };
    let before = keypad((0..12_000).map(|i| (0.01 * f64::from(i), volts(i))));
    std::fs::write(folder.path().join("before.csv"), before).unwrap();
    std::fs::write(folder.path().join(name), after).unwrap();
    let capture = |file: &str| {
        format!("[[stage.capture]]\nfile = \"{file}\"\nhands = \"off\"\nwire = {{ K = \"keypad:KEY1\" }}\n")
    };
    let manifest = format!(
        "set = \"hall set\"\nchassis = \"alder\"\n[[stage]]\nstep = \"as received\"\n{}[[stage]]\nstep = \"cleaned\"\n\
         kind = \"repair\"\nparts = [\"key-board\"]\n{}",
        capture("before.csv"),
        capture(name)
    );
    std::fs::write(folder.path().join("job.toml"), manifest).unwrap();
    let job = folder.path().join("job");
    run(&["job", "build", folder.path().join("job.toml").to_str().unwrap(), "--out", job.to_str().unwrap()]);
    let own = not_gone_on(&job, "keypad", Some("KEY1"));
    says(&job, words);
    own
}

/// The probe is off after half a second: its input floats beyond what the line can have.
#[test]
fn a_keypad_probe_that_comes_off() {
    for away in [4.6, -0.9] {
        let after = keypad((0..12_000).map(|i| (0.01 * f64::from(i), if i < 50 { 3.3 } else { away })));
        let own = line("after.csv", &after, "the probe was not on the line");
        assert!(own["observed_s"].as_f64().unwrap() < 0.6, "{own}");
        assert_eq!(reasons(&own), ["not_wired"], "{own}");
        assert!(own["blind"][0]["from_s"].as_f64().unwrap() < 0.6, "{own}");
    }
}

/// Samples each ten seconds of a line that is pressed for a fifth of one.
#[test]
fn a_keypad_line_that_is_sampled_too_slowly() {
    let after = keypad((0..360).map(|i| (10.0 * f64::from(i), 3.3)));
    let own = line("after.csv", &after, "too coarse");
    assert_eq!(
        (&own["observed_s"], reasons(&own)),
        (&Value::from(0.0), vec!["too_coarse".to_owned()]),
        "{own}"
    );
}
