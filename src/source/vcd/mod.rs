//! Value change dump, four-state: IEEE 1364-2005, clause 18 (clause number from memory).
//!
//! Enters: free-format text, also on one line. Leaves: for each wire its levels, for each vector one channel
//! a bit, for each real one analog channel; changes only, `x` and `z` as [`Value::Unknown`]. Variables that
//! share an identifier code are channels of their own with equal changes. The values between `$dumpvars` (or
//! `$dumpall`, `$dumpon`, `$dumpoff`) and `$end` are changes like all others; unknown keywords are skipped up
//! to their `$end`. Texts and memories are left out and mentioned. Compressed dumps: see [`crate::source::open`].

mod header;
mod tokens;
mod values;
mod writer;

use std::io::Read;

pub use self::header::Tick;
use self::header::{Header, LEFT_OUT, NONE, Scale, Signal};
use self::tokens::{Tokens, is_last, is_space, word};
use self::values::{MARKS, mark, no_code, unknown};
pub use self::writer::Writer;
use crate::base::{Error, Nanoseconds, Result, Span, quote};
use crate::source::block::Block;
use crate::source::digits;
use crate::source::{Change, Channel, SampleSource, Value};

/// A pull ends when this many changes are there.
const BATCH: usize = 1 << 12;

/// What is wanted of a dump.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct VcdOptions {
    /// Names of channels that are kept where a dump has more than fit.
    pub wanted: Vec<String>,
}

/// A value change dump.
pub struct VcdSource {
    tokens: Tokens,
    header: Header,
    tick: Tick,
    /// Last value of every bit as it was written, 0 before the first.
    last: Vec<u8>,
    ticks: u64,
    t: Nanoseconds,
    span: Option<Span>,
    /// Inside a command whose words mean nothing to us.
    skipping: bool,
    /// A time had a fraction of a unit.
    parts: bool,
    cut: bool,
    done: bool,
}

/// How one word of the value section was taken.
enum Step {
    /// So many bytes are used.
    Used(usize),
    /// The word, or the one that belongs to it, is not all there.
    More,
}

impl VcdSource {
    /// Reads the declarations.
    ///
    /// # Errors
    /// `Input` with line and help for wrong declarations, a missing time unit, a file cut inside them;
    /// `System` when reading fails.
    pub fn new(reader: Box<dyn Read + Send>, options: VcdOptions) -> Result<Self> {
        let mut tokens = Tokens::new(Block::new(reader));
        tokens.block.fill()?;
        while !tokens.block.ended() && tokens.block.bytes().len() < 3 {
            tokens.block.fill()?;
        }
        if tokens.block.bytes().starts_with(b"\xef\xbb\xbf") {
            tokens.block.consume(3);
        }
        let header = Header::read(&mut tokens, &options.wanted)?;
        let tick = header.tick.ok_or_else(|| {
            tokens
                .error("the dump declares no `$timescale`")
                .help("add `$timescale 1 us $end`, with the right unit, before `$enddefinitions`")
        })?;
        let last = vec![0; header.bits];
        Ok(Self {
            tokens,
            header,
            tick,
            last,
            ticks: 0,
            t: Nanoseconds::ZERO,
            span: None,
            skipping: false,
            parts: false,
            cut: false,
            done: false,
        })
    }

    /// Takes the words of one block; `false` at the end of the file.
    fn scan(&mut self, out: &mut Vec<Change>) -> Result<bool> {
        let limit = out.len() + BATCH;
        let (at, failure) = self.take(limit, out);
        let rest = self.tokens.block.bytes().get(at..).unwrap_or_default();
        let (ended, over, last) = (self.tokens.block.ended(), rest.is_empty(), is_last(rest));
        self.tokens.consume(at);
        match failure {
            // The last word of a file without line end may be cut; what it says is then not held against it.
            Some(_) if ended && last => {
                self.cut = true;
                Ok(false)
            }
            Some(error) => Err(self.tokens.place(error)),
            None if out.len() >= limit => Ok(true),
            None if ended && over => Ok(false),
            None if self.tokens.block.full() && at == 0 => Err(self.tokens.endless()),
            None => {
                self.tokens.block.fill()?;
                Ok(true)
            }
        }
    }

    /// Takes what words the block holds, until `limit` changes are there; tells how many bytes they were,
    /// and what is wrong with the word behind them.
    fn take(&mut self, limit: usize, out: &mut Vec<Change>) -> (usize, Option<Error>) {
        let bytes = self.tokens.block.bytes();
        let (base, ended) = (self.tokens.block.offset(), self.tokens.block.ended());
        let mut state = State {
            header: &self.header,
            scale: Scale::new(self.tick),
            last: &mut self.last,
            ticks: self.ticks,
            t: self.t,
            span: self.span,
            skipping: self.skipping,
            parts: self.parts,
        };
        let mut at = 0;
        let mut failure = None;
        while out.len() < limit {
            if !state.skipping {
                at = state.quick(bytes, at, base, limit, out);
            }
            while bytes.get(at).is_some_and(|byte| is_space(*byte)) {
                at += 1;
            }
            let rest = bytes.get(at..).unwrap_or_default();
            let offset = base + at as u64;
            if rest.is_empty() || out.len() >= limit {
                break;
            }
            match state.step(rest, ended, offset, out) {
                Ok(Step::Used(used)) => at += used,
                Ok(Step::More) => break,
                Err(error) => {
                    failure = Some(error);
                    break;
                }
            }
        }
        let State { ticks, t, span, skipping, parts, .. } = state;
        (self.ticks, self.t, self.span, self.skipping, self.parts) = (ticks, t, span, skipping, parts);
        (at, failure)
    }
}

/// What the words of the value section act upon.
struct State<'a> {
    header: &'a Header,
    scale: Scale,
    last: &'a mut [u8],
    ticks: u64,
    t: Nanoseconds,
    span: Option<Span>,
    skipping: bool,
    parts: bool,
}

impl State<'_> {
    /// Takes the first word of `rest`, which begins with one, and the code behind it where one belongs to it.
    #[inline]
    fn step(&mut self, rest: &[u8], ended: bool, offset: u64, out: &mut Vec<Change>) -> Result<Step> {
        let Some(length) = word(rest, ended) else { return Ok(Step::More) };
        let first = rest.get(..length).unwrap_or_default();
        if self.skipping {
            self.skipping = first != b"$end";
            return Ok(Step::Used(length));
        }
        let [kind, body @ ..] = first else { return Ok(Step::Used(length)) };
        match kind {
            b'#' => self.time(body)?,
            b'0' | b'1' => self.scalar(*kind, body, offset, out)?,
            b'b' | b'B' | b'r' | b'R' | b's' | b'S' => {
                let behind = rest.get(length..).unwrap_or_default();
                let gap = behind.iter().position(|byte| !is_space(*byte)).unwrap_or(behind.len());
                let second = behind.get(gap..).unwrap_or_default();
                let code = match word(second, ended) {
                    Some(0) | None if !ended => return Ok(Step::More),
                    Some(0) | None => return Err(no_code(first)),
                    Some(code) => code,
                };
                self.long(*kind, body, second.get(..code).unwrap_or_default(), offset, out)?;
                return Ok(Step::Used(length + gap + code));
            }
            b'$' => self.keyword(first),
            _ => self.scalar(*kind, body, offset, out)?,
        }
        Ok(Step::Used(length))
    }

    fn keyword(&mut self, word: &[u8]) {
        self.skipping = !matches!(word, b"$dumpvars" | b"$dumpall" | b"$dumpon" | b"$dumpoff" | b"$end");
    }

    #[inline]
    fn time(&mut self, digits: &[u8]) -> Result<()> {
        if let Some(point) = memchr::memchr(b'.', digits) {
            return self.fraction(digits, point);
        }
        let mut ticks = 0u64;
        // Nineteen digits always fit.
        let plain = (1..=19).contains(&digits.len()) && digits.iter().all(u8::is_ascii_digit);
        for byte in digits {
            ticks = ticks.wrapping_mul(10).wrapping_add(u64::from(byte.wrapping_sub(b'0')));
        }
        let t = if plain { self.scale.nanoseconds(ticks) } else { None };
        let Some(t) = t else {
            return Err(Error::input(format!("`#{}` is no time, or too large for one", quote(digits)))
                .help("expected `#` and a whole number of time units"));
        };
        if ticks < self.ticks || t < self.t.0 {
            return Err(self.backwards(digits));
        }
        self.set(ticks, t);
        Ok(())
    }

    fn backwards(&self, digits: &[u8]) -> Error {
        Error::input(format!("the time runs backwards, from #{} to #{}", self.ticks, quote(digits)))
            .help("two dumps may have been joined; cut the file here")
    }

    /// A time with a fraction of a unit, as some exports of samples write it; the standard has none.
    #[cold]
    fn fraction(&mut self, digits: &[u8], point: usize) -> Result<()> {
        let number = |bytes: &[u8]| {
            let plain = bytes.len() <= 18 && bytes.iter().all(u8::is_ascii_digit);
            let text = std::str::from_utf8(bytes).ok().filter(|_| plain)?;
            if text.is_empty() { Some(0u64) } else { text.parse().ok() }
        };
        let (whole, part) =
            (digits.get(..point).unwrap_or_default(), digits.get(point + 1..).unwrap_or_default());
        let part = part.get(..part.len().min(12)).unwrap_or_default();
        let t = number(whole).zip(number(part)).and_then(|(ticks, part_ticks)| {
            let one = 10u64.pow(u32::try_from(part.len()).unwrap_or_default());
            Some((ticks, self.scale.with_part(ticks, part_ticks, one)?))
        });
        let Some((ticks, t)) = t.filter(|_| digits.len() > 1) else {
            return Err(Error::input(format!("`#{}` is no time, or too large for one", quote(digits)))
                .help("expected `#` and a number of time units"));
        };
        if t < self.t.0 {
            return Err(self.backwards(digits));
        }
        self.parts = true;
        self.set(ticks, t);
        Ok(())
    }

    #[inline]
    fn set(&mut self, ticks: u64, t: i64) {
        self.ticks = ticks;
        self.t = Nanoseconds(t);
        self.span = Some(match self.span {
            None => Span { start: self.t, end: self.t },
            Some(span) => Span { end: self.t, ..span },
        });
    }

    /// Takes the words that nearly all of a dump consists of, from `at` on: times of up to 15 digits, wires'
    /// values with codes of one to three characters. Returns where another word begins, which goes the ordinary
    /// way; stops when `limit` changes are there. `base` is where `bytes` stands in the file.
    // A function of its own, so that what it needs stays in registers.
    #[inline(never)]
    fn quick(
        &mut self,
        bytes: &[u8],
        mut at: usize,
        base: u64,
        limit: usize,
        out: &mut Vec<Change>,
    ) -> usize {
        let (header, scale) = (self.header, self.scale);
        let (mut ticks, mut t) = (self.ticks, self.t);
        let begin = at;
        let mut timed = false;
        while out.len() < limit {
            let Some([first, rest @ ..]) = bytes.get(at..) else { break };
            if is_space(*first) {
                at += 1;
                continue;
            }
            if *first == b'#' {
                let Some((now, length)) = digits::whole(rest) else { break };
                let Some(ns) = scale.nanoseconds(now) else { break };
                if now < ticks || !rest.get(length).is_some_and(|byte| is_space(*byte)) {
                    break;
                }
                if !timed && self.span.is_none() {
                    self.span = Some(Span { start: Nanoseconds(ns), end: Nanoseconds(ns) });
                }
                (ticks, t, timed) = (now, Nanoseconds(ns), true);
                at += 2 + length;
                continue;
            }
            let mark = MARKS[usize::from(*first)];
            let Some([one, two, three, four]) = rest.first_chunk() else { break };
            let code = if is_space(*two) {
                1
            } else if is_space(*three) {
                2
            } else if is_space(*four) {
                3
            } else {
                break;
            };
            if mark == 0 || is_space(*one) {
                break;
            }
            let Some(wire) = rest.get(..code).and_then(|code| header.wire(code)) else { break };
            let known = Known { t, offset: base + at as u64, channels: &[wire.channel] };
            known.emit(self.last.get_mut(wire.base as usize), 0, mark, out);
            at += 2 + code;
        }
        if at > begin {
            (self.ticks, self.t) = (ticks, t);
            self.span = self.span.map(|span| Span { end: t, ..span });
        }
        at
    }

    #[inline]
    fn scalar(&mut self, value: u8, code: &[u8], offset: u64, out: &mut Vec<Change>) -> Result<()> {
        let header = self.header;
        let Some(signal) = find(header, value, code)? else { return Ok(()) };
        if signal.width == 1 && !signal.real {
            let known = Known { t: self.t, offset, channels: &signal.channels };
            known.emit(self.last.get_mut(signal.base), 0, mark(value)?, out);
            return Ok(());
        }
        self.bits(signal, &[value], offset, out)
    }

    /// A vector, a real or a text: the value, then the code.
    fn long(
        &mut self,
        kind: u8,
        value: &[u8],
        code: &[u8],
        offset: u64,
        out: &mut Vec<Change>,
    ) -> Result<()> {
        let header = self.header;
        let Some(signal) = find(header, kind, code)? else { return Ok(()) };
        match kind {
            b'b' | b'B' if !signal.real => self.bits(signal, value, offset, out),
            b'r' | b'R' if signal.real => {
                let number = std::str::from_utf8(value).ok().and_then(|text| text.parse::<f32>().ok());
                let Some(volts) = number else {
                    return Err(Error::input(format!("`r{}` is no number", quote(value)))
                        .help("expected `r`, a decimal number, a blank and the code"));
                };
                for channel in &signal.channels {
                    out.push(Change { t: self.t, channel: *channel, value: Value::Volts(volts), offset });
                }
                Ok(())
            }
            b's' | b'S' => Ok(()),
            _ => Err(Error::input(format!("`{}` was declared as another kind of variable", quote(code)))
                .help("the dump contradicts itself; export it again")),
        }
    }

    /// The bits of a vector, the most significant one first; missing ones on the left continue the leftmost
    /// one, where that is no 1 (IEEE 1364: a 1 is extended by 0).
    fn bits(&mut self, signal: &Signal, digits: &[u8], offset: u64, out: &mut Vec<Change>) -> Result<()> {
        let Some(leftmost) = digits.first().copied().filter(|_| !signal.real) else {
            return Err(Error::input("a vector without digits, or digits for a real number")
                .help("the dump contradicts itself; export it again"));
        };
        let fill = if leftmost == b'1' { b'0' } else { leftmost };
        // Digits beyond the width would be zeros; the rightmost ones count.
        let digits = digits.get(digits.len().saturating_sub(signal.width)..).unwrap_or_default();
        let missing = signal.width - digits.len();
        let known = Known { t: self.t, offset, channels: &signal.channels };
        for i in 0..signal.width {
            let digit = if i < missing { fill } else { digits.get(i - missing).copied().unwrap_or(fill) };
            // At most as many bits as there are channels.
            #[allow(clippy::cast_possible_truncation)]
            known.emit(self.last.get_mut(signal.base + i), i as u16, mark(digit)?, out);
        }
        Ok(())
    }
}

/// Where and when a bit takes a value.
struct Known<'a> {
    t: Nanoseconds,
    offset: u64,
    /// First channel of each variable that shares the code.
    channels: &'a [u16],
}

impl Known<'_> {
    /// Appends the change of bit `bit`, if it is one.
    #[inline(always)]
    fn emit(&self, last: Option<&mut u8>, bit: u16, mark: u8, out: &mut Vec<Change>) {
        match last {
            Some(last) if *last != mark => *last = mark,
            _ => return,
        }
        let value = match mark {
            1 => Value::Low,
            2 => Value::High,
            _ => Value::Unknown,
        };
        for first in self.channels {
            out.push(Change { t: self.t, channel: first + bit, value, offset: self.offset });
        }
    }
}

/// The signal of a code; `None` for one that was left out.
#[inline]
fn find<'a>(header: &'a Header, kind: u8, code: &[u8]) -> Result<Option<&'a Signal>> {
    match header.codes.find(code) {
        NONE if header.beyond == 0 => Err(unknown(kind, code)),
        NONE => Ok(None),
        LEFT_OUT => Ok(None),
        signal => Ok(header.signals.get(signal as usize)),
    }
}

impl SampleSource for VcdSource {
    fn channels(&self) -> &[Channel] {
        &self.header.channels
    }

    fn pull(&mut self, out: &mut Vec<Change>) -> Result<bool> {
        if self.done {
            return Ok(false);
        }
        let before = out.len();
        let going = self.scan(out);
        self.done = !matches!(going, Ok(true));
        // The last changes are a batch like the others; the end is told by the pull after it.
        going.map(|going| going || out.len() > before)
    }

    fn tick(&self) -> Option<Nanoseconds> {
        Scale::new(self.tick).nanoseconds(1).filter(|ns| *ns > 0 && !self.parts).map(Nanoseconds)
    }

    fn span(&self) -> Option<Span> {
        self.span
    }

    fn remarks(&self) -> Vec<String> {
        let mut remarks = Vec::new();
        if self.header.left_out > 0 {
            remarks.push(format!(
                "{} variables that are no wires (texts, memories) were left out",
                self.header.left_out
            ));
        }
        if self.header.beyond > 0 {
            remarks.push(format!(
                "{} variables more than fit, and that no --wire names, were left out",
                self.header.beyond
            ));
        }
        if self.tick.femtoseconds < Tick::NANOSECOND.femtoseconds {
            remarks.push("times finer than a nanosecond were cut to whole ones".to_owned());
        }
        if self.cut {
            remarks.push("the last word of the dump is cut short and was left out".to_owned());
        }
        remarks
    }
}
