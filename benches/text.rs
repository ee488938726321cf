//! Debug text to events: whole decoders against cutting lines alone.
//!
//! `cargo bench --bench text`. The logs are invented, made in memory in each chassis' own style; the reference of
//! the same run is the line cutter of the `memchr` crate, the least that any reader of lines must do.

use std::fmt::Write as _;
use std::sync::Arc;

use divan::counter::BytesCount;
use divan::{Bencher, black_box};
use straykey::decode::library::Library;
use straykey::decode::text::TextDecoder;
use straykey::timeline::mask::{Masker, Text};

/// Bytes of each log.
const SIZE: usize = 64 << 20;
/// Bytes of one piece, as a reader delivers them.
const PIECE: usize = 256 << 10;

fn main() {
    divan::main();
}

/// A log in the style of a chassis; one reading in sixty-four is a key.
fn log(chassis: &str) -> String {
    let mut text = String::with_capacity(SIZE + 256);
    let mut noise = 1u32;
    let mut i = 0u64;
    while text.len() < SIZE {
        i += 1;
        noise = noise.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        let down = noise >> 26 == 0;
        let (seconds, thousandths) = (i / 20, i % 20 * 50);
        let _ = match chassis {
            "alder" => {
                let counts = if down { 747 } else { 1020 + (noise >> 30) };
                writeln!(
                    text,
                    "[{seconds}.{thousandths:03}] keyscan: line=KEY{} adc=0x{counts:03x}",
                    1 + i % 2
                )
            }
            "birch" => writeln!(text, "[{seconds:5}.{thousandths:03}000][  T103] keypad: key VOL+ (rpt)"),
            "rowan" => writeln!(text, "{:03} 255", if down { 174 } else { 254 }),
            "linux-input" => {
                let state = if i.is_multiple_of(2) { "UP" } else { "DOWN" };
                writeln!(
                    text,
                    "[{seconds:8}.{thousandths:03}000] {:<12} {:<20} {state:<20}",
                    "EV_KEY", "KEY_MENU"
                )
            }
            _ => writeln!(text, "[{seconds:5}.{thousandths:03}000] usb 1-1: new device number {}", i % 128),
        };
    }
    text
}

#[divan::bench(args = ["alder", "birch", "rowan", "linux-input"], sample_count = 5, sample_size = 1)]
fn text_to_events(bencher: Bencher<'_, '_>, name: &str) {
    run(bencher, name, &log(name));
}

#[divan::bench(sample_count = 5, sample_size = 1)]
fn lines_of_other_programs(bencher: Bencher<'_, '_>) {
    run(bencher, "alder", &log("none"));
}

fn run(bencher: Bencher<'_, '_>, name: &str, text: &str) {
    let Ok(chassis) = Library::shipped().and_then(|library| library.chassis(name)) else { return };
    bencher.counter(BytesCount::new(text.len())).bench(|| {
        let mut decoder = TextDecoder::new(Arc::clone(&chassis), "bench".into());
        let mut events = Vec::new();
        let mut total = 0;
        let mut offset = 0;
        for piece in text.as_bytes().chunks(PIECE) {
            decoder.push(None, offset, piece, &mut events);
            offset += piece.len() as u64;
            total += black_box(&events).len();
            events.clear();
        }
        decoder.finish(&mut events);
        total
    });
}

#[divan::bench(args = ["alder", "rowan"], sample_count = 5, sample_size = 1)]
fn lines_alone(bencher: Bencher<'_, '_>, name: &str) {
    let text = log(name);
    bencher
        .counter(BytesCount::new(text.len()))
        .bench(|| memchr::memchr2_iter(b'\n', b'\r', black_box(text.as_bytes())).count());
}

/// What packing does to a log; one line in `every` holds something private.
#[divan::bench(args = [0, 1000, 10], sample_count = 5, sample_size = 1)]
fn masked(bencher: Bencher<'_, '_>, every: usize) {
    let plain = log("alder");
    let mut text = String::with_capacity(plain.len() + 256);
    for (i, line) in plain.lines().enumerate() {
        let private = every > 0 && i % every == 0;
        text.push_str(if private {
            "[12.345] wifi: ssid=Huber Home psk=two words from 192.0.2.17"
        } else {
            line
        });
        text.push('\n');
    }
    bencher.counter(BytesCount::new(text.len())).bench(|| {
        let (mut masker, mut out, mut found) = (Masker::new(Text::Log), Vec::new(), 0);
        let mut total = 0;
        for piece in text.as_bytes().chunks(PIECE) {
            masker.feed(piece, &mut out, &mut |_, _| found += 1);
            total += black_box(&out).len();
            out.clear();
        }
        (total, found)
    });
}
