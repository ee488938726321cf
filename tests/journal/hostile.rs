//! Any bytes, any chunking.

use std::io::{self, Read};

use proptest::prelude::*;
use straykey::journal::{Reader, Writer};

use super::{Replayed, replay, replay_reader, small_journal};
use crate::support::disk::FailingDisk;

/// Gives the bytes in pieces of the given lengths, over and over.
struct Pieces {
    bytes: Vec<u8>,
    at: usize,
    lengths: Vec<usize>,
    turn: usize,
}

impl Read for Pieces {
    fn read(&mut self, into: &mut [u8]) -> io::Result<usize> {
        self.turn += 1;
        if self.turn.is_multiple_of(5) {
            return Err(io::ErrorKind::Interrupted.into());
        }
        let wanted = self.lengths[self.turn % self.lengths.len()];
        let n = wanted.min(into.len()).min(self.bytes.len() - self.at);
        into[..n].copy_from_slice(&self.bytes[self.at..self.at + n]);
        self.at += n;
        Ok(n)
    }
}

fn in_pieces(bytes: &[u8], lengths: &[usize]) -> Option<Replayed> {
    let pieces = Pieces { bytes: bytes.to_vec(), at: 0, lengths: lengths.to_vec(), turn: 0 };
    Reader::new(Box::new(pieces)).and_then(replay_reader).ok()
}

/// A journal with damage: pieces of a sound one, noise, markers, lengths.
fn damaged_journal() -> impl Strategy<Value = Vec<u8>> {
    let piece = prop_oneof![
        proptest::collection::vec(any::<u8>(), 0..200),
        (0usize..600, 0usize..600).prop_map(|(from, length)| {
            let (file, _) = small_journal();
            let from = from.min(file.len());
            file[from..(from + length).min(file.len())].to_vec()
        }),
        Just(vec![0xa5, 0xc3]),
        any::<u32>().prop_map(|length| [&[0xa5, 0xc3, 2, 0][..], &length.to_le_bytes()].concat()),
    ];
    (any::<bool>(), proptest::collection::vec(piece, 0..8)).prop_map(|(sound, pieces)| {
        let head = if sound { small_journal().0[..32].to_vec() } else { Vec::new() };
        head.into_iter().chain(pieces.into_iter().flatten()).collect()
    })
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 300, ..ProptestConfig::default() })]

    #[test]
    fn any_bytes_are_read_without_a_panic_and_the_same_on_any_chunking(
        bytes in damaged_journal(),
        lengths in proptest::collection::vec(1usize..80, 1..5),
    ) {
        let whole = replay(&bytes).ok();
        for lengths in [&[1][..], &[2], &[7], &lengths] {
            prop_assert_eq!(&in_pieces(&bytes, lengths), &whole);
        }
        if let Some(whole) = &whole {
            let recovered = whole.recovered.unwrap();
            prop_assert_eq!(recovered.kept + recovered.cut, bytes.len() as u64);
        }
    }

    #[test]
    fn any_bytes_can_be_opened_to_go_on_or_are_refused(bytes in damaged_journal()) {
        let (disk, platter) = FailingDisk::holding(bytes.clone());
        if let Ok((_, recovered)) = Writer::open_on(Box::new(disk), std::path::Path::new("x.journal")) {
            let left = platter.lock().unwrap().cached.clone();
            prop_assert_eq!(left, &bytes[..recovered.kept as usize]);
        }
    }
}

/// Endless input: a source that gives a head, then markers with a plausible length for ever.
struct Endless {
    head: Vec<u8>,
    left: u64,
}

impl Read for Endless {
    fn read(&mut self, into: &mut [u8]) -> io::Result<usize> {
        if !self.head.is_empty() {
            let n = self.head.len().min(into.len());
            into[..n].copy_from_slice(&self.head[..n]);
            self.head.drain(..n);
            return Ok(n);
        }
        let n = (into.len() as u64).min(self.left) as usize;
        into[..n].fill(0x55);
        self.left -= n as u64;
        Ok(n)
    }
}

#[test]
fn a_quarter_gigabyte_of_noise_behind_the_head_is_one_tail_at_constant_memory() {
    let head = small_journal().0[..32].to_vec();
    // Memory is constant by construction: the reader owns one buffer of 256 KiB and a mark.
    let reader = Reader::new(Box::new(Endless { head, left: 1 << 28 })).unwrap();
    let replayed = replay_reader(reader).unwrap();
    assert_eq!(replayed.recovered.unwrap().cut, 1 << 28);
    assert_eq!(replayed.marks.len(), 1);
}
