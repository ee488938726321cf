//! One capture, rewritten in every way in which a bench saves one: the events stay the same, or the file is refused
//! with the way out. There is no third thing.
//!
//! The truth is a NEC frame on one channel and another one on a second, so that a channel taken for its neighbour
//! shows. The frames are from the definition of the format; `remote/encoders.rs` has them from encoders that are
//! not ours.

// Helpers of tests may fail like the tests themselves.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::print_stdout,
    clippy::cast_possible_truncation
)]

mod choices; // in what ways
mod table; // a table written in one way

use std::collections::BTreeMap;
use std::io::Cursor;

use straykey::base::{Error, Event, EventKind};
use straykey::timeline::{Options, Protocols, decode_reader};

use choices::{CHOICES, Way};

/// Kind, format, address, command, and the instant in units of a millisecond.
type Seen = (EventKind, String, u32, u32, i64);

fn read(protocols: &Protocols, bytes: Vec<u8>, wire: &str) -> Result<(Vec<Seen>, Vec<String>), Error> {
    let options = Options { wires: vec![format!("{wire}=infrared").parse().unwrap()], ..Options::default() };
    let mut events: Vec<Event> = Vec::new();
    let summary = decode_reader("bench", Box::new(Cursor::new(bytes)), protocols, &options, &mut |event| {
        events.push(event);
        Ok(())
    })?;
    events.retain(|event| event.kind != EventKind::Noise);
    let seen = |event: Event| {
        let format = event.format.as_deref().unwrap_or_default().to_owned();
        let code = (event.address.unwrap_or_default(), event.command.unwrap_or_default());
        (event.kind, format, code.0, code.1, (event.t.0 + 500_000).div_euclid(1_000_000))
    };
    Ok((events.into_iter().map(seen).collect(), summary.remarks))
}

/// A seeded stream of choices (the constants are Knuth's, "MMIX").
struct Dice(u64);

impl Dice {
    fn roll(&mut self, sides: usize) -> usize {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 33) as usize % sides
    }
}

fn is_right(seen: &[Seen]) -> bool {
    let near = |t: i64| (t - table::START_MS).abs() <= 1;
    match seen {
        [(EventKind::Press, format, 4, 8, t), (EventKind::Release, ..)] => format == "nec" && near(*t),
        [(EventKind::Press, format, 4, 8, t)] => format == "nec" && near(*t),
        _ => false,
    }
}

#[test]
fn every_way_to_save_a_capture_is_read_right_or_refused_with_the_way_out() {
    let protocols = Protocols::load(None).unwrap();
    let seed = std::env::var("STRAYKEY_REWRITING_SEED").ok().and_then(|seed| seed.parse().ok()).unwrap_or(1);
    let mut dice = Dice(seed);
    let mut ways: Vec<Way> = Vec::new();
    // Each choice by itself, then all of them mixed.
    for (dimension, choices) in CHOICES.iter().enumerate() {
        ways.extend((0..choices.len()).map(|choice| Way::plain().with(dimension, choice)));
    }
    let alone = ways.len();
    while ways.len() < alone + 3000 {
        let mut way = Way::plain();
        for (dimension, choices) in CHOICES.iter().enumerate() {
            // Mostly as in the plain file, so that few oddities meet and many ways are readable.
            if dice.roll(3) == 0 {
                way = way.with(dimension, dice.roll(choices.len()));
            }
        }
        ways.push(way);
    }
    let threads = std::thread::available_parallelism().map_or(1, usize::from);
    let parts = std::thread::scope(|scope| {
        let parts: Vec<_> = (0..threads)
            .map(|part| {
                let (ways, protocols) = (&ways, &protocols);
                scope.spawn(move || judge(protocols, ways.iter().skip(part).step_by(threads)))
            })
            .collect();
        parts.into_iter().map(|part| part.join().unwrap()).collect::<Vec<_>>()
    });
    let right: usize = parts.iter().map(|part| part.right).sum();
    let wrong: Vec<&String> = parts.iter().flat_map(|part| &part.wrong).collect();
    let refused: Vec<_> = parts.iter().map(|part| &part.refused).collect();
    for text in wrong.iter().take(12) {
        println!("{text}");
    }
    assert!(wrong.is_empty(), "{} of {} ways", wrong.len(), ways.len());
    // A program that refuses all would be never wrong.
    assert!(right * 10 >= ways.len() * 6, "{right} right; refused: {refused:#?}");
}

#[derive(Default)]
struct Judged {
    right: usize,
    /// Refusals with their way out, by their first words.
    refused: BTreeMap<String, u32>,
    wrong: Vec<String>,
}

fn judge<'a>(protocols: &Protocols, ways: impl Iterator<Item = &'a Way>) -> Judged {
    let mut judged = Judged::default();
    for way in ways {
        let (bytes, wire) = way.write();
        let verdict = match read(protocols, bytes.clone(), wire) {
            Ok((seen, _)) if is_right(&seen) => {
                judged.right += 1;
                continue;
            }
            Ok((_, remarks)) if way.is_silent() && remarks.iter().any(|text| text.contains("as seconds")) => {
                continue;
            }
            Ok((seen, _)) => format!("{seen:?}"),
            Err(error) if error.help_text().is_none() => format!("no way out: {error}"),
            Err(error) if way.is_clear() => format!("refused though it is clear: {error}"),
            Err(error) => {
                let what = error.what().chars().take(50).collect();
                *judged.refused.entry(what).or_insert(0) += 1;
                continue;
            }
        };
        judged.wrong.push(format!("{way}: {verdict}\n{}", head(&bytes)));
    }
    judged
}

fn head(bytes: &[u8]) -> String {
    String::from_utf8_lossy(&bytes[..bytes.len().min(160)]).into_owned()
}
