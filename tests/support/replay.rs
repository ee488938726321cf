//! What a journal gives back, in a form that can be compared.

use straykey::base::Anchor;
use straykey::journal::{Reader, Recovered};
use straykey::source::{ByteSource, Pulled};

/// 2026-03-01T12:00:00Z.
pub(crate) const ANCHOR: Anchor = Anchor { unix_ns: 1_772_366_400_000_000_000 };

/// What a replay gives, in a form that can be compared.
#[derive(Debug, Default, PartialEq)]
pub(crate) struct Replayed {
    pub(crate) bytes: Vec<u8>,
    /// Arrival, offset and length of every chunk.
    pub(crate) chunks: Vec<(i64, u64, usize)>,
    pub(crate) marks: Vec<String>,
    pub(crate) recovered: Option<Recovered>,
}

pub(crate) fn replay_reader(mut reader: Reader) -> Result<Replayed, straykey::base::Error> {
    let mut replayed = Replayed::default();
    loop {
        match reader.pull()? {
            Pulled::Chunk(chunk) => {
                let arrival = chunk.arrival.unwrap();
                replayed.chunks.push((arrival.0, chunk.offset, chunk.bytes.len()));
                replayed.bytes.extend_from_slice(chunk.bytes);
            }
            Pulled::Mark(mark) => replayed.marks.push(mark.what.to_string()),
            Pulled::Quiet(_) => {}
            Pulled::End => break,
        }
    }
    replayed.recovered = reader.recovered();
    Ok(replayed)
}
