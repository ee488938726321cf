//! Writes the sample captures: `cargo run --example make_captures [FOLDER]` (`captures` when left out).
//!
//! Everything in them is simulated. Each folder gets a README with a line on each file, and a `how.toml` that
//! tells programs how to decode it. Seeds are fixed: a second run writes the same bytes.

mod frames;
mod logs;
mod tables;
mod wires;

use std::fmt::Write as _;
use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

/// One file to write.
struct Sample {
    folder: &'static str,
    file: &'static str,
    bytes: Vec<u8>,
    /// How it was made, one line.
    made: &'static str,
    /// Chassis that decodes it, if it holds a debug port's text.
    chassis: Option<&'static str>,
    /// Channel and signal, as `--wire` takes them.
    wire: &'static [(&'static str, &'static str)],
    /// Samples a second, where the file does not tell.
    rate_hz: Option<f64>,
}

fn main() -> ExitCode {
    let folder = std::env::args_os().nth(1).map_or_else(|| PathBuf::from("captures"), PathBuf::from);
    let mut samples = logs::samples();
    samples.extend(tables::samples());
    samples.extend(frames::samples());
    match write(&folder, &samples) {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            let _ = writeln!(std::io::stderr(), "{}: {error}", folder.display());
            ExitCode::from(4)
        }
    }
}

fn write(root: &Path, samples: &[Sample]) -> std::io::Result<()> {
    let mut folders: Vec<&str> = samples.iter().map(|sample| sample.folder).collect();
    folders.dedup();
    for folder in folders {
        let path = root.join(folder);
        std::fs::create_dir_all(&path)?;
        let mut readme = format!(
            "# {folder}\n\nSimulated: no real set was measured. Written by `cargo run --example make_captures`.\n\n"
        );
        let mut how = String::from("# How to decode each file; written by examples/make_captures.\n");
        for sample in samples.iter().filter(|sample| sample.folder == folder) {
            std::fs::write(path.join(sample.file), &sample.bytes)?;
            // Writing to a string cannot fail.
            let _ = writeln!(readme, "- `{}`: {}", sample.file, sample.made);
            describe(sample, &mut how);
        }
        std::fs::write(path.join("README.md"), readme)?;
        std::fs::write(path.join("how.toml"), how)?;
    }
    Ok(())
}

fn describe(sample: &Sample, out: &mut String) {
    let _ = writeln!(out, "\n[[file]]\nname = {:?}\nmade = {:?}", sample.file, sample.made);
    if let Some(chassis) = sample.chassis {
        let _ = writeln!(out, "chassis = {chassis:?}");
    }
    if !sample.wire.is_empty() {
        let wires: Vec<String> =
            sample.wire.iter().map(|(channel, signal)| format!("{channel:?} = {signal:?}")).collect();
        let _ = writeln!(out, "wire = {{ {} }}", wires.join(", "));
    }
    if let Some(rate) = sample.rate_hz {
        let _ = writeln!(out, "sample_rate_hz = {rate:?}");
    }
}
