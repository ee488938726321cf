//! A decoder in Rust behind a chassis file: `examples/own_decoder`, through the same timeline as any other.

use std::io::Cursor;
use std::path::Path;
use std::sync::Arc;

use proptest::prelude::*;
use straykey::base::{Event, EventKind};
use straykey::decode::chassis::Chassis;
use straykey::decode::check::check;
use straykey::decode::infrared::Formats;
use straykey::decode::library::Library;
use straykey::timeline::{Options, Protocols, Summary, decode_reader};

#[path = "../../examples/own_decoder/linden.rs"]
mod linden;

const FILE: &str = include_str!("../../examples/own_decoder/linden.toml");

/// A press of a key that reads 287 (1023 * 3900 / 13900, the divider rule), a damaged record, and the next press.
const LOG: &str = "#12400 A=1023\n+40 A-736\n+40 A\n+40 A+736\n+40 A\n+40 A?\n+40 A-5\n#20000 A=1023\n\
                   +40 A-867\n+40 A-1\n";

fn chassis() -> Chassis {
    Chassis::parse(Path::new("linden.toml"), FILE).unwrap().decoded_by(linden::begin)
}

fn decode(log: &'static [u8]) -> (Vec<Event>, Summary) {
    let mut library = Library::shipped().unwrap();
    library.put(chassis());
    let protocols = Protocols { library: Arc::new(library), formats: Formats::shipped().unwrap() };
    let options = Options { chassis: Some("linden".to_owned()), ..Options::default() };
    let mut events = Vec::new();
    let summary =
        decode_reader("bench.log", Box::new(Cursor::new(log)), &protocols, &options, &mut |event| {
            events.push(event);
            Ok(())
        });
    (events, summary.unwrap())
}

#[test]
fn its_file_passes_the_check() {
    assert!(check(Path::new("linden.toml"), FILE).is_empty());
}

#[test]
fn its_events_stand_in_the_timeline_with_their_raw_bytes() {
    let (events, summary) = decode(LOG.as_bytes());
    let presses: Vec<(f64, &str)> = events
        .iter()
        .filter(|event| event.kind == EventKind::Press)
        .map(|event| (event.t.seconds(), event.key.unwrap().name()))
        .collect();
    // 80 ms and 7.68 s after the first stamp: the second of two equal readings makes a key.
    assert_eq!(presses, [(0.08, "KEY_VOLUMEUP"), (7.68, "KEY_VOLUMEDOWN")]);
    assert_eq!((summary.counters.records, summary.counters.decoded, summary.counters.damaged), (10, 8, 2));
    assert!(summary.timed);
    for event in &events {
        assert_eq!(event.decoder.as_deref(), Some("linden@1"));
        let (from, length) = (event.offset.unwrap() as usize, event.length.unwrap() as usize);
        let raw = &LOG[from..from + length];
        assert!(LOG.lines().any(|line| line == raw), "{raw:?} is no line of the capture");
        if event.kind == EventKind::Noise {
            assert!(["+40 A?", "+40 A-5"].contains(&raw), "{raw:?}");
        }
    }
}

#[test]
fn it_is_not_taken_for_a_capture_of_itself_without_its_name() {
    let mut library = Library::shipped().unwrap();
    library.put(chassis());
    // What the file's records say, which the set never prints.
    let found = library.recognise("12440 A=287\n".repeat(50).as_bytes());
    assert_eq!(found.choice, None, "{}", found.because);
}

proptest! {
    #[test]
    fn any_bytes_on_any_chunking_give_the_same(
        bytes in prop::collection::vec(prop_oneof![
            prop::sample::select(b"#+-=A1 \n".to_vec()), any::<u8>()
        ], 0..400),
        cut in 1usize..40,
    ) {
        let run = |size: usize| {
            let mut decoder = Arc::new(chassis()).begin("x".into());
            let mut events = Vec::new();
            let mut offset = 0;
            for piece in bytes.chunks(size) {
                decoder.push(None, offset, piece, &mut events);
                offset += piece.len() as u64;
            }
            decoder.finish(&mut events);
            (events, decoder.counters())
        };
        prop_assert_eq!(run(cut), run(bytes.len().max(1)));
    }
}
