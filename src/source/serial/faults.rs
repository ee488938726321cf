//! Breaks and damaged characters, told by the system within the bytes.

use std::fmt;
use std::time::{Duration, Instant};

/// What the system puts before a byte that it marks (POSIX.1-2024, `PARMRK`).
const MARK: u8 = 0xff;

/// Remarks come so often at most: a line at the wrong rate has thousands of faults a second.
const TOLD_EVERY: Duration = Duration::from_secs(1);

/// Faults of the line, counted.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) struct LineFaults {
    /// Breaks: low for longer than a character.
    breaks: u64,
    /// Characters with a wrong stop bit or parity.
    damaged: u64,
}

impl LineFaults {
    fn none(self) -> bool {
        self == Self::default()
    }
}

impl fmt::Display for LineFaults {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let many = |n: u64, one: &str, more: &str| format!("{n} {}", if n == 1 { one } else { more });
        let breaks = many(self.breaks, "break", "breaks");
        let damaged = many(self.damaged, "damaged character", "damaged characters");
        match (self.breaks, self.damaged) {
            (_, 0) => write!(f, "{breaks} on the line"),
            (0, _) => write!(f, "{damaged} on the line: framing or parity"),
            _ => write!(f, "{breaks} and {damaged} on the line: framing or parity"),
        }
    }
}

#[derive(Clone, Copy, Default)]
enum Place {
    #[default]
    Plain,
    Marked,
    Zero,
}

/// Takes the system's marks out of the bytes. A byte that came damaged stays in its place, and so does the zero of a break.
#[derive(Default)]
pub(super) struct Unmark {
    place: Place,
    faults: LineFaults,
    told: Option<Instant>,
}

impl Unmark {
    /// The bytes as they came over the line, appended to `out`.
    pub(super) fn take(&mut self, mut bytes: &[u8], out: &mut Vec<u8>) {
        while let Some((&first, rest)) = bytes.split_first() {
            match self.place {
                Place::Plain => {
                    let plain = memchr::memchr(MARK, bytes).unwrap_or(bytes.len());
                    let (before, after) = bytes.split_at(plain);
                    out.extend_from_slice(before);
                    bytes = after.get(1..).unwrap_or_default();
                    if !after.is_empty() {
                        self.place = Place::Marked;
                    }
                    continue;
                }
                Place::Marked => match first {
                    0 => self.place = Place::Zero,
                    MARK => self.plain(&[MARK], out),
                    // No mark after all: a driver that does not double the byte.
                    other => self.plain(&[MARK, other], out),
                },
                Place::Zero => {
                    if first == 0 {
                        self.faults.breaks += 1;
                    } else {
                        self.faults.damaged += 1;
                    }
                    self.plain(&[first], out);
                }
            }
            bytes = rest;
        }
    }

    fn plain(&mut self, bytes: &[u8], out: &mut Vec<u8>) {
        out.extend_from_slice(bytes);
        self.place = Place::Plain;
    }

    /// What is to be remarked now: faults since the last remark, at most once a second.
    pub(super) fn remark(&mut self) -> Option<String> {
        if self.faults.none() || self.told.is_some_and(|told| told.elapsed() < TOLD_EVERY) {
            return None;
        }
        self.told = Some(Instant::now());
        Some(std::mem::take(&mut self.faults).to_string())
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    /// What the Linux line discipline makes of characters with `PARMRK` and `INPCK` (drivers/tty/n_tty.c).
    fn marked(line: &[(u8, bool)]) -> Vec<u8> {
        line.iter()
            .flat_map(|&(byte, damaged)| match (byte, damaged) {
                (byte, true) => vec![MARK, 0, byte],
                (MARK, false) => vec![MARK, MARK],
                (byte, false) => vec![byte],
            })
            .collect()
    }

    proptest! {
        #[test]
        fn what_was_on_the_line_comes_back_in_pieces_of_any_size(
            line in prop::collection::vec((prop_oneof![Just(0u8), Just(MARK), any::<u8>()], any::<bool>()), 0..200),
            piece in 1usize..7,
        ) {
            let mut unmark = Unmark::default();
            let mut out = Vec::new();
            for piece in marked(&line).chunks(piece) {
                unmark.take(piece, &mut out);
            }
            let bytes: Vec<u8> = line.iter().map(|(byte, _)| *byte).collect();
            prop_assert_eq!(out, bytes);
            let count = |zero: bool| line.iter().filter(|(b, damaged)| *damaged && (*b == 0) == zero).count() as u64;
            prop_assert_eq!(unmark.faults, LineFaults { breaks: count(true), damaged: count(false) });
        }
    }

    #[test]
    fn a_noisy_line_is_told_once_a_second_and_nothing_is_left_out() {
        let mut unmark = Unmark::default();
        let mut out = Vec::new();
        unmark.take(&[MARK, 0, 0, MARK, 0, b'x', MARK, 0, b'y'], &mut out);
        assert_eq!(
            unmark.remark().as_deref(),
            Some("1 break and 2 damaged characters on the line: framing or parity")
        );
        unmark.take(&[MARK, 0, 0], &mut out);
        assert_eq!(unmark.remark(), None);
        unmark.told = Instant::now().checked_sub(TOLD_EVERY);
        unmark.take(&[MARK, 0, 0], &mut out);
        assert_eq!(unmark.remark().as_deref(), Some("2 breaks on the line"));
        assert_eq!(unmark.remark(), None);
        assert_eq!(out, b"\0xy\0\0");
    }
}
