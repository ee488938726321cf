//! Every format version ever written is read by the newest code.

use std::path::Path;

use straykey::journal::Reader;
use straykey::source::ByteSource;

use super::{ANCHOR, lines, replay_reader, small_journal};

#[test]
fn a_journal_of_version_1_is_read_as_it_was_written() {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("captures/journal-v1/small.journal");
    let reader = Reader::open(&path).unwrap();
    assert_eq!(reader.anchor(), Some(ANCHOR));
    let replayed = replay_reader(reader).unwrap();
    let expected: Vec<u8> = lines().into_iter().flat_map(|(_, line)| line).collect();
    assert_eq!(replayed.bytes, expected);
    assert_eq!(replayed.marks, Vec::<String>::new());
    // As long as version 1 is what is written, the writer still writes these very bytes.
    assert_eq!(std::fs::read(&path).unwrap(), small_journal().0);
}
