//! Chassis files from strangers: each is refused with a clear error, or read, in bounded time and memory.

use std::path::Path;
use std::time::{Duration, Instant};

use straykey::base::Error;
use straykey::decode::chassis::Chassis;
use straykey::decode::check::check;
use straykey::decode::folder;

const HEAD: &str = "[chassis]\nname = \"x\"\nversion = 1\nabout = \"a\"\nsource = \"invented\"\n";
const BOOT: &str = "[[record]]\nshape = \"on\"\nevent = \"boot\"\n";
/// Far more than a debug build needs on a busy machine, far less than what the limits prevent.
const PATIENCE: Duration = Duration::from_secs(60);

fn refused(rest: &str) -> Error {
    let start = Instant::now();
    let error = Chassis::parse(Path::new("x.toml"), &format!("{HEAD}{rest}")).expect_err("was taken");
    assert!(start.elapsed() < PATIENCE, "{:?}", start.elapsed());
    assert!(error.to_string().starts_with("x.toml"), "{error}");
    error
}

#[test]
fn records_times_prefixes_are_counted_before_they_are_built() {
    let prefixes = "\"{uptime:seconds} \",".repeat(10_000);
    let records = BOOT.repeat(10_000);
    let error = refused(&format!("[text]\nprefixes = [{prefixes}]\n{records}"));
    assert!(error.what().contains("100000000 shapes"), "{error}");
}

#[test]
fn a_long_shape_is_refused_at_its_place() {
    let long = "a".repeat(1_025);
    let error = refused(&format!("[[record]]\nshape = \"{long}\"\nevent = \"boot\"\n"));
    assert_eq!((error.place().line, error.place().column), (Some(7), Some(9)));
    let error = refused(&format!("[text]\nprefixes = [\"{long}\"]\n{BOOT}"));
    assert_eq!(error.place().line, Some(7));
    let longest = "a".repeat(1_024);
    let text = format!("{HEAD}[[record]]\nshape = \"{longest}\"\nevent = \"boot\"\n");
    assert!(Chassis::parse(Path::new("x.toml"), &text).is_ok(), "the limit itself is allowed");
}

fn line(name: &str, full_scale: u32, keys: usize) -> String {
    let keys: String = (0..keys).map(|i| format!("{{ name = \"KEY_OK\", counts = {} }},", i + 1)).collect();
    format!("[[line]]\nname = \"{name}\"\nfull_scale = {full_scale}\nsupply_volts = 3.3\nkey = [{keys}]\n")
}

#[test]
fn ladders_with_too_many_keys_lines_or_readings_are_refused() {
    assert!(refused(&format!("{BOOT}{}", line("A", 1_023, 65))).what().contains("65 keys"));
    let lines: String = (0..17).map(|i| line(&format!("L{i}"), 1_023, 1)).collect();
    assert!(refused(&format!("{BOOT}{lines}")).what().contains("17 keypad lines"));
    assert!(refused(&format!("{BOOT}{}", line("A", 1 << 20, 40))).what().contains("readings times keys"));
    assert!(refused(&format!("{BOOT}{}", line("A", u32::MAX, 1))).what().contains("readings times keys"));
    let text = format!("{HEAD}{BOOT}{}", line("A", 65_535, 64));
    assert!(Chassis::parse(Path::new("x.toml"), &text).is_ok(), "16 bits and 64 keys are allowed");
}

#[test]
fn examples_packets_and_fields_are_bounded() {
    let examples = "[[example]]\ninput = \"on\"\nevents = []\n".repeat(1_001);
    let error = refused(&format!("{BOOT}{examples}"));
    assert!(error.what().contains("1001 examples") && error.place().line.is_some(), "{error}");
    let frame = "[frame]\nsync = [1]\nlength = { fixed = 8 }\nintegrity = \"none\"\n";
    let packets = "[[packet]]\nevent = \"ignore\"\n".repeat(1_001);
    assert!(refused(&format!("{frame}{packets}")).what().contains("1001 kinds of frame"));
    let fields = "{ name = \"_a\", at = 1 },".repeat(65);
    let error = refused(&format!("{frame}fields = [{fields}]\n[[packet]]\nevent = \"ignore\"\n"));
    assert!(error.what().contains("65 fields"), "{error}");
    assert_eq!(error.place().line, Some(10));
}

#[test]
fn deep_nesting_is_a_mistake_and_no_overflow() {
    for (open, close) in [("[", "]"), ("{a=", "}")] {
        let deep = format!("x = {}1{}\n", open.repeat(100_000), close.repeat(100_000));
        let error = refused(&deep);
        assert!(error.place().line.is_some(), "{error}");
    }
    refused(&format!("{}\n", "[a.".repeat(1_000)));
}

#[test]
fn a_thousand_equal_shapes_are_checked_in_bounded_time() {
    for shape in ["{_a:text}", "{_a:word} {_b:word} {_c:word}", "{_a:hex:64}{_b:hex:64}{_c:hex:64}", "on"] {
        let record = format!("[[record]]\nshape = \"{shape}\"\nevent = \"ignore\"\n");
        let start = Instant::now();
        let findings = check(Path::new("x.toml"), &format!("{HEAD}{}", record.repeat(1_000)));
        assert!(!findings.is_empty());
        assert!(start.elapsed() < PATIENCE, "{shape}: {:?}", start.elapsed());
    }
}

#[test]
fn what_is_no_regular_file_is_not_opened() {
    let folder = tempfile::tempdir().unwrap();
    for path in [Path::new("/dev/zero"), folder.path()] {
        let error = folder::read(path).unwrap_err();
        assert!(error.what().contains("no regular file"), "{error}");
        assert_eq!(error.exit_status(), 3);
    }
    let large = folder.path().join("x.toml");
    std::fs::write(&large, "#".repeat((1 << 20) + 1)).unwrap();
    assert!(folder::read(&large).unwrap_err().what().contains("more than 1048576 bytes"));
}
