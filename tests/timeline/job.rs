//! Making, working, looking; what a crash leaves.

use std::process::Command;

use straykey::base::{Anchor, Key, Nanoseconds};
use straykey::journal::{Reader, RecordKind, Writer};
use straykey::source::{Chunk, Mark, Pulled};
use straykey::timeline::job::{
    CaptureOptions, Hands, Job, JobInfo, JobReference, Prompt, StepKind, check_signal,
};

use super::{hands_off, log_file, small_job, step};

fn chunk(t: i64, offset: u64, bytes: &[u8]) -> Pulled<'_> {
    Pulled::Chunk(Chunk { arrival: Some(Nanoseconds::from_millis(t)), offset, bytes })
}

#[test]
fn a_job_reads_back_as_it_was_made() {
    let folder = tempfile::tempdir().unwrap();
    let made = small_job(folder.path());
    let stages = made.stages().to_vec();
    drop(made);
    for job in
        [Job::read(&folder.path().join("job")).unwrap(), Job::open(&folder.path().join("job")).unwrap()]
    {
        assert_eq!(job.stages(), stages);
        assert_eq!(job.remarks(), Vec::<String>::new());
        assert_eq!(job.info().chassis.as_deref(), Some("alder"));
        assert!(job.info().created.as_deref().is_some_and(|at| Anchor::parse(at).is_some()));
    }
    let texts: Vec<_> = stages.iter().map(|stage| (stage.number, stage.text.as_str())).collect();
    assert_eq!(texts, [(1, "as received"), (2, "key board unplugged"), (3, "key connector cleaned")]);
    assert_eq!(stages[0].step, None);
    assert_eq!(stages[2].step.as_ref().unwrap().kind, StepKind::Repair);
    let names: Vec<_> =
        stages.iter().flat_map(|stage| &stage.captures).map(|capture| &capture.name[..]).collect();
    assert_eq!(names, ["0001-baseline", "0002-unplugged", "0003-again"]);
    assert_eq!(stages[0].captures[0].hands, Hands::Off);
    assert_eq!(stages[1].captures[1].hands, Hands::On);
}

#[test]
fn an_imported_capture_is_unaltered_and_carries_its_checksum() {
    let folder = tempfile::tempdir().unwrap();
    let original = log_file(folder.path(), "odd name\u{202e} [x].LOG", 1000);
    let mut job = Job::create(&folder.path().join("job"), &JobInfo::new("set")).unwrap();
    let capture = job.import(&original, &hands_off()).unwrap();
    assert_eq!(capture.file, "raw/0001-odd-name---x-.LOG");
    assert_eq!(std::fs::read(&capture.path).unwrap(), std::fs::read(&original).unwrap());
    assert!(std::fs::metadata(&capture.path).unwrap().permissions().readonly());
    // The same sum as the general tool of GNU coreutils prints.
    let printed = Command::new("sha256sum").arg(&capture.path).output().unwrap();
    let printed = String::from_utf8(printed.stdout).unwrap();
    assert_eq!(printed.split(' ').next(), capture.sha256.as_deref());
    assert_eq!(capture.bytes, Some(std::fs::metadata(&original).unwrap().len()));
}

#[test]
fn an_altered_or_missing_capture_is_found() {
    let folder = tempfile::tempdir().unwrap();
    let job = small_job(folder.path());
    assert!(job.verify().unwrap().is_empty());
    let captures: Vec<_> = job.captures().cloned().collect();
    std::fs::remove_file(&captures[0].path).unwrap();
    std::fs::write(&captures[0].path, "another log").unwrap();
    std::fs::remove_file(&captures[2].path).unwrap();
    let wrong = job.verify().unwrap();
    assert_eq!(wrong.len(), 2, "{wrong:?}");
    assert!(wrong[0].contains("0001-baseline") && wrong[0].contains("altered"));
    assert!(wrong[1].contains("0003-again") && wrong[1].contains("missing"));
}

#[test]
fn a_folder_with_something_in_it_is_not_taken() {
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("letter.txt"), "dear customer").unwrap();
    let error = Job::create(folder.path(), &JobInfo::new("set")).unwrap_err();
    assert_eq!(error.exit_status(), 2);
    assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 1);
    let error = Job::create(&folder.path().join("new"), &JobInfo::new("  ")).unwrap_err();
    assert_eq!(error.exit_status(), 2);
}

#[test]
fn what_is_no_job_is_told() {
    let folder = tempfile::tempdir().unwrap();
    for path in [folder.path().to_owned(), folder.path().join("absent")] {
        for error in [Job::read(&path).unwrap_err(), Job::open(&path).unwrap_err()] {
            assert_eq!(error.exit_status(), 3);
            assert!(error.to_string().contains("there is no job.toml in it"), "{error}");
        }
    }
    assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 0, "looking changes nothing");
    std::fs::write(folder.path().join("job.toml"), "set = \"a\"\nchasis = \"alder\"\n").unwrap();
    let error = Job::read(folder.path()).unwrap_err();
    assert_eq!((error.exit_status(), error.place().line), (3, Some(2)), "{error}");
    std::fs::write(folder.path().join("job.toml"), "version = 9\nset = \"a\"\n").unwrap();
    assert!(Job::read(folder.path()).unwrap_err().to_string().contains("later straykey"));
}

#[test]
fn a_job_that_is_looked_at_takes_nothing() {
    let folder = tempfile::tempdir().unwrap();
    drop(small_job(folder.path()));
    let path = folder.path().join("job");
    let mut job = Job::read(&path).unwrap();
    assert_eq!(job.add_step(step("x", StepKind::Repair, &[])).unwrap_err().exit_status(), 2);
    assert_eq!(
        job.import(&log_file(folder.path(), "late.log", 1), &hands_off()).unwrap_err().exit_status(),
        2
    );
    assert_eq!(std::fs::read_dir(path.join("raw")).unwrap().count(), 4);
}

#[test]
fn a_missing_capture_file_leaves_the_job_as_it_was() {
    let folder = tempfile::tempdir().unwrap();
    let mut job = small_job(folder.path());
    let stages = job.stages().to_vec();
    for path in [folder.path().join("absent.log"), folder.path().to_owned()] {
        assert_eq!(job.import(&path, &hands_off()).unwrap_err().exit_status(), 3);
    }
    assert_eq!(job.stages(), stages);
    assert_eq!(std::fs::read_dir(job.folder().join("raw")).unwrap().count(), 4);
}

#[test]
fn no_step_is_taken_while_a_capture_runs() {
    let folder = tempfile::tempdir().unwrap();
    let mut job = small_job(folder.path());
    let capture =
        job.begin_capture(&hands_off(), "port", &serde_json::json!({}), Anchor { unix_ns: 5 }).unwrap();
    let error = job.add_step(step("too early", StepKind::Repair, &[])).unwrap_err();
    assert_eq!(error.exit_status(), 2);
    assert!(error.to_string().contains(capture.name()), "{error}");
    assert_eq!(job.close().unwrap_err().exit_status(), 2);
    job.end_capture(capture).unwrap();
    job.add_step(step("now", StepKind::Restore, &[])).unwrap();
    assert_eq!(job.stages().len(), 4);
    job.close().unwrap();
    assert!(Job::read(job.folder()).unwrap().closed().is_some());
}

#[test]
fn prompts_and_cautions_are_kept() {
    let folder = tempfile::tempdir().unwrap();
    let mut job = small_job(folder.path());
    assert_eq!(job.cautions_read(), None);
    job.acknowledge_cautions("mains inside").unwrap();
    let asked = |ms, name| Prompt { t: Nanoseconds::from_millis(ms), key: Key::from_name(name).unwrap() };
    let options = CaptureOptions { prompts: vec![asked(0, "KEY_POWER")], ..Default::default() };
    let capture = job.begin_capture(&options, "port", &serde_json::json!({}), Anchor { unix_ns: 5 }).unwrap();
    job.add_prompt(capture.name(), asked(1500, "KEY_VOLUMEUP")).unwrap();
    let name = job.end_capture(capture).unwrap().name;
    assert_eq!(job.add_prompt(&name, asked(9, "KEY_UP")).unwrap_err().exit_status(), 2);
    let read = Job::read(job.folder()).unwrap();
    assert_eq!(read.cautions_read(), Some("mains inside"));
    let capture = read.captures().last().unwrap();
    assert_eq!(capture.prompts, [asked(0, "KEY_POWER"), asked(1500, "KEY_VOLUMEUP")]);
}

#[test]
fn a_crashed_capture_is_closed_with_what_was_acknowledged() {
    let folder = tempfile::tempdir().unwrap();
    let mut job = small_job(folder.path());
    let mut capture =
        job.begin_capture(&hands_off(), "port", &serde_json::json!({}), Anchor { unix_ns: 5 }).unwrap();
    capture.take(&chunk(100, 0, b"kept ")).unwrap();
    capture
        .take(&Pulled::Mark(Mark {
            t: Nanoseconds::from_millis(200),
            what: straykey::source::What::remark("odd"),
        }))
        .unwrap();
    capture.take(&chunk(300, 5, b"for ever")).unwrap();
    capture.commit().unwrap();
    let path = capture.path().to_owned();
    // Gone without an orderly end, and the last record is torn.
    drop(capture);
    drop(job);
    let file = std::fs::OpenOptions::new().write(true).open(&path).unwrap();
    let length = file.metadata().unwrap().len();
    file.set_len(length - 3).unwrap();
    drop(file);

    let looked = Job::read(&folder.path().join("job")).unwrap();
    assert!(!looked.captures().last().unwrap().is_closed());
    let job = Job::open(&folder.path().join("job")).unwrap();
    let capture = job.captures().last().unwrap();
    assert!(capture.is_closed());
    assert_eq!(capture.span.unwrap().end, Nanoseconds::from_millis(200));
    assert!(
        job.remarks().iter().any(|remark| remark.contains("torn tail of 45 bytes")),
        "{:?}",
        job.remarks()
    );
    assert!(job.verify().unwrap().is_empty());
    let replayed = crate::journal::replay_reader(Reader::open(&path).unwrap()).unwrap();
    assert_eq!(replayed.bytes, b"kept ");
    assert_eq!(replayed.marks, ["odd"]);
}

#[test]
fn a_torn_step_log_loses_the_torn_entry_alone() {
    let folder = tempfile::tempdir().unwrap();
    drop(small_job(folder.path()));
    let path = folder.path().join("job");
    let log = path.join("raw/steps.journal");
    let whole = std::fs::read(&log).unwrap();
    std::fs::write(&log, &whole[..whole.len() - 1]).unwrap();
    assert_eq!(Job::read(&path).unwrap().stages().len(), 2);
    assert_eq!(std::fs::read(&log).unwrap().len(), whole.len() - 1, "looking changes nothing");
    let mut job = Job::open(&path).unwrap();
    assert!(job.remarks()[0].contains("torn entry"), "{:?}", job.remarks());
    job.add_step(step("key connector cleaned", StepKind::Repair, &[])).unwrap();
    drop(job);
    let job = Job::open(&path).unwrap();
    assert_eq!(job.stages().len(), 3);
    assert_eq!(job.remarks(), Vec::<String>::new());
}

#[test]
fn strangers_in_raw_are_told_and_left_alone() {
    let folder = tempfile::tempdir().unwrap();
    drop(small_job(folder.path()));
    let path = folder.path().join("job");
    std::fs::write(path.join("raw/0004-left-by-a-crash.log"), "x").unwrap();
    let mut job = Job::open(&path).unwrap();
    assert_eq!(job.remarks().len(), 1);
    assert!(job.remarks()[0].contains("raw/0004-left-by-a-crash.log"));
    let capture = job.import(&log_file(folder.path(), "left-by-a-crash.log", 2), &hands_off()).unwrap();
    assert_eq!(capture.name, "0005-left-by-a-crash");
    assert_eq!(std::fs::read(path.join("raw/0004-left-by-a-crash.log")).unwrap(), b"x");
}

#[test]
fn a_quiet_soak_keeps_its_length_through_a_crash() {
    let folder = tempfile::tempdir().unwrap();
    let mut job = small_job(folder.path());
    let mut capture =
        job.begin_capture(&hands_off(), "port", &serde_json::json!({}), Anchor { unix_ns: 5 }).unwrap();
    for ms in (0..95_000).step_by(20) {
        capture.take(&Pulled::Quiet(Nanoseconds::from_millis(ms))).unwrap();
        capture.commit_if_due().unwrap();
    }
    drop(capture);
    drop(job);
    let job = Job::open(&folder.path().join("job")).unwrap();
    // A sign of life every 10 s: the last one at 90 s.
    assert_eq!(job.captures().last().unwrap().span.unwrap().length(), Nanoseconds::from_millis(90_000));
    assert_eq!(job.stages().last().unwrap().span(), Nanoseconds::from_millis(90_000));
}

#[test]
fn stages_are_counted_from_one() {
    let folder = tempfile::tempdir().unwrap();
    let job = small_job(folder.path());
    assert_eq!(job.stage(2).unwrap().text, "key board unplugged");
    for number in [0, 4] {
        let error = job.stage(number).unwrap_err();
        assert_eq!(error.exit_status(), 2);
        assert!(error.help_text().unwrap().contains("3 key connector cleaned"), "{error}");
    }
    let parsed = JobReference::parse("bench/job 7#2").unwrap();
    assert_eq!((parsed.folder.to_str().unwrap(), parsed.stage), ("bench/job 7", Some(2)));
    assert_eq!(JobReference::parse("job").unwrap().stage, None);
    for wrong in ["job#0", "job#", "job#-1", "job#two", "job#1.5"] {
        assert_eq!(JobReference::parse(wrong).unwrap_err().exit_status(), 2, "{wrong}");
    }
    let odd = folder.path().join("set#1");
    std::fs::create_dir(&odd).unwrap();
    assert_eq!(JobReference::parse(odd.to_str().unwrap()).unwrap().folder, odd);
}

#[test]
fn a_signal_word_is_one_of_the_four() {
    for right in ["uart", "uart@115200", "infrared", "cec", "keypad:KEY1"] {
        assert_eq!(check_signal(right), Ok(()), "{right}");
    }
    for wrong in ["", "UART", "uart@", "uart@0", "uart@fast", "keypad:", "keypad", "ir"] {
        assert!(check_signal(wrong).is_err(), "{wrong}");
    }
}

#[test]
fn a_closed_job_is_verified_by_the_general_tool() {
    let folder = tempfile::tempdir().unwrap();
    let mut job = small_job(folder.path());
    job.close().unwrap();
    let check =
        || Command::new("sha256sum").args(["--check", "SHA256SUMS"]).current_dir(job.folder()).output();
    let printed = check().unwrap();
    assert!(printed.status.success());
    assert_eq!(String::from_utf8(printed.stdout).unwrap().lines().count(), 4);
    let capture = &job.captures().next().unwrap().path;
    std::fs::remove_file(capture).unwrap();
    std::fs::write(capture, "altered").unwrap();
    assert!(!check().unwrap().status.success());
}

#[test]
fn a_log_that_names_files_outside_the_job_is_not_followed() {
    let folder = tempfile::tempdir().unwrap();
    drop(small_job(folder.path()));
    let path = folder.path().join("job");
    let (mut log, _) = Writer::open(&path.join("raw/steps.journal")).unwrap();
    for file in ["../secret", "raw/../../secret", "/etc/hostname", "raw/", "raw/.."] {
        let entry = serde_json::json!({
            "entry": "begin", "name": file, "file": file, "source": { "kind": "file", "path": "x" }
        });
        log.append(RecordKind::Entry, log.last(), 0, entry.to_string().as_bytes()).unwrap();
    }
    log.append(RecordKind::Entry, log.last(), 0, b"{\"entry\":\"of the future\"}").unwrap();
    log.append(RecordKind::Entry, log.last(), 0, b"\xff\xfe").unwrap();
    log.commit().unwrap();
    drop(log);
    let job = Job::open(&path).unwrap();
    assert_eq!(job.captures().count(), 3);
    assert_eq!(job.remarks().len(), 7, "{:?}", job.remarks());
}
