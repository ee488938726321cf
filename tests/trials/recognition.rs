//! Which of many chassis wrote a log: the right one, or none of these.

use std::fmt::Write as _;
use std::fs;
use std::path::Path;
use std::process::Command;

use straykey::decode::folder::Own;
use straykey::decode::library::Library;
use straykey::decode::recognise::Recognition;

use crate::support::dialects::Dialect;
use crate::support::random::Random;

/// The shipped chassis, and so many invented ones.
fn among(count: u64) -> (tempfile::TempDir, Library) {
    let folder = tempfile::tempdir().unwrap();
    for number in 0..count {
        let dialect = Dialect::new(number);
        fs::write(folder.path().join(format!("{}.toml", dialect.name)), dialect.file()).unwrap();
    }
    let library = Library::shipped().unwrap().with(&Own::read(folder.path()).unwrap()).unwrap();
    (folder, library)
}

fn chosen(found: &Recognition) -> Option<&str> {
    found.choice.as_deref()
}

#[test]
fn each_shipped_capture_is_recognised_among_other_files() {
    let (folder, _library) = among(30);
    let mut count = 0;
    for name in ["alder", "birch", "rowan", "hazel", "linux-input"] {
        let captures = Path::new(env!("CARGO_MANIFEST_DIR")).join("captures").join(name);
        for entry in fs::read_dir(&captures).unwrap() {
            let path = entry.unwrap().path();
            let kind = path.extension().and_then(|kind| kind.to_str());
            if !matches!(kind, Some("log" | "bin" | "txt")) {
                continue;
            }
            // The program takes the stamps of a recording host away first, hence not the bytes as they are.
            let output = Command::new(env!("CARGO_BIN_EXE_straykey"))
                .arg("decode")
                .arg(&path)
                .arg("--protocols")
                .arg(folder.path())
                .output()
                .unwrap();
            let said = String::from_utf8_lossy(&output.stderr);
            let wanted = format!("chassis {name} recognised (score ");
            assert!(
                said.contains(&wanted) && said.contains("ahead of the next)"),
                "{}: {said}",
                path.display()
            );
            count += 1;
        }
    }
    assert!(count >= 5, "only {count} captures");
}

#[test]
fn each_dialect_is_recognised_by_its_own_log_among_all() {
    let (_folder, library) = among(200);
    for number in 0..200 {
        let dialect = Dialect::new(number);
        let found = library.recognise(dialect.log(4_000).as_bytes());
        assert_eq!(chosen(&found), Some(dialect.name.as_str()), "{}", found.because);
    }
}

#[test]
fn fixed_text_in_pieces_is_recognised_too() {
    let log = Dialect::new(7).log(4_000);
    let colours: String =
        log.lines().map(|line| format!("\x1b[32m{}\x1b[0m{}\n", &line[..14], &line[14..])).collect();
    let stray: String = log.lines().map(|line| format!("{}\0{}\n", &line[..14], &line[14..])).collect();
    let (_folder, library) = among(20);
    for text in [colours, stray] {
        let found = library.recognise(text.as_bytes());
        assert_eq!(chosen(&found), Some("dialect-7"), "{}", found.because);
    }
}

/// Logs that no chassis file describes, in the styles that a wrong cable or a wrong file brings.
fn foreign(seed: u64) -> Vec<(&'static str, Vec<u8>)> {
    let mut random = Random(seed);
    let mut logs: Vec<(&'static str, String)> =
        ["syslog", "kernel", "boot loader", "json", "csv", "numbers", "hex dump"]
            .map(|name| (name, String::new()))
            .into();
    for i in 0..400 {
        let n = random.below(100_000);
        for (name, text) in &mut logs {
            let _ = match *name {
                "syslog" => writeln!(
                    text,
                    "Nov {:2} 10:{:02}:{:02} host daemon[{n}]: session {i} opened for user {}",
                    1 + i % 28,
                    i % 60,
                    n % 60,
                    n % 7
                ),
                "kernel" => writeln!(
                    text,
                    "[{:5}.{n:06}] usb 1-{}: new high-speed device number {i} using host",
                    i / 10,
                    n % 4
                ),
                "boot loader" => writeln!(
                    text,
                    "Loading image {i} from flash at 0x{n:08x} ... {} bytes read in {} ms: OK",
                    n * 3,
                    n % 90
                ),
                "json" => writeln!(
                    text,
                    "{{\"time\":{i}.{n},\"level\":\"info\",\"key\":\"value {n}\",\"counts\":{}}}",
                    n % 1024
                ),
                "csv" => writeln!(text, "{i},{n},{},{:.3},on", n % 1024, n as f64 / 7.0),
                "numbers" => writeln!(text, "{n} {i} {} {}", n % 13, n % 1024),
                _ => writeln!(
                    text,
                    "{:08x}: {n:04x} {i:04x} {:04x} {:04x}  ..k.a.d.",
                    i * 16,
                    n % 65_536,
                    n % 999
                ),
            };
        }
    }
    let mut all: Vec<(&'static str, Vec<u8>)> =
        logs.into_iter().map(|(name, text)| (name, text.into_bytes())).collect();
    all.push(("noise", random.bytes(50_000)));
    all.push(("high bits", random.bytes(50_000).iter().map(|byte| byte | 0x80).collect()));
    all.push(("zeros", vec![0; 50_000]));
    all
}

#[test]
fn foreign_logs_are_none_of_these_among_hundreds_of_files() {
    let (_folder, library) = among(200);
    for seed in 1..=3 {
        for (name, log) in foreign(seed) {
            let found = library.recognise(&log);
            assert_eq!(chosen(&found), None, "{name}, seed {seed}: {}", found.because);
        }
    }
}
