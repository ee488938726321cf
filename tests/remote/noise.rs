//! Noise is a model, since no distribution of spurious pulses is published: marks of 130 to 1000 µs, spaces of
//! 150 µs to 10 ms, uniform, with or without groups in step with the rectified mains. Common practice, no source.

use rand_pcg::Pcg64;
use rand_pcg::rand_core::{Rng, SeedableRng};
use straykey::base::{Event, EventKind, Nanoseconds};
use straykey::decode::infrared::Decoder;
use straykey::signal::Pulse;

use super::shipped;

fn between(random: &mut Pcg64, low: u32, high: u32) -> i64 {
    i64::from(low + random.next_u32() % (high - low)) * 1_000
}

/// Events of modelled noise of this many seconds; `next` gives mark and space in nanoseconds for a time.
fn listen(seconds: i64, mut next: impl FnMut(i64) -> (i64, i64)) -> Vec<Event> {
    let mut decoder = Decoder::new(shipped(), "test".into());
    let mut events = Vec::new();
    let mut t = 0;
    let mut offset = 0;
    while t < seconds * 1_000_000_000 {
        let (mark, space) = next(t);
        for (is_mark, length) in [(true, mark), (false, space)] {
            let length = Nanoseconds(length.max(1_000));
            decoder.push(Pulse { t: Nanoseconds(t), mark: is_mark, length, offset }, &mut events);
            t += length.0;
            offset += 1;
        }
    }
    decoder.finish(Nanoseconds(t), &mut events);
    assert!(events.is_sorted_by_key(|event| event.t));
    events
}

fn summaries(events: &[Event]) -> Vec<&str> {
    let summary = |event: &&Event| event.kind == EventKind::Noise && event.format.is_none();
    events.iter().filter(summary).map(|event| event.note.as_deref().unwrap()).collect()
}

/// No key of a checked format, and none of an unchecked one above the stated bound.
fn judge(events: &[Event], hours: f64) {
    let formats = shipped();
    let keys = |checked: bool| {
        let is_key = |event: &&Event| matches!(event.kind, EventKind::Press | EventKind::Repeat);
        let of = |event: &&Event| {
            event.format.as_deref().is_some_and(|name| formats.find(name).unwrap().is_checked() == checked)
        };
        events.iter().filter(is_key).filter(of).count()
    };
    let first = events.iter().find(|event| matches!(event.kind, EventKind::Press | EventKind::Repeat));
    assert_eq!(keys(true), 0, "{first:?}");
    // Stated bound: one false key of an unchecked format in an hour of this noise.
    assert!(keys(false) as f64 <= hours.max(1.0), "{}", keys(false));
    let frames = events.iter().filter(|event| event.kind == EventKind::Frame).count();
    println!("{hours} h: {} unchecked keys, {frames} single frames, {} events", keys(false), events.len());
    // Stated bound for single unchecked frames, which are no keys: one an hour too (none was seen).
    assert!(frames as f64 <= hours.max(1.0), "{frames}");
    // At most one summary for ten seconds, and sixteen near-frames.
    assert!(events.len() as f64 <= hours * 360.0 * 17.0 + 17.0, "{}", events.len());
}

#[test]
fn an_hour_of_sparse_noise_gives_no_code() {
    let mut random = Pcg64::seed_from_u64(9);
    let events = listen(3600, |_| (between(&mut random, 130, 1000), between(&mut random, 150, 10_000)));
    judge(&events, 1.0);
    assert!(summaries(&events).len() >= 359);
}

#[test]
fn an_hour_of_dense_noise_gives_no_code() {
    let mut random = Pcg64::seed_from_u64(10);
    let seconds = if cfg!(debug_assertions) { 360 } else { 3600 };
    let events = listen(seconds, |_| (between(&mut random, 130, 1000), between(&mut random, 150, 2_000)));
    judge(&events, seconds as f64 / 3600.0);
}

#[test]
fn an_hour_of_noise_with_the_lengths_of_real_frames_gives_no_code_of_a_checked_format() {
    // The worst model: lengths drawn from those that formats use, each off by up to 15 %.
    let lengths =
        [264, 320, 432, 444, 500, 525, 563, 600, 680, 889, 1200, 1296, 1575, 1688, 1778, 2400, 4500, 9000];
    let mut random = Pcg64::seed_from_u64(11);
    let seconds = if cfg!(debug_assertions) { 360 } else { 3600 };
    let mut one = || {
        let nominal = lengths[random.next_u32() as usize % lengths.len()];
        between(&mut random, nominal * 85 / 100, nominal * 115 / 100)
    };
    let events = listen(seconds, |_| (one(), one()));
    judge(&events, seconds as f64 / 3600.0);
}

/// Groups of one to three bursts at a steady rate, each group late by up to a tenth of the period.
fn grouped(hertz: f64) -> Vec<Event> {
    let mut random = Pcg64::seed_from_u64(12);
    let period = (1e9 / hertz) as i64;
    let mut left = 0;
    listen(30, |t| {
        let mark = between(&mut random, 130, 600);
        if left > 0 {
            left -= 1;
            return (mark, between(&mut random, 150, 400));
        }
        left = random.next_u32() % 3;
        let late = between(&mut random, 1, (period / 10_000) as u32 + 2);
        let next = (t + mark) / period * period + period + late;
        (mark, next - t - mark)
    })
}

#[test]
fn groups_in_step_with_the_mains_are_found_and_their_frequency_named() {
    for (hertz, words) in [
        (50.0, "in step with 50 Hz mains"),
        (60.0, "in step with 60 Hz mains"),
        (100.0, "in step with 100 Hz as a lamp on the mains"),
        (120.0, "in step with 120 Hz as a lamp on the mains"),
        // The grid is never exactly right.
        (100.06, "in step with 100 Hz"),
        (119.95, "in step with 120 Hz"),
    ] {
        let events = grouped(hertz);
        for summary in summaries(&events) {
            assert!(summary.contains(words), "{hertz}: {summary}");
        }
    }
}

#[test]
fn random_noise_and_other_frequencies_are_not_called_mains() {
    let mut random = Pcg64::seed_from_u64(13);
    let events = listen(600, |_| (between(&mut random, 130, 1000), between(&mut random, 150, 10_000)));
    for hertz in [37.0, 73.0, 90.0, 105.0, 137.0] {
        for summary in summaries(&grouped(hertz)) {
            assert!(!summary.contains("in step"), "{hertz}: {summary}");
        }
    }
    assert!(summaries(&events).iter().all(|summary| !summary.contains("in step")));
}

#[test]
fn a_summary_says_rate_widths_and_gain() {
    // 100 bursts a second of exactly 200 µs.
    let events = listen(10, |_| (200_000, 9_800_000));
    let text = summaries(&events)[0];
    assert!(text.contains("1000 bursts, 100.0 a second; marks 200 to 200 µs"), "{text}");
    assert!(text.contains("gain held down 0 %"), "{text}");
    assert!(!text.contains("too short"), "{text}");
    // 2000 bursts a second are more than the data sheets' types take; 100 µs are less than ten cycles can give.
    let events = listen(10, |_| (100_000, 400_000));
    let text = summaries(&events)[0];
    assert!(text.contains("100 % too short for light"), "{text}");
    assert!(text.contains("gain held down 100 %"), "{text}");
}

#[test]
fn one_glitch_every_second_is_summed_up() {
    let events = listen(60, |_| (50_000, 1_000_000_000 - 50_000));
    assert!(events.len() <= 7, "{}", events.len());
}

#[test]
fn the_flicker_of_a_lamp_ballast_is_named_with_its_frequency() {
    // Electronic ballasts flicker at 20 to 100 kHz (EMSD Hong Kong, 2003): equal cycles, in the bright half of each half
    // wave of 50 Hz, each off by up to 2 %.
    for hertz in [22_000.0_f64, 47_000.0, 80_000.0] {
        let mut random = Pcg64::seed_from_u64(14);
        let cycle = 1e9 / hertz;
        let events = listen(1, |t| {
            let near = |random: &mut Pcg64, share: f64| {
                let off = 0.98 + 0.04 * f64::from(random.next_u32()) / f64::from(u32::MAX);
                (cycle * share * off) as i64
            };
            let mark = near(&mut random, 0.4);
            let dark = t.rem_euclid(10_000_000) > 5_000_000;
            (mark, if dark { 10_000_000 - t.rem_euclid(10_000_000) } else { near(&mut random, 0.6) })
        });
        let text = summaries(&events)[0];
        let (_, told) = text.split_once("; a steady ").unwrap_or_else(|| panic!("{hertz}: {text}"));
        let kilohertz: f64 = told.split_once(" kHz").unwrap().0.parse().unwrap();
        assert!((kilohertz / (hertz / 1e3) - 1.0).abs() < 0.02, "{hertz}: {text}");
    }
    // Marks of the same lengths at random distances have no frequency.
    let mut random = Pcg64::seed_from_u64(15);
    let events = listen(10, |_| (between(&mut random, 5, 10), between(&mut random, 6, 900)));
    assert!(summaries(&events).iter().all(|text| !text.contains("kHz")));
}
