//! Small jobs of the invented chassis `alder`.

use std::path::{Path, PathBuf};

use straykey::timeline::job::{CaptureOptions, Hands, Job, JobInfo, Step, StepKind};

pub(crate) fn step(text: &str, kind: StepKind, parts: &[&str]) -> Step {
    Step { text: text.into(), kind, parts: parts.iter().map(|part| (*part).to_owned()).collect() }
}

pub(crate) fn hands_off() -> CaptureOptions {
    CaptureOptions { hands: Hands::Off, ..CaptureOptions::default() }
}

/// A log file of the invented chassis `alder`.
pub(crate) fn log_file(folder: &Path, name: &str, lines: usize) -> PathBuf {
    let path = folder.join(name);
    let text: String = (0..lines).map(|i| format!("[{i}.250] keyscan: line=KEY1 adc=0x085\n")).collect();
    std::fs::write(&path, text).unwrap();
    path
}

/// A job with three stages and three captures.
pub(crate) fn small_job(folder: &Path) -> Job {
    let mut job = Job::create(&folder.join("job"), &JobInfo::new("bedroom set").chassis("alder")).unwrap();
    job.import(&log_file(folder, "baseline.log", 10), &hands_off()).unwrap();
    job.add_step(step("key board unplugged", StepKind::Isolate, &["key-board"])).unwrap();
    job.import(&log_file(folder, "unplugged.log", 4), &hands_off()).unwrap();
    job.import(&log_file(folder, "again.log", 3), &CaptureOptions::default()).unwrap();
    job.add_step(step("key connector cleaned", StepKind::Repair, &["main-board", "key-cable"])).unwrap();
    job
}
