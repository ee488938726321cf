//! Closing and building a job: whole or not at all, whatever ends it.

use std::fs;
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::Duration;

use straykey::base::Anchor;
use straykey::timeline::job::{Job, StepKind};

use super::{hands_off, log_file, small_job, step};
use crate::support::random::Random;

/// GNU coreutils check the sums of a closed job.
fn checks(job: &Path) -> bool {
    let ran = Command::new("sha256sum").args(["--check", "--quiet", "SHA256SUMS"]).current_dir(job).output();
    ran.unwrap().status.success()
}

#[test]
fn an_altered_or_missing_capture_keeps_the_job_open() {
    for missing in [true, false] {
        let folder = tempfile::tempdir().unwrap();
        let mut job = small_job(folder.path());
        let capture = job.captures().nth(1).unwrap().clone();
        let whole = fs::read(&capture.path).unwrap();
        fs::remove_file(&capture.path).unwrap();
        if !missing {
            // The length stays.
            let mut other = whole.clone();
            other[3] ^= 1;
            fs::write(&capture.path, other).unwrap();
        }
        let error = job.close().unwrap_err();
        assert_eq!(error.exit_status(), 3, "{error}");
        assert!(
            error.to_string().contains("0002-unplugged") && error.to_string().contains("copy"),
            "{error}"
        );
        let path = job.folder().to_owned();
        assert!(!path.join("SHA256SUMS").exists());
        drop(job);
        // Put back, it closes.
        let _ = fs::remove_file(&capture.path);
        fs::write(&capture.path, &whole).unwrap();
        let mut job = Job::open(&path).unwrap();
        assert_eq!(job.closed(), None);
        job.close().unwrap();
        assert!(checks(&path));
        assert_eq!(job.close().unwrap_err().exit_status(), 2);
    }
}

/// A job says what is wrong with it when it is looked at, and the rest of it is read.
#[test]
fn a_broken_job_is_shown_with_what_is_wrong() {
    let folder = tempfile::tempdir().unwrap();
    let job = small_job(folder.path());
    let captures: Vec<_> = job.captures().cloned().collect();
    let path = job.folder().to_owned();
    drop(job);
    fs::remove_file(&captures[0].path).unwrap();
    fs::remove_file(&captures[2].path).unwrap();
    fs::write(&captures[2].path, "shorter").unwrap();
    for job in [Job::read(&path).unwrap(), Job::open(&path).unwrap()] {
        let told = job.remarks().join("\n");
        assert!(told.contains("0001-baseline: its file raw/0001-baseline.log is missing"), "{told}");
        assert!(told.contains("0003-again") && told.contains("7 bytes"), "{told}");
        assert!(!told.contains("0002"), "{told}");
    }
    let shown = crate::face::straykey(&["job", "show", &path.display().to_string()]);
    let (out, told) = (String::from_utf8_lossy(&shown.stdout), String::from_utf8_lossy(&shown.stderr));
    assert_eq!(shown.status.code(), Some(0), "{told}");
    assert!(told.contains("is missing"), "{told}");
    // Four readings a second apart.
    assert!(out.contains("key board unplugged") && out.contains("3 s"), "{out}");
}

/// As an earlier version left it that was killed between the close and the sums; and as this one leaves it that was
/// killed between the sums and the close.
#[test]
fn a_close_that_was_ended_half_way_can_be_done_again() {
    let folder = tempfile::tempdir().unwrap();
    let mut job = small_job(folder.path());
    let path = job.folder().to_owned();
    job.close().unwrap();
    drop(job);
    fs::remove_file(path.join("SHA256SUMS")).unwrap();
    let job = Job::read(&path).unwrap();
    assert!(job.remarks().iter().any(|told| told.contains("sums are missing")), "{:?}", job.remarks());
    let mut job = Job::open(&path).unwrap();
    job.close().unwrap();
    assert!(checks(&path));

    let folder = tempfile::tempdir().unwrap();
    let job = small_job(folder.path());
    let path = job.folder().to_owned();
    drop(job);
    fs::write(path.join("SHA256SUMS"), "0  raw/steps.journal\n").unwrap();
    let mut job = Job::open(&path).unwrap();
    assert!(job.remarks().iter().any(|told| told.contains("still open")), "{:?}", job.remarks());
    assert!(!path.join("SHA256SUMS").exists());
    job.add_step(step("cleaned", StepKind::Repair, &[])).unwrap();
    job.close().unwrap();
    assert!(checks(&path));
}

fn manifest(folder: &Path, stages: usize) -> std::path::PathBuf {
    let mut text = "set = \"bedroom set\"\nchassis = \"alder\"\n".to_owned();
    for stage in 0..stages {
        log_file(folder, &format!("{stage}.log"), 100);
        let kind = if stage == 0 { "" } else { "kind = \"repair\"\n" };
        text.push_str(&format!(
            "[[stage]]\nstep = \"step {stage}\"\n{kind}[[stage.capture]]\nfile = \"{stage}.log\"\nhands = \"off\"\n"
        ));
    }
    let path = folder.join("job.toml");
    fs::write(&path, text).unwrap();
    path
}

#[test]
fn a_killed_build_leaves_no_job_that_lacks_stages() {
    const STAGES: usize = 12;
    let folder = tempfile::tempdir().unwrap();
    let manifest = manifest(folder.path(), STAGES);
    let job = folder.path().join("built");
    let command = |manifest: &Path| {
        let mut command = Command::new(env!("CARGO_BIN_EXE_straykey"));
        command.args(["job", "build"]).arg(manifest).arg("--out").arg(&job);
        command.stdout(Stdio::null()).stderr(Stdio::null());
        command
    };
    // How long a whole one takes, so that the kills fall into it.
    let begun = std::time::Instant::now();
    assert!(command(&manifest).status().unwrap().success());
    let whole = begun.elapsed();
    let (mut absent, mut random) = (0, Random(20));
    for _ in 0..20 {
        let _ = fs::remove_dir_all(&job);
        let mut child = command(&manifest).spawn().unwrap();
        std::thread::sleep(Duration::from_micros(random.below(whole.as_micros() as usize) as u64));
        child.kill().unwrap();
        child.wait().unwrap();
        match Job::read(&job) {
            Ok(job) => assert_eq!(job.stages().len(), STAGES),
            Err(error) => {
                absent += 1;
                assert!(!job.exists(), "{error}");
            }
        }
    }
    assert!(absent > 0, "no kill fell into a build");
    // What was left is cleared away by the next build.
    let _ = fs::remove_dir_all(&job);
    assert!(command(&manifest).status().unwrap().success());
    assert!(!folder.path().join("built.part").exists());
    // A folder of somebody else's is not.
    let _ = fs::remove_dir_all(&job);
    fs::create_dir(folder.path().join("built.part")).unwrap();
    fs::write(folder.path().join("built.part/letter.txt"), "dear customer").unwrap();
    assert_eq!(command(&manifest).status().unwrap().code(), Some(2));
    assert!(folder.path().join("built.part/letter.txt").exists() && !job.exists());
}

/// A live capture that was never ended and is gone does not take the other captures with it.
#[test]
fn a_missing_unfinished_capture_leaves_the_rest_readable() {
    let folder = tempfile::tempdir().unwrap();
    let mut job = small_job(folder.path());
    let capture = job.begin_capture(&hands_off(), "port", &serde_json::json!({}), Anchor::now()).unwrap();
    let (live, path) = (capture.path().to_owned(), job.folder().to_owned());
    drop((capture, job));
    fs::remove_file(live).unwrap();
    let shown = crate::face::straykey(&["job", "show", &path.display().to_string()]);
    let told = String::from_utf8_lossy(&shown.stderr);
    assert_eq!(shown.status.code(), Some(0), "{told}");
    assert!(told.contains("0004-live") && told.contains("is missing"), "{told}");
    let error = Job::open(&path).unwrap().close().unwrap_err();
    assert_eq!(error.exit_status(), 3, "{error}");
}

/// A pipe in a job from elsewhere would be waited for without end.
#[test]
fn a_pipe_in_a_job_is_told_and_not_read() {
    for name in ["job.toml", "raw/steps.journal", "raw/0001-baseline.log"] {
        let folder = tempfile::tempdir().unwrap();
        let path = small_job(folder.path()).folder().to_owned();
        fs::remove_file(path.join(name)).unwrap();
        assert!(Command::new("mkfifo").arg(path.join(name)).status().unwrap().success());
        let mut child = Command::new(env!("CARGO_BIN_EXE_straykey"))
            .args(["job", "show"])
            .arg(&path)
            .stdout(Stdio::null())
            .stderr(Stdio::piped())
            .spawn()
            .unwrap();
        let begun = std::time::Instant::now();
        let status = loop {
            if let Some(status) = child.try_wait().unwrap() {
                break status;
            }
            if begun.elapsed() > Duration::from_secs(20) {
                child.kill().unwrap();
            }
            std::thread::sleep(Duration::from_millis(20));
        };
        let mut told = String::new();
        std::io::Read::read_to_string(&mut child.stderr.take().unwrap(), &mut told).unwrap();
        assert!(status.code().is_some() && told.contains("no plain file"), "{name}: {status}: {told}");
    }
}

/// By hand or by the daemon, whatever the mask: a job is for its user alone.
#[test]
fn a_job_is_for_its_user_alone() {
    use std::os::unix::fs::PermissionsExt;
    let folder = tempfile::tempdir().unwrap();
    let manifest = manifest(folder.path(), 2);
    let script = "umask 022; \"$0\" job new made --set s && \"$0\" job build \"$1\" --out built && \"$0\" job pack built && \
                  \"$0\" job open built.pack.tar.gz --out opened";
    let ran = Command::new("sh")
        .args(["-c", script, env!("CARGO_BIN_EXE_straykey")])
        .arg(&manifest)
        .current_dir(folder.path())
        .output()
        .unwrap();
    assert!(ran.status.success(), "{}", String::from_utf8_lossy(&ran.stderr));
    for job in ["made", "built", "opened"] {
        let mode = fs::metadata(folder.path().join(job)).unwrap().permissions().mode();
        assert_eq!(mode & 0o777, 0o700, "{job}");
    }
}
