//! Remotes of formats that no file declares. The frames are built here from marks and spaces alone.

use rand_pcg::Pcg64;
use rand_pcg::rand_core::{Rng, SeedableRng};
use straykey::base::{EventKind, Nanoseconds};

use super::{decode, shipped};

/// Pulse distance of a coding that no shipped format has: 20 bits, leader 3000 and 3000 µs.
fn frame(code: u32) -> Vec<i64> {
    let mut lengths = vec![3000, 3000];
    for bit in (0..20).rev() {
        lengths.extend([300, if code >> bit & 1 == 1 { 1300 } else { 650 }]);
    }
    lengths.push(300);
    lengths
}

/// Frames that follow each other after these pauses, each length off by up to `spread` microseconds.
fn line(frames: &[(u32, i64)], spread: i64) -> Vec<Nanoseconds> {
    let mut random = Pcg64::seed_from_u64(5);
    let mut lengths = Vec::new();
    for (code, pause) in frames {
        for length in frame(*code) {
            let off = i64::from(random.next_u32() % 1000) * (2 * spread) / 1000 - spread;
            lengths.push(Nanoseconds::from_micros(length + off));
        }
        lengths.push(Nanoseconds::from_millis(*pause));
    }
    lengths
}

#[test]
fn three_like_frames_of_no_known_format_are_an_input() {
    let events =
        decode(&shipped(), &line(&[(0xa5f01, 60), (0xa5f01, 60), (0xa5f01, 60), (0xa5f01, 900)], 40));
    let kinds: Vec<_> =
        events.iter().map(|event| event.kind).filter(|kind| *kind != EventKind::Noise).collect();
    assert_eq!(kinds, [EventKind::Press, EventKind::Repeat, EventKind::Release], "{events:#?}");
    let press = events.iter().find(|event| event.kind == EventKind::Press).unwrap();
    assert_eq!(
        (press.format.as_deref(), press.bits, press.raw.as_deref()),
        (Some("unknown"), Some(20), Some("a5f01"))
    );
    assert_eq!(press.note.as_deref(), Some("unknown format, 20 bits 0xa5f01"));
    assert!(press.is_input() && press.key.is_none());
    let times: Vec<_> = events.iter().map(|event| event.t).collect();
    assert!(times.is_sorted(), "{times:?}");
}

#[test]
fn two_like_frames_or_others_between_are_none() {
    for frames in [
        &[(0xa5f01, 60), (0xa5f01, 900)][..],
        &[(0xa5f01, 60), (0xa5f01, 400), (0xa5f01, 900)],
        &[(0xa5f01, 60), (0xa5f01, 60), (0xa5f02, 60), (0xa5f01, 900)],
    ] {
        let events = decode(&shipped(), &line(frames, 40));
        assert!(events.iter().all(|event| event.kind == EventKind::Noise), "{events:#?}");
    }
}

#[test]
fn groups_of_equal_bursts_stay_noise() {
    // A lamp at 100 Hz: twelve bursts of one length in each half wave.
    let mut lengths = Vec::new();
    for _ in 0..200 {
        for i in 0..12 {
            lengths.push(Nanoseconds::from_micros(120));
            lengths.push(Nanoseconds::from_micros(if i == 11 { 7_000 } else { 130 }));
        }
    }
    assert!(decode(&shipped(), &lengths).iter().all(|event| event.kind == EventKind::Noise));
}
