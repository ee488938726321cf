//! Binary captures: sync bytes, length and check found by search.

use straykey::base::Kind;
use straykey::decode::frame::{CheckKind, Checksum};
use straykey::learn::{LengthDraft, learn_frames};

use crate::support::random::Random;

/// CRC-16/XMODEM, bit by bit after its catalogue entry (polynomial 0x1021, start 0, nothing mirrored): not ours.
fn xmodem(bytes: &[u8]) -> u16 {
    bytes.iter().fold(0u16, |crc, byte| {
        (0..8).fold(
            crc ^ u16::from(*byte) << 8,
            |crc, _| if crc & 0x8000 == 0 { crc << 1 } else { crc << 1 ^ 0x1021 },
        )
    })
}

fn stream(seed: u64, frame: &dyn Fn(&mut Random) -> Vec<u8>) -> Vec<u8> {
    let mut random = Random(seed);
    let mut bytes = Vec::new();
    for _ in 0..300 {
        bytes.extend(frame(&mut random));
        if random.below(20) == 0 {
            let noise = random.below(6);
            bytes.extend(random.bytes(noise));
        }
    }
    bytes
}

#[test]
fn sync_length_field_and_crc_are_found() {
    let bytes = stream(5, &|random| {
        let body = 3 + random.below(12);
        let mut frame = vec![(body + 2) as u8];
        frame.extend(random.bytes(body));
        let check = xmodem(&frame);
        frame.extend(check.to_be_bytes());
        [vec![0xa5, 0x5a], frame].concat()
    });
    let draft = learn_frames(&bytes, "ash", "ash.bin").unwrap();
    assert_eq!(draft.sync, [0xa5, 0x5a]);
    assert!(
        matches!(draft.length, LengthDraft::Field { at: 0, bytes: 1, plus: 1, .. }),
        "{:?}",
        draft.length
    );
    let check: Checksum = draft.checksum.unwrap();
    assert_eq!((check.kind, check.bits, check.polynomial, check.initial), (CheckKind::Crc, 16, 0x1021, 0));
    assert!(draft.checked.0 >= 194, "{:?}", draft.checked);
}

#[test]
fn fixed_length_and_sum_are_found() {
    let bytes = stream(6, &|random| {
        let mut frame = vec![0x7e];
        frame.extend(random.bytes(5));
        let sum = frame[1..].iter().fold(0u8, |sum, byte| sum.wrapping_add(*byte));
        frame.push(sum);
        frame
    });
    let draft = learn_frames(&bytes, "ash", "ash.bin").unwrap();
    assert_eq!((draft.sync.as_slice(), draft.length), ([0x7e].as_slice(), LengthDraft::Fixed(6)));
    assert_eq!(draft.checksum.map(|check| (check.kind, check.bits)), Some((CheckKind::Sum, 8)));
}

#[test]
fn random_bytes_are_no_protocol() {
    for seed in 1..=20 {
        let error = learn_frames(&Random(seed).bytes(8_000), "ash", "ash.bin").unwrap_err();
        assert_eq!(error.kind(), Kind::Input, "seed {seed}");
    }
    assert!(learn_frames(&[], "ash", "ash.bin").is_err());
    assert!(learn_frames(&[0; 4_000], "ash", "ash.bin").is_err(), "a silent line is no protocol");
}
