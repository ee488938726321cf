//! The declarations of a dump: time unit, scopes, variables, identifier codes.

use std::collections::HashMap;
use std::str::FromStr;

use crate::base::{Error, Result, quote};
use crate::source::Channel;
use crate::source::vcd::tokens::Tokens;

/// Channels that fit the index of a change.
const CHANNELS: usize = u16::MAX as usize;
/// Widest variable that is split into channels; wider ones are memories, not wires.
const WIDEST: u32 = 4096;
/// Longest text that is kept of one declaration.
const LONGEST: usize = 4096;
/// Longest name of a channel with its scopes, in bytes.
const NAME: usize = 512;
/// Declarations that are kept or passed over, at most: with the limits above, what a head may hold in memory.
const DECLARATIONS: u64 = 1_000_000;
/// Places for channels that are kept free for those that `--wire` names.
const FREE: usize = 1 << 13;
/// Femtoseconds of a nanosecond.
const NANOSECOND: u64 = 1_000_000;

/// The unit of a dump's times. The standard has 1, 10 and 100 of s, ms, us, ns, ps, fs; exports of samples also
/// name their sample interval, as `244 ns`.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Tick {
    /// Its length in femtoseconds.
    pub femtoseconds: u64,
}

impl Tick {
    /// One nanosecond.
    pub const NANOSECOND: Self = Self { femtoseconds: NANOSECOND };
}

/// Ticks to nanoseconds.
#[derive(Clone, Copy)]
pub(super) enum Scale {
    /// Every unit from 1 ns up is a whole number of nanoseconds.
    Times(u64),
    /// The standard's below are whole parts of one.
    Parts(u64),
    /// Any other, in femtoseconds.
    Any(u64),
}

impl Scale {
    pub(super) fn new(tick: Tick) -> Self {
        match tick.femtoseconds {
            coarse if coarse >= NANOSECOND && coarse.is_multiple_of(NANOSECOND) => {
                Self::Times(coarse / NANOSECOND)
            }
            fine if fine > 0 && NANOSECOND.is_multiple_of(fine) => Self::Parts(NANOSECOND / fine),
            other => Self::Any(other),
        }
    }

    /// Nanoseconds at this count of ticks and `part` of `whole` of one more, cut below one.
    pub(super) fn with_part(self, ticks: u64, part: u64, whole: u64) -> Option<i64> {
        let femtoseconds = match self {
            Self::Times(factor) => u128::from(factor) * u128::from(NANOSECOND),
            Self::Parts(parts) => u128::from(NANOSECOND / parts),
            Self::Any(femtoseconds) => u128::from(femtoseconds),
        };
        let parts = u128::from(ticks) * u128::from(whole) + u128::from(part);
        let ns = parts.checked_mul(femtoseconds)? / (u128::from(NANOSECOND) * u128::from(whole.max(1)));
        i64::try_from(ns).ok()
    }

    /// Nanoseconds at this count of ticks, cut below one; `None` beyond 292 years.
    #[inline]
    pub(super) fn nanoseconds(self, ticks: u64) -> Option<i64> {
        match self {
            Self::Times(factor) => ticks.checked_mul(factor).and_then(|ns| i64::try_from(ns).ok()),
            Self::Parts(parts) => i64::try_from(ticks / parts).ok(),
            Self::Any(femtoseconds) => {
                i64::try_from(u128::from(ticks) * u128::from(femtoseconds) / u128::from(NANOSECOND)).ok()
            }
        }
    }
}

impl FromStr for Tick {
    type Err = Error;

    /// From `10 us` or `10us`.
    ///
    /// # Errors
    /// `Input` for anything else.
    ///
    /// # Source
    /// IEEE 1364-2005, clause 18.2 (clause number from memory).
    fn from_str(text: &str) -> Result<Self> {
        let squeezed: String = text.split_whitespace().collect();
        let digits = squeezed.trim_end_matches(|c: char| !c.is_ascii_digit());
        let unit = squeezed.get(digits.len()..).unwrap_or_default().to_lowercase();
        let power = match unit.as_str() {
            "s" => Some(15u32),
            "ms" => Some(12),
            "us" | "µs" | "μs" => Some(9),
            "ns" => Some(6),
            "ps" => Some(3),
            "fs" => Some(0),
            _ => None,
        };
        let femtoseconds = power.and_then(|power| femtoseconds(digits, power));
        match femtoseconds {
            Some(femtoseconds @ 1..) => Ok(Self { femtoseconds }),
            _ => Err(Error::input(format!("`{}` is no time unit of a dump", quote(text.as_bytes())))
                .help("expected a number of s, ms, us, ns, ps or fs, as `$timescale 1 us $end`")),
        }
    }
}

/// A decimal number of 10^`power` femtoseconds; `None` for what is none, or no whole femtosecond.
fn femtoseconds(digits: &str, power: u32) -> Option<u64> {
    let (whole, part) = digits.split_once('.').unwrap_or((digits, ""));
    let plain = |text: &str| text.bytes().all(|byte| byte.is_ascii_digit());
    if whole.is_empty() || !plain(whole) || !plain(part) {
        return None;
    }
    let part = part.trim_end_matches('0');
    let left = power.checked_sub(u32::try_from(part.len()).ok()?)?;
    format!("{whole}{part}").parse::<u64>().ok()?.checked_mul(10u64.checked_pow(left)?)
}

/// What an identifier code stands for.
#[derive(Clone, Debug)]
pub(super) struct Signal {
    /// Bits; 1 for a real.
    pub(super) width: usize,
    pub(super) real: bool,
    /// Where its bits begin among the last values of all signals.
    pub(super) base: usize,
    /// First channel of each variable that shares the code.
    pub(super) channels: Vec<u16>,
}

/// What is needed of a signal that is one wire with one name.
#[derive(Clone, Copy, Debug)]
pub(super) struct Wire {
    pub(super) base: u32,
    pub(super) channel: u16,
    /// False for any other signal.
    alone: bool,
}

/// All declarations.
#[derive(Debug, Default)]
pub(super) struct Header {
    pub(super) tick: Option<Tick>,
    pub(super) channels: Vec<Channel>,
    pub(super) signals: Vec<Signal>,
    /// The same signals, for the quick way.
    wires: Vec<Wire>,
    pub(super) codes: Codes,
    /// Bits of all signals together.
    pub(super) bits: usize,
    /// Variables that were left out, because they are texts or memories.
    pub(super) left_out: u64,
    /// Variables that nobody wants, beyond those that fit.
    pub(super) beyond: u64,
    scopes: Vec<String>,
}

impl Signal {
    fn wire(&self) -> Wire {
        let channel = self.channels.first().copied().unwrap_or_default();
        let alone = self.width == 1 && !self.real && self.channels.len() == 1;
        // At most CHANNELS bits.
        Wire { base: u32::try_from(self.base).unwrap_or(u32::MAX), channel, alone }
    }
}

/// Identifier codes to signals. Codes are counted up by nearly every writer, so that as numbers to base 94
/// they fill a table from the start; long ones go to a map.
#[derive(Debug, Default)]
pub(super) struct Codes {
    table: Vec<u32>,
    map: HashMap<Vec<u8>, u32>,
}

/// Codes below this number stand in the table: all of up to three characters.
const TABLE: usize = 94 + 94 * 94 + 94 * 94 * 94;
/// No signal.
pub(super) const NONE: u32 = u32::MAX;
/// A signal that was left out on purpose.
pub(super) const LEFT_OUT: u32 = u32::MAX - 1;

impl Codes {
    /// A code as a number, or beyond the table.
    #[inline]
    fn number(code: &[u8]) -> usize {
        if code.len() > 3 {
            return TABLE;
        }
        // Characters `!` to `~` are digits 1 to 94, which keeps codes of different length apart.
        code.iter().fold(0usize, |sum, byte| match byte.wrapping_sub(b' ') {
            digit @ 1..=94 => sum * 94 + usize::from(digit),
            _ => TABLE,
        })
    }

    #[inline]
    pub(super) fn find(&self, code: &[u8]) -> u32 {
        match self.table.get(Self::number(code)) {
            Some(signal) => *signal,
            None if self.map.is_empty() => NONE,
            None => self.map.get(code).copied().unwrap_or(NONE),
        }
    }

    fn set(&mut self, code: &[u8], signal: u32) {
        let number = Self::number(code);
        if number < TABLE {
            if self.table.len() <= number {
                self.table.resize(number + 1, NONE);
            }
            if let Some(slot) = self.table.get_mut(number) {
                *slot = signal;
            }
        } else {
            self.map.insert(code.to_vec(), signal);
        }
    }
}

impl Header {
    /// Reads up to and including `$enddefinitions $end`. Where there are more variables than fit, those are kept
    /// whose name, or its last part, is `wanted`.
    pub(super) fn read(tokens: &mut Tokens, wanted: &[String]) -> Result<Self> {
        let mut header = Self::default();
        let mut words: Vec<Vec<u8>> = Vec::new();
        let mut declarations = 0;
        while declarations < DECLARATIONS + header.beyond {
            declarations += 1;
            let Some(keyword) = tokens.next_word()? else {
                return Err(tokens
                    .error("the dump ends before `$enddefinitions`")
                    .help("the file is cut short or is no value change dump; export it again"));
            };
            if keyword.first() != Some(&b'$') {
                let what = format!("`{}` stands where a declaration is expected", quote(&keyword));
                return Err(tokens.error(what).help("declarations begin with `$` and end with `$end`"));
            }
            words.clear();
            let mut kept = 0;
            loop {
                let Some(word) = tokens.next_word()? else {
                    let what = format!("`{}` is not closed by `$end`", quote(&keyword));
                    return Err(tokens.error(what).help("the file is cut short; export it again"));
                };
                if word == b"$end" {
                    break;
                }
                // Comments may be of any length; declarations are short.
                kept += word.len();
                if kept < LONGEST {
                    words.push(word);
                }
            }
            match keyword.as_slice() {
                b"$enddefinitions" => {
                    header.wires = header.signals.iter().map(Signal::wire).collect();
                    return Ok(header);
                }
                b"$timescale" => header.timescale(&words).map_err(|error| tokens.place(error))?,
                b"$scope" if header.scopes.len() < NAME => header.scopes.push(text(words.get(1))),
                b"$scope" => return Err(tokens.error(format!("more than {NAME} scopes inside each other"))),
                b"$upscope" => drop(header.scopes.pop()),
                b"$var" => header.variable(&words, wanted).map_err(|error| tokens.place(error))?,
                // $date, $version, $comment, and what other writers add.
                _ => {}
            }
        }
        Err(tokens
            .error(format!("the dump has more than {DECLARATIONS} declarations"))
            .help("dump only the signals of the control paths"))
    }

    /// The wire of a code; `None` where the code stands for anything else, or for nothing.
    #[inline(always)]
    pub(super) fn wire(&self, code: &[u8]) -> Option<Wire> {
        let signal = *self.codes.table.get(Codes::number(code))?;
        self.wires.get(signal as usize).copied().filter(|wire| wire.alone)
    }

    fn timescale(&mut self, words: &[Vec<u8>]) -> Result<()> {
        let joined: Vec<String> = words.iter().map(|word| text(Some(word))).collect();
        self.tick = Some(joined.join(" ").parse()?);
        Ok(())
    }

    /// `$var type size code reference [select] $end`.
    fn variable(&mut self, words: &[Vec<u8>], wanted: &[String]) -> Result<()> {
        let wrong = |what: &str| {
            Error::input(format!("a variable is declared wrongly: {what}"))
                .help("expected `$var wire 1 ! name $end`: type, size, code, name")
        };
        let [kind, size, code, reference @ ..] = words else { return Err(wrong("a part is missing")) };
        if reference.is_empty() {
            return Err(wrong("it has no name"));
        }
        if code.is_empty() || !code.iter().all(|byte| (33..=126).contains(byte)) {
            return Err(wrong("its code holds other than printable characters"));
        }
        let size: u32 = text(Some(size)).parse().map_err(|_| wrong("its size is no number"))?;
        let real = matches!(kind.as_slice(), b"real" | b"realtime" | b"shortreal");
        if kind.as_slice() == b"string" || size > WIDEST || (size == 0 && !real) {
            self.left_out += 1;
            if self.codes.find(code) == NONE {
                self.codes.set(code, LEFT_OUT);
            }
            return Ok(());
        }
        let width = if real { 1 } else { size as usize };
        let first = self.channels.len();
        let name = self.full_name(reference);
        if !wanted.is_empty() && first + width > CHANNELS - FREE && !is_wanted(&name, wanted) {
            self.beyond += 1;
            return Ok(());
        }
        if first + width > CHANNELS {
            return Err(Error::input(format!(
                "the dump has more than {CHANNELS} channels, counting each bit"
            ))
            .help("name the signals of the control paths (--wire CHANNEL=SIGNAL), or dump only those"));
        }
        let signal = self.codes.find(code);
        let first = u16::try_from(first).unwrap_or(u16::MAX);
        match self.signals.get_mut(signal as usize) {
            Some(known) if known.width != width || known.real != real => {
                return Err(wrong("its code belongs to another variable of another size"));
            }
            Some(known) => known.channels.push(first),
            None => {
                self.codes.set(code, u32::try_from(self.signals.len()).unwrap_or(NONE));
                self.signals.push(Signal { width, real, base: self.bits, channels: vec![first] });
                self.bits += width;
            }
        }
        let long = || wrong("its name with its scopes is longer than 512 bytes");
        if name.len() > NAME {
            return Err(long());
        }
        let first = self.channels.len();
        self.add(name, width, real);
        // The index of a bit belongs to its name: what is written from here must be read again.
        let bits = self.channels.get(first..).unwrap_or_default();
        if bits.iter().any(|bit| bit.name.len() > NAME) { Err(long()) } else { Ok(()) }
    }

    /// Scopes and reference, joined by points.
    fn full_name(&self, reference: &[Vec<u8>]) -> String {
        let mut name: String = reference.iter().map(|word| text(Some(word))).collect();
        if let Some(escaped) = name.strip_prefix('\\') {
            name = escaped.to_owned();
        }
        let mut full = String::new();
        for scope in &self.scopes {
            full.push_str(scope);
            full.push('.');
        }
        full + &name
    }

    /// Adds the channels of one variable, each bit with its index in brackets, the most significant one
    /// first, as the values are written.
    fn add(&mut self, name: String, width: usize, real: bool) {
        if width == 1 {
            self.channels.push(Channel { name, analog: real });
            return;
        }
        let (stem, range) = match name.strip_suffix(']').and_then(|open| open.rsplit_once('[')) {
            Some((stem, range)) => (stem.to_owned(), range.split_once(':')),
            None => (name.clone(), None),
        };
        let bounds =
            range.and_then(|(high, low)| Some((high.parse::<i64>().ok()?, low.parse::<i64>().ok()?)));
        let width = i64::try_from(width).unwrap_or(i64::MAX);
        let (high, step) = match bounds {
            Some((high, low)) if (high.abs_diff(low)).checked_add(1) == u64::try_from(width).ok() => {
                (high, if high >= low { -1 } else { 1 })
            }
            _ => (width - 1, -1),
        };
        for i in 0..width {
            self.channels.push(Channel { name: format!("{stem}[{}]", high + step * i), analog: false });
        }
    }
}

/// Whether a name is one of these, whole or by its last part, with or without the index of a bit.
fn is_wanted(name: &str, wanted: &[String]) -> bool {
    let stem = |name: &str| name.trim().split('[').next().unwrap_or_default().to_lowercase();
    let name = stem(name);
    let last = name.rsplit('.').next().unwrap_or_default();
    wanted.iter().map(|wanted| stem(wanted)).any(|wanted| wanted == name || wanted == last)
}

fn text(word: Option<&Vec<u8>>) -> String {
    word.map(|word| String::from_utf8_lossy(word).into_owned()).unwrap_or_default()
}
