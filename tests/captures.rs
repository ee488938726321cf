//! Every sample in `captures/` decodes to the events beside it, however its bytes are cut.
//!
//! The expected events were written by straykey itself (`STRAYKEY_WRITE_EVENTS=1 cargo test captures`) and
//! read through by hand against how each capture was made; they hold later changes still. What the keys
//! should be is tested against the simulator's own record in `face/demo.rs`, and against outside sources in
//! the other rooms.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use std::collections::BTreeMap;
use std::fs;
use std::io::Read;
use std::path::{Path, PathBuf};

use serde::Deserialize;
use straykey::base::{Event, write_event};
use straykey::timeline::{Options, Protocols, Wire, decode_path, decode_reader};

#[derive(Deserialize)]
struct How {
    file: Vec<Sample>,
}

#[derive(Deserialize)]
struct Sample {
    name: String,
    made: String,
    chassis: Option<String>,
    #[serde(default)]
    wire: BTreeMap<String, String>,
    sample_rate_hz: Option<f64>,
}

fn samples() -> Vec<(PathBuf, Sample)> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("captures");
    let mut found = Vec::new();
    for entry in fs::read_dir(root).unwrap().flatten() {
        let Ok(text) = fs::read_to_string(entry.path().join("how.toml")) else { continue };
        let how: How = toml::from_str(&text).unwrap();
        found.extend(how.file.into_iter().map(|sample| (entry.path().join(&sample.name), sample)));
    }
    found.sort_by(|a, b| a.0.cmp(&b.0));
    assert!(found.len() >= 12, "only {} samples", found.len());
    found
}

fn options(sample: &Sample) -> Options {
    Options {
        chassis: sample.chassis.clone(),
        wires: Wire::from_map(&sample.wire).unwrap(),
        sample_rate_hz: sample.sample_rate_hz,
        threshold: None,
        progress: None,
    }
}

fn lines(events: &[Event]) -> String {
    let mut out = Vec::new();
    for event in events {
        write_event(event, None, &mut out);
        out.push(b'\n');
    }
    String::from_utf8(out).unwrap()
}

/// The first difference is shown, not two files.
fn same(got: &str, want: &str, what: &str) {
    for (number, (got, want)) in got.lines().zip(want.lines()).enumerate() {
        assert_eq!(got, want, "{what}, event {}", number + 1);
    }
    assert_eq!(got.lines().count(), want.lines().count(), "{what}: number of events");
}

/// Gives at most so many bytes at a time.
struct Cut<R> {
    inner: R,
    most: usize,
}

impl<R: Read> Read for Cut<R> {
    fn read(&mut self, buffer: &mut [u8]) -> std::io::Result<usize> {
        let most = self.most.min(buffer.len());
        self.inner.read(&mut buffer[..most])
    }
}

#[test]
fn every_sample_decodes_to_the_events_beside_it() {
    let protocols = Protocols::load(None).unwrap();
    let write = std::env::var_os("STRAYKEY_WRITE_EVENTS").is_some();
    for (path, sample) in samples() {
        assert!(!sample.made.is_empty(), "{} does not say how it was made", path.display());
        let mut events = Vec::new();
        decode_path(&path, &protocols, &options(&sample), &mut |event| {
            events.push(event);
            Ok(())
        })
        .unwrap_or_else(|error| panic!("{}: {error}", path.display()));
        let text = lines(&events);
        let beside = PathBuf::from(format!("{}.events.jsonl", path.display()));
        if write {
            fs::write(&beside, &text).unwrap();
        }
        let expected = fs::read_to_string(&beside).unwrap_or_default();
        same(&text, &expected, &path.display().to_string());
        assert!(!text.is_empty(), "{} has no events", path.display());
    }
}

#[test]
fn events_do_not_depend_on_how_the_bytes_are_cut() {
    let protocols = Protocols::load(None).unwrap();
    for (path, sample) in samples() {
        let expected = fs::read_to_string(format!("{}.events.jsonl", path.display())).unwrap();
        let name = path.file_name().unwrap().to_string_lossy().into_owned();
        for most in [1, 2, 7, 4099] {
            let reader = Cut { inner: fs::File::open(&path).unwrap(), most };
            let mut events = Vec::new();
            decode_reader(
                &name,
                Box::new(std::io::BufReader::with_capacity(1 << 16, reader)),
                &protocols,
                &options(&sample),
                &mut |event| {
                    events.push(event);
                    Ok(())
                },
            )
            .unwrap();
            same(&lines(&events), &expected, &format!("{} in pieces of {most}", path.display()));
        }
    }
}

#[test]
fn a_cut_sample_never_panics_and_keeps_what_came_before() {
    let protocols = Protocols::load(None).unwrap();
    for (path, sample) in samples() {
        let bytes = fs::read(&path).unwrap();
        let name = path.file_name().unwrap().to_string_lossy().into_owned();
        let whole: Vec<String> = fs::read_to_string(format!("{}.events.jsonl", path.display()))
            .unwrap()
            .lines()
            .map(str::to_owned)
            .collect();
        for part in [3, 5, 9] {
            let cut = bytes[..bytes.len() * part / 10].to_vec();
            let mut count = 0;
            // An error is a fair answer to half a file; what was given before it stands.
            let _ = decode_reader(
                &name,
                Box::new(std::io::Cursor::new(cut)),
                &protocols,
                &options(&sample),
                &mut |_| {
                    count += 1;
                    Ok(())
                },
            );
            assert!(count <= whole.len() + 2, "{}: {count} events from a part of the file", path.display());
        }
    }
}
