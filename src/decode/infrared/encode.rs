//! From a code to marks and spaces: for tests, for the demo, and to show what a format looks like.

use crate::base::{Error, Nanoseconds, Result};
use crate::decode::infrared::coding::Coding;
use crate::decode::infrared::format::{Format, RepeatForm};
use crate::decode::infrared::layout::Word;

/// What a frame is to carry.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Code {
    /// Address; not used by a format without one.
    pub address: u32,
    /// Command.
    pub command: u32,
    /// Toggle; not used by a format without one.
    pub toggle: bool,
}

/// One frame of a format: mark, space, mark …, beginning and ending with a mark. Both parts and the pause
/// between them where a format has two.
///
/// # Errors
/// `Usage` when the format cannot carry this address or command.
pub fn encode(format: &Format, code: Code) -> Result<Vec<Nanoseconds>> {
    Ok(whole(format.word(code)?, format, format.air.leader.is_some()))
}

/// The frame that follows while the key is held, as [`encode`].
///
/// # Errors
/// As [`encode`].
pub fn encode_repeat(format: &Format, code: Code) -> Result<Vec<Nanoseconds>> {
    let word = format.word(code)?;
    match (format.form, format.short) {
        (RepeatForm::Short, Some((leader, bits))) => {
            let mut lengths = leader.to_vec();
            if let Coding::Pair { zero, .. } = format.air.coding {
                lengths.extend((0..bits).flat_map(|_| zero));
                lengths.push(zero[0]);
            }
            Ok(lengths.iter().map(|length| nanoseconds(*length)).collect())
        }
        (RepeatForm::Bare, _) => Ok(whole(word, format, false)),
        _ => Ok(whole(word, format, format.air.leader.is_some())),
    }
}

/// A key held for `repeats` frames after the first: marks and spaces with the gaps between the frames.
///
/// # Errors
/// As [`encode`].
pub fn encode_press(format: &Format, code: Code, repeats: usize) -> Result<Vec<Nanoseconds>> {
    let mut lengths = encode(format, code)?;
    let mut frame = lengths.clone();
    for _ in 0..repeats {
        let long = frame.iter().fold(0, |sum, length| sum + length.0);
        let gap = (format.period - long).max(i64::from(format.air.quiet) + 1_000_000);
        lengths.push(Nanoseconds(gap));
        frame = encode_repeat(format, code)?;
        lengths.extend_from_slice(&frame);
    }
    Ok(lengths)
}

fn whole(word: Word, format: &Format, leader: bool) -> Vec<Nanoseconds> {
    let layout = &format.layout;
    let second = layout.bits - layout.first_part;
    let write = |word, bits| {
        format.air.write(word, bits, leader).into_iter().map(nanoseconds).collect::<Vec<Nanoseconds>>()
    };
    let mut lengths = write(word >> second, layout.first_part);
    if second > 0 {
        lengths.push(Nanoseconds(format.pause));
        lengths.extend(write(word & crate::decode::infrared::layout::ones(second), second));
    }
    lengths
}

fn nanoseconds(length: f64) -> Nanoseconds {
    Nanoseconds(length.round() as i64)
}

impl Format {
    /// The bits of a code.
    fn word(&self, code: Code) -> Result<Word> {
        let layout = &self.layout;
        let refuse = |what: &str, value: u32| {
            Error::usage(format!("{} cannot carry {what} {value:#x}", self.name))
                .help("choose a value that the format's layout has room for")
        };
        let mut word = layout.blank();
        let mut known = 0;
        if let Some(address) = &self.address {
            word = address
                .assign(layout, word, u64::from(code.address))
                .ok_or_else(|| refuse("address", code.address))?;
            known |= address.mask();
        }
        word = self
            .command
            .assign(layout, word, u64::from(code.command))
            .ok_or_else(|| refuse("command", code.command))?;
        known |= self.command.mask();
        if let Some(toggle) = self.toggle {
            word = layout.with(word, toggle, u64::from(code.toggle));
            known |= 1 << toggle;
        }
        // Where several forms of a check exist, the first is sent.
        for check in self.checks.iter().chain(self.one_of.first()) {
            if let Some((completed, now)) = check.complete(layout, word, known) {
                (word, known) = (completed, now);
            }
        }
        match self.checks.iter().find(|check| !check.holds(layout, word)) {
            Some(check) => Err(refuse("a code that breaks", code.address)
                .help(format!("the format asks that {}", check.text))),
            None => Ok(word),
        }
    }
}
