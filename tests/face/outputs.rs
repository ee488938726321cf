//! Where a command may write: plain files are replaced whole, everything else is written through.

use std::fs;
use std::io::Read;
use std::os::unix::fs::{FileTypeExt, PermissionsExt, symlink};
use std::path::Path;
use std::process::Command;

use super::program::{refused, straykey, text};
use crate::support::terminal::Terminal;

/// Exports to this place; gives what must arrive there.
fn write_to(job: &Path, out: &Path) -> Vec<u8> {
    let (job, out) = (job.display().to_string(), out.display().to_string());
    let export = straykey(&["export", &job, "--to", "csv", "--out", &out]);
    assert_eq!(export.status.code(), Some(0), "{}", text(&export.stderr));
    straykey(&["export", &job, "--to", "csv"]).stdout
}

fn job(folder: &Path) -> std::path::PathBuf {
    drop(crate::timeline::small_job(folder));
    folder.join("job")
}

#[test]
fn links_are_followed_and_stay_links() {
    let folder = tempfile::tempdir().unwrap();
    let job = job(folder.path());
    let elsewhere = folder.path().join("elsewhere");
    fs::create_dir(&elsewhere).unwrap();
    for (link, target, there) in
        [("to-file", "elsewhere/a.csv", true), ("to-nothing", "elsewhere/b.csv", false)]
    {
        let (link, file) = (folder.path().join(link), folder.path().join(target));
        if there {
            fs::write(&file, "old").unwrap();
            fs::set_permissions(&file, fs::Permissions::from_mode(0o640)).unwrap();
        }
        symlink(target, &link).unwrap();
        let expected = write_to(&job, &link);
        assert!(fs::symlink_metadata(&link).unwrap().is_symlink(), "{target}");
        assert_eq!(fs::read(&file).unwrap(), expected, "{target}");
        if there {
            assert_eq!(fs::metadata(&file).unwrap().permissions().mode() & 0o777, 0o640);
        }
    }
    // A ring of links is told.
    symlink("ring", folder.path().join("ring")).unwrap();
    let (job, ring) = (job.display().to_string(), folder.path().join("ring").display().to_string());
    refused(&["export", &job, "--to", "csv", "--out", &ring], 4, &["links"]);
    assert_eq!(fs::read_dir(&elsewhere).unwrap().count(), 2, "no part is left");
}

#[test]
fn a_pipe_is_written_through() {
    let folder = tempfile::tempdir().unwrap();
    let job = job(folder.path());
    let pipe = folder.path().join("pipe");
    assert!(Command::new("mkfifo").arg(&pipe).status().unwrap().success());
    let report = folder.path().join("report-pipe");
    assert!(Command::new("mkfifo").arg(&report).status().unwrap().success());
    let read = |path: &Path| {
        let path = path.to_owned();
        std::thread::spawn(move || {
            let mut bytes = Vec::new();
            // Nobody must hang here should the pipe be replaced: the test opens both ends.
            let mut pipe = fs::OpenOptions::new().read(true).open(&path).unwrap();
            pipe.read_to_end(&mut bytes).unwrap();
            bytes
        })
    };
    let reader = read(&pipe);
    let expected = write_to(&job, &pipe);
    assert!(fs::symlink_metadata(&pipe).unwrap().file_type().is_fifo());
    assert_eq!(reader.join().unwrap(), expected);
    let reader = read(&report);
    let written = straykey(&["report", &job.display().to_string(), "--out", &report.display().to_string()]);
    assert_eq!(written.status.code(), Some(0), "{}", text(&written.stderr));
    assert!(fs::symlink_metadata(&report).unwrap().file_type().is_fifo());
    assert!(text(&reader.join().unwrap()).to_lowercase().starts_with("<!doctype html>"));
}

/// A pseudo-terminal is the device here: nothing can be put in its place, should this ever fail.
#[test]
fn a_device_is_written_through() {
    let folder = tempfile::tempdir().unwrap();
    // Short enough for the buffer of a terminal, which nobody reads meanwhile.
    let job = crate::timeline::log_file(folder.path(), "set.log", 3);
    let mut terminal = Terminal::open();
    let expected = write_to(&job, terminal.path());
    let read = terminal.typed();
    assert_eq!(text(&read), text(&expected));
}

#[test]
fn no_record_of_a_job_is_replaced() {
    let folder = tempfile::tempdir().unwrap();
    let job = job(folder.path());
    let name = job.display().to_string();
    for record in ["raw/steps.journal", "raw/0001-baseline.log", "job.toml", "straykey.db"] {
        let path = job.join(record);
        straykey(&["job", "show", &name]);
        // A look may bring the index up to date; its head stays.
        let head = |path: &Path| fs::read(path).unwrap()[..16].to_vec();
        let before = head(&path);
        let out = path.display().to_string();
        refused(&["export", &name, "--to", "csv", "--out", &out], 2, &["would replace"]);
        refused(&["report", &name, "--out", &out], 2, &["would replace"]);
        assert_eq!(head(&path), before, "{record}");
    }
    // A link beside the pack's place is no free name.
    symlink("nowhere", folder.path().join("pack.tar.gz")).unwrap();
    let pack = folder.path().join("pack.tar.gz").display().to_string();
    refused(&["job", "pack", &name, "--out", &pack], 2, &["file of this name"]);
    // What a job from elsewhere calls its lock may lead anywhere.
    let letter = folder.path().join("letter.txt");
    fs::write(&letter, "dear customer").unwrap();
    fs::remove_file(job.join("job.lock")).unwrap();
    symlink(&letter, job.join("job.lock")).unwrap();
    refused(&["step", &name, "cleaned", "--kind", "repair"], 4, &["lock"]);
    assert_eq!(fs::read(&letter).unwrap(), b"dear customer");
}
