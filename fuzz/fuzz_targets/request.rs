//! Requests of the daemon, as they come over its Unix socket: nothing makes it fail or fall silent.
#![no_main]

use std::io::{Read, Write};
use std::net::Shutdown;
use std::os::unix::net::UnixStream;
use std::path::PathBuf;
use std::sync::LazyLock;
use std::sync::mpsc::channel;
use std::time::Duration;

use libfuzzer_sys::fuzz_target;
use straykey::face::http::app::Makers;
use straykey::face::http::config::Config;
use straykey::face::http::life::{Start, run};
use straykey::timeline::job::{Job, JobInfo};

/// A daemon with one job, for the whole run.
static SOCKET: LazyLock<PathBuf> = LazyLock::new(|| {
    let folder = tempfile::tempdir().unwrap().keep();
    let job = folder.join("jobs/job");
    std::fs::create_dir_all(folder.join("jobs")).unwrap();
    Job::create(&job, &JobInfo::new("set").chassis("alder")).unwrap().acknowledge_cautions("read").unwrap();
    let file = folder.join("serve.toml");
    std::fs::write(
        &file,
        "jobs = \"jobs\"\nlisten = \"127.0.0.1:0\"\nsocket = \"s\"\ntoken_file = \"token\"\n[log]\nlevel = \"error\"\n",
    )
    .unwrap();
    let (listens, ready) = channel();
    let start = Start {
        config: Box::new(move || Config::load(Some(&file))),
        makers: Makers { report: |folder, _| Ok(folder.join("report.html")) },
        ready: Box::new(move |_| listens.send(()).unwrap()),
    };
    std::thread::spawn(move || run(start).unwrap());
    ready.recv_timeout(Duration::from_secs(60)).unwrap();
    folder.join("s")
});

fuzz_target!(|bytes: &[u8]| {
    let mut wire = UnixStream::connect(&*SOCKET).unwrap();
    wire.set_read_timeout(Some(Duration::from_secs(20))).unwrap();
    // The daemon may answer and hang up before all was said.
    let _ = wire.write_all(bytes);
    let _ = wire.shutdown(Shutdown::Write);
    let mut reply = [0; 12];
    if wire.read_exact(&mut reply).is_ok() {
        let status = std::str::from_utf8(&reply).ok().and_then(|head| head.strip_prefix("HTTP/1.1 "));
        let status: u16 = status.and_then(|status| status.parse().ok()).unwrap();
        assert_ne!(status, 500, "{}", String::from_utf8_lossy(bytes));
    }
});
