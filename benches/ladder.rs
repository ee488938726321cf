//! The full fit of all fault models to nine readings, beside SciPy's in the same run; `locate` on a large job.
//!
//! `cargo bench --bench ladder`. `STRAYKEY_PYTHON` names the interpreter that has NumPy and SciPy
//! (tests/reference/requirements.txt); `python3` when it is not set.

use std::fmt::Write as _;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::Instant;

use straykey::analysis::ladder::{Condition, Network, Reading, fit};

#[path = "../tests/support/ladder.rs"]
mod ladder;

/// Codes of two leaks, 47 kΩ on the main board and 24 kΩ on the key board (case F03).
const CODES: [u32; 9] = [628, 0, 142, 244, 345, 426, 512, 844, 306];

fn readings(network: &Network) -> Vec<Reading> {
    let mut conditions = network.conditions();
    conditions.push(Condition::Substituted(4_700.0));
    CODES.iter().zip(conditions).map(|(code, c)| Reading::steady(c, *code, 1023, 0.3)).collect()
}

/// Median of several runs in seconds.
fn median(runs: usize, mut run: impl FnMut()) -> f64 {
    let mut times: Vec<f64> = (0..runs)
        .map(|_| {
            let start = Instant::now();
            run();
            start.elapsed().as_secs_f64()
        })
        .collect();
    times.sort_by(f64::total_cmp);
    times[runs / 2]
}

/// Seconds that SciPy needs; `None` when there is no interpreter with it.
fn scipy() -> Option<f64> {
    let python = std::env::var("STRAYKEY_PYTHON").unwrap_or_else(|_| "python3".into());
    let script = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/reference/ladder.py");
    let output = Command::new(python).args([script, "--time"]).output().ok()?;
    String::from_utf8_lossy(&output.stdout).trim().parse().ok()
}

/// Stages of the large job, and scans of two lines in each: a million readings in all.
const STAGES: u32 = 20;
const SCANS: u32 = 25_000;

/// A log of alder: 20 scans a second, at rest but for a second in every twenty at `stray` counts.
fn log(stray: u32) -> String {
    let mut log = String::from("[0.012] boot: alder firmware 1.4 reset=cold\n");
    for i in 0..SCANS {
        let t = 1.0 + f64::from(i) * 0.05;
        let counts = if i % 400 < 20 { stray + i % 3 } else { 1023 };
        let _ = writeln!(log, "[{t:.3}] keyscan: line=KEY1 adc=0x{counts:03x}");
        let _ = writeln!(log, "[{t:.3}] keyscan: line=KEY2 adc=0x3ff");
    }
    log
}

/// Builds the job with the program; gives its folder and the seconds that it took.
fn build(folder: &Path) -> std::io::Result<(PathBuf, f64)> {
    let steps =
        ["remotes taken out of the room", "infrared window covered with tape", "HDMI and antenna unplugged"];
    let mut manifest = String::from("set = \"large job\"\nchassis = \"alder\"\n");
    for stage in 0..STAGES {
        let name = format!("{stage}.log");
        std::fs::write(folder.join(&name), log(785 - stage % 2))?;
        let step = if stage == 0 { "as received" } else { steps[(stage as usize - 1) % steps.len()] };
        let kind = if stage == 0 { "" } else { "kind = \"isolate\"\n" };
        let _ = writeln!(
            manifest,
            "[[stage]]\nstep = \"{step}\"\n{kind}[[stage.capture]]\nfile = \"{name}\"\nhands = \"off\""
        );
    }
    std::fs::write(folder.join("ticket.toml"), manifest)?;
    let job = folder.join("job");
    let start = Instant::now();
    let built =
        program().arg("job").arg("build").arg(folder.join("ticket.toml")).arg("--out").arg(&job).output()?;
    if !built.status.success() {
        return Err(std::io::Error::other(String::from_utf8_lossy(&built.stderr).into_owned()));
    }
    Ok((job, start.elapsed().as_secs_f64()))
}

fn program() -> Command {
    Command::new(env!("CARGO_BIN_EXE_straykey"))
}

/// Seconds of the whole command on the large job, the index there, and seconds of its making.
fn large_job() -> std::io::Result<(f64, f64)> {
    let folder = tempfile::tempdir()?;
    let (job, built) = build(folder.path())?;
    let mut told = String::new();
    let seconds = median(5, || {
        if let Ok(output) = program().arg("locate").arg(&job).arg("--json").output() {
            told = String::from_utf8_lossy(&output.stdout).into_owned();
        }
    });
    // A million readings were read, or nothing was measured.
    if !told.contains("key-board") || !told.contains("\"stages\"") {
        return Err(std::io::Error::other("locate did not answer"));
    }
    Ok((seconds, built))
}

#[allow(clippy::print_stdout)]
fn main() {
    let network = ladder::reference(0.01);
    let readings = readings(&network);
    let ours = median(21, || {
        std::hint::black_box(fit(&network, &readings));
    });
    println!("full fit, {} models, 9 readings: {:.2} ms", fit(&network, &readings).models.len(), ours * 1e3);
    match scipy() {
        Some(theirs) => {
            println!("the same by SciPy: {:.0} ms, {:.0} times as long", theirs * 1e3, theirs / ours)
        }
        None => println!("SciPy was not measured: no interpreter with it; set STRAYKEY_PYTHON"),
    }
    match large_job() {
        Ok((seconds, built)) => println!(
            "the command locate, 20 stages, 1000000 readings: {:.0} ms (job build with its index: {built:.1} s)",
            seconds * 1e3
        ),
        Err(error) => println!("locate was not measured: {error}"),
    }
}
