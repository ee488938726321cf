//! The index: deleted, damaged, of another version; always made the same again.

use std::path::Path;

use rusqlite::Connection;
use straykey::base::{ControlPath, Error, Event, EventKind, Key, Nanoseconds, Result, Span};
use straykey::timeline::job::{CaptureRef, Job};
use straykey::timeline::store::{SCHEMA_VERSION, Store};

use super::{hands_off, log_file, small_job};

/// Stands for a decoder: one press for every line of the file, at times that no float holds exactly.
fn decode(capture: &CaptureRef, take: &mut dyn FnMut(Event) -> Result<()>) -> Result<(Option<Span>, String)> {
    let text = std::fs::read_to_string(&capture.path).unwrap();
    for (i, line) in text.lines().enumerate() {
        let mut event = Event::new(
            Nanoseconds((1 << 60) + i as i64 * 1_000_000_007),
            ControlPath::Keypad,
            EventKind::Press,
        );
        event.key = Key::from_name("KEY_VOLUMEDOWN");
        event.note = Some(line.into());
        event.capture = Some(capture.name.as_str().into());
        take(event)?;
    }
    Ok((Some(Span { start: Nanoseconds::ZERO, end: Nanoseconds::SECOND }), String::new()))
}

fn events(store: &Store, capture: &str) -> Vec<Event> {
    let mut events = Vec::new();
    store
        .events(capture, &mut |event| {
            events.push(event);
            Ok(())
        })
        .unwrap();
    events
}

/// Every row of every table, read by the database library alone.
fn content(folder: &Path) -> Vec<String> {
    let connection = Connection::open(folder.join("straykey.db")).unwrap();
    let mut rows = Vec::new();
    for table in ["stages", "steps", "captures", "events", "readings", "findings"] {
        let mut statement = connection.prepare(&format!("SELECT * FROM {table} ORDER BY 1, 2")).unwrap();
        let columns = statement.column_count();
        let mut found = statement.query([]).unwrap();
        while let Some(row) = found.next().unwrap() {
            let values: Vec<String> =
                (0..columns).map(|i| format!("{:?}", row.get_ref(i).unwrap())).collect();
            rows.push(format!("{table}: {}", values.join(" | ")));
        }
    }
    rows
}

fn indexed(folder: &Path) -> (Job, Store) {
    let job = small_job(folder);
    let mut store = Store::open(job.folder()).unwrap();
    assert!(store.was_made_anew());
    store.rebuild(&job, "alder@1", &mut decode).unwrap();
    (job, store)
}

#[test]
fn the_index_gives_back_the_very_events() {
    let folder = tempfile::tempdir().unwrap();
    let (job, store) = indexed(folder.path());
    for capture in job.captures() {
        let mut direct = Vec::new();
        decode(capture, &mut |event| {
            direct.push(event);
            Ok(())
        })
        .unwrap();
        assert_eq!(events(&store, &capture.name), direct);
    }
    let captures = store.captures().unwrap();
    let counts: Vec<_> = captures.iter().map(|capture| (capture.stage, capture.events)).collect();
    assert_eq!(counts, [(1, 10), (2, 4), (2, 3)]);
    assert_eq!(captures[0].span.unwrap().end, Nanoseconds::SECOND);
}

#[test]
fn deleted_and_rebuilt_it_has_the_same_content() {
    let folder = tempfile::tempdir().unwrap();
    let (job, store) = indexed(folder.path());
    let before = content(job.folder());
    // Stages, steps, captures, and for each capture a block of events and a ledger.
    assert_eq!(before.len(), 3 + 2 + 3 + 3 + 3);
    drop(store);
    for ending in ["", "-wal", "-shm"] {
        let _ = std::fs::remove_file(job.folder().join(format!("straykey.db{ending}")));
    }
    let mut store = Store::open(job.folder()).unwrap();
    assert!(store.was_made_anew());
    store.rebuild(&job, "alder@1", &mut decode).unwrap();
    drop(store);
    assert_eq!(content(job.folder()), before);
}

#[test]
fn a_damaged_index_or_one_of_another_version_is_made_anew() {
    let folder = tempfile::tempdir().unwrap();
    let (job, store) = indexed(folder.path());
    drop(store);
    let path = job.folder().join("straykey.db");
    let sound = std::fs::read(&path).unwrap();
    let mut foreign = sound.clone();
    foreign[60..64].copy_from_slice(&(SCHEMA_VERSION as u32 + 1).to_be_bytes());
    let noise = crate::support::random::Random(3).bytes(20_000);
    for bytes in [noise, foreign, b"not a database at all, and quite short".to_vec()] {
        std::fs::write(&path, bytes).unwrap();
        let mut store = Store::open(job.folder()).unwrap();
        assert!(store.was_made_anew());
        assert_eq!(store.captures().unwrap(), []);
        store.refresh(&job, "alder@1", &mut decode).unwrap();
        assert_eq!(events(&store, "0001-baseline").len(), 10);
    }
    // The user_version of an SQLite file stands at byte 60, big-endian (SQLite file format, section 1.3).
    assert_eq!(sound[60..64], (SCHEMA_VERSION as u32).to_be_bytes());
}

#[test]
fn refresh_decodes_only_what_is_new_or_was_decoded_otherwise() {
    let folder = tempfile::tempdir().unwrap();
    let (mut job, mut store) = indexed(folder.path());
    let mut decoded = Vec::new();
    let mut refresh = |job: &Job, store: &mut Store, decoders: &str| {
        decoded.clear();
        let names = &mut decoded;
        store
            .refresh(job, decoders, &mut |capture, take| {
                names.push(capture.name.clone());
                decode(capture, take)
            })
            .unwrap();
        names.clone()
    };
    assert!(refresh(&job, &mut store, "alder@1").is_empty());
    job.import(&log_file(folder.path(), "new.log", 2), &hands_off()).unwrap();
    assert_eq!(refresh(&job, &mut store, "alder@1"), ["0004-new"]);
    assert_eq!(refresh(&job, &mut store, "alder@2").len(), 4);
    assert_eq!(events(&store, "0004-new").len(), 2);
}

#[test]
fn a_capture_that_cannot_be_decoded_leaves_the_others_indexed() {
    let folder = tempfile::tempdir().unwrap();
    let job = small_job(folder.path());
    let mut store = Store::open(job.folder()).unwrap();
    let error = store
        .rebuild(&job, "alder@1", &mut |capture, take| {
            decode(capture, take)?;
            if capture.name.contains("again") {
                Err(Error::input("damaged"))
            } else {
                Ok((None, String::new()))
            }
        })
        .unwrap_err();
    assert_eq!(error.what(), "damaged");
    assert_eq!(store.captures().unwrap().len(), 2);
    assert_eq!(events(&store, "0003-again"), []);
}

#[test]
fn findings_are_kept_until_the_index_is_rebuilt() {
    let folder = tempfile::tempdir().unwrap();
    let (job, mut store) = indexed(folder.path());
    store.put_finding("stage 2", "patterns", "{\"version\":1}").unwrap();
    store.put_finding("stage 2", "patterns", "{\"version\":1,\"strays\":0}").unwrap();
    assert_eq!(
        store.finding("stage 2", "patterns").unwrap().as_deref(),
        Some("{\"version\":1,\"strays\":0}")
    );
    assert_eq!(store.finding("stage 3", "patterns").unwrap(), None);
    store.rebuild(&job, "alder@1", &mut decode).unwrap();
    assert_eq!(store.finding("stage 2", "patterns").unwrap(), None);
}

/// What two lines print, one of them later than the other one, with clocks that step back a little.
fn readings(
    capture: &CaptureRef,
    take: &mut dyn FnMut(Event) -> Result<()>,
) -> Result<(Option<Span>, String)> {
    for i in 0..10_000i64 {
        let kind = if i % 7 == 3 { EventKind::Press } else { EventKind::Reading };
        let t = Nanoseconds((1 << 60) + i * 50_000_001 - (i % 5) * 70_000_000);
        let mut event = Event::new(t, ControlPath::Keypad, kind);
        event.line = Some(if i > 6_000 && i % 2 == 0 { "KEY2" } else { "KEY1" }.into());
        event.counts = Some(u32::try_from(i * i % 65_536).unwrap());
        event.capture = Some(capture.name.as_str().into());
        take(event)?;
    }
    Ok((None, String::new()))
}

#[test]
fn packed_readings_are_those_of_the_events() {
    let folder = tempfile::tempdir().unwrap();
    let job = small_job(folder.path());
    let mut store = Store::open(job.folder()).unwrap();
    for _ in 0..2 {
        store.rebuild(&job, "lines", &mut readings).unwrap();
        for capture in job.captures() {
            let expected: Vec<(String, Nanoseconds, u32)> = events(&store, &capture.name)
                .into_iter()
                .filter(|event| event.kind == EventKind::Reading)
                .map(|event| (event.line.unwrap().to_string(), event.t, event.counts.unwrap()))
                .collect();
            assert!(expected.len() > 8_000);
            let mut packed = Vec::new();
            store
                .packed(&capture.name, &mut |line, t, counts| {
                    packed.push((line.to_string(), t, counts));
                    Ok(())
                })
                .unwrap();
            assert_eq!(packed, expected);
        }
    }
    // A row that was cut is told, with what to do, and no reading is made up.
    let capture = job.captures().next().unwrap().name.clone();
    let connection = Connection::open(job.folder().join("straykey.db")).unwrap();
    connection.execute("UPDATE readings SET packed = substr(packed, 1, length(packed) - 1)", []).unwrap();
    let error = store.packed(&capture, &mut |_, _, _| Ok(())).unwrap_err();
    assert!(error.to_string().contains("rebuilds it from the raw captures"), "{error}");
}
