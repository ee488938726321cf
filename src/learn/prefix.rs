//! What stands before every record: the set's own stamp, its form and its unit.

use std::collections::BTreeMap;

use crate::base::Nanoseconds;
use crate::decode::protocol::ClockUnit;
use crate::decode::shape::Form;
use crate::learn::token::{self, Class, Token};

/// A stamp stands in at least this share of the lines.
const LEAST_SHARE: f64 = 0.6;
/// Its value falls in at most this share of them (restarts, interleaved lines).
const MOST_FALLS: f64 = 0.05;

/// How long one unit of a stamp is.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Unit {
    /// One that a protocol file can name.
    Clock(ClockUnit),
    /// Another one, in seconds.
    Ticks(f64),
}

impl Unit {
    /// In seconds.
    #[allow(clippy::cast_precision_loss)]
    pub fn seconds(self) -> f64 {
        match self {
            Self::Clock(unit) => unit.nanoseconds() as f64 / 1e9,
            Self::Ticks(seconds) => seconds,
        }
    }
}

/// The stamp before each record.
#[derive(Clone, Debug, PartialEq)]
pub struct Prefix {
    /// Text before the stamp.
    pub before: Vec<u8>,
    /// Text behind it; a blank at its end stands for any blanks.
    pub after: Vec<u8>,
    /// How the stamp is written.
    pub form: Form,
    /// How long one unit is.
    pub unit: Unit,
    /// Why that unit, in words.
    pub because: String,
    /// Nothing but a custom speaks for the unit.
    pub guessed: bool,
}

/// A line and when it arrived, where the host stamped it.
pub type Line<'a> = (Option<Nanoseconds>, &'a [u8]);

impl Prefix {
    /// Looks for a stamp before the lines of a sample. `asked_s` is when the last key was asked for, in seconds
    /// from the start: the capture is not shorter than that.
    pub fn find(sample: &[Line<'_>], asked_s: Option<f64>) -> Option<Self> {
        let mut frames: BTreeMap<(Vec<u8>, Vec<u8>), u64> = BTreeMap::new();
        let mut lines = 0u64;
        for (_, line) in sample.iter().filter(|(_, line)| !line.trim_ascii().is_empty()) {
            lines += 1;
            if let Some(frame) = frame(line) {
                *frames.entry(frame).or_default() += 1;
            }
        }
        let ((before, after), count) = frames.into_iter().max_by_key(|(_, count)| *count)?;
        #[allow(clippy::cast_precision_loss)]
        let share = count as f64 / lines.max(1) as f64;
        if share < LEAST_SHARE || count < 4 {
            return None;
        }
        let unit = Unit::Clock(ClockUnit::Seconds);
        let mut prefix =
            Self { before, after, form: Form::Hex, unit, because: String::new(), guessed: false };
        let texts: Vec<&[u8]> = sample.iter().filter_map(|(_, line)| prefix.cut(line).map(|c| c.0)).collect();
        prefix.form = form_of(&texts)?;
        let reads: Vec<(Option<Nanoseconds>, f64)> = sample
            .iter()
            .filter_map(|(arrival, line)| prefix.strip(line).map(|(value, _)| (*arrival, value)))
            .collect();
        if !grows(&reads) {
            return None;
        }
        prefix.decide_unit(&reads, asked_s);
        Some(prefix)
    }

    /// The stamp's text and what follows the prefix.
    fn cut<'a>(&self, line: &'a [u8]) -> Option<(&'a [u8], &'a [u8])> {
        let rest = line.trim_ascii_start().strip_prefix(self.before.as_slice())?.trim_ascii_start();
        let inside = |b: &u8| if self.form == Form::Hex { b.is_ascii_hexdigit() } else { b.is_ascii_digit() };
        let point = |b: &u8| *b == b'.' && self.form != Form::Integer;
        let end = rest.iter().position(|b| !inside(b) && !point(b)).unwrap_or(rest.len());
        let (text, rest) = rest.split_at_checked(end).filter(|(text, _)| !text.is_empty())?;
        let fixed = self.after.trim_ascii_end();
        let blank = fixed.len() < self.after.len();
        let rest = rest.strip_prefix(fixed)?;
        if blank && !rest.is_empty() && !rest.starts_with(b" ") && !rest.starts_with(b"\t") {
            return None;
        }
        Some((text, if blank { rest.trim_ascii_start() } else { rest }))
    }

    /// The stamp in its own unit, and the line behind the prefix.
    pub fn strip<'a>(&self, line: &'a [u8]) -> Option<(f64, &'a [u8])> {
        let (text, rest) = self.cut(line)?;
        let text = std::str::from_utf8(text).ok()?;
        #[allow(clippy::cast_precision_loss)]
        let value = match self.form {
            Form::Hex => u64::from_str_radix(text, 16).ok()? as f64,
            _ => text.parse().ok()?,
        };
        Some((value, rest))
    }

    #[allow(clippy::cast_precision_loss)]
    fn decide_unit(&mut self, reads: &[(Option<Nanoseconds>, f64)], asked_s: Option<f64>) {
        let units = [
            ClockUnit::Seconds,
            ClockUnit::Milliseconds,
            ClockUnit::Microseconds,
            ClockUnit::TenMilliseconds,
            ClockUnit::FourMilliseconds,
        ];
        let timed: Vec<(f64, f64)> =
            reads.iter().filter_map(|(arrival, value)| arrival.map(|t| (t.seconds(), *value))).collect();
        let Some((span, rate)) = rate(&timed).filter(|(span, _)| *span > 0.5) else {
            return self.guess_unit(reads, asked_s);
        };
        let near = units.iter().find(|unit| {
            let seconds = rate * Unit::Clock(**unit).seconds();
            (0.95..1.05).contains(&seconds)
        });
        self.because = format!("{rate:.4} a second of the host's stamps over {span:.1} s");
        self.unit = match near {
            Some(unit) if self.form != Form::Seconds || *unit == ClockUnit::Seconds => Unit::Clock(*unit),
            _ => Unit::Ticks(1.0 / rate),
        };
    }

    fn guess_unit(&mut self, reads: &[(Option<Nanoseconds>, f64)], asked_s: Option<f64>) {
        if self.form == Form::Seconds {
            self.because = "decimal places, as seconds are written (common practice, no source)".into();
            return;
        }
        let span = match (reads.first(), reads.last()) {
            (Some((_, first)), Some((_, last))) => last - first,
            _ => 0.0,
        };
        let mut steps: Vec<f64> = reads.windows(2).map(|pair| pair[1].1 - pair[0].1).collect();
        steps.retain(|step| *step > 0.0);
        steps.sort_by(f64::total_cmp);
        let step = steps.get(steps.len() / 2).copied().unwrap_or(1.0);
        let fits = |unit: ClockUnit| {
            let seconds = span * Unit::Clock(unit).seconds();
            asked_s.is_none_or(|asked| (0.9 * asked..20.0 * asked.max(1.0)).contains(&seconds))
        };
        let usual = [
            (ClockUnit::Milliseconds, 3.0..20_000.0),
            (ClockUnit::Seconds, 0.0..30.0),
            (ClockUnit::Microseconds, 500.0..2e7),
        ];
        // Of the ticks of kernels the shorter one first: few captures go on for long after the last request.
        let ticks = [ClockUnit::FourMilliseconds, ClockUnit::TenMilliseconds];
        let units = || usual.iter().map(|(unit, _)| *unit).chain(ticks);
        let found = match asked_s {
            Some(_) => units().find(|unit| fits(*unit)),
            None => usual.iter().find(|(_, steps)| steps.contains(&step)).map(|(unit, _)| *unit),
        };
        let unit = found.unwrap_or(ClockUnit::Milliseconds);
        self.unit = Unit::Clock(unit);
        self.guessed = asked_s.is_none() || found.is_none_or(|unit| ticks.contains(&unit));
        self.because = match asked_s {
            Some(asked) => format!(
                "the stamps span {:.1} s then, and keys were asked for up to {asked:.1} s",
                span * self.unit.seconds()
            ),
            None => {
                format!("a guess: the usual step is {step} units, and no host stamps are there to compare")
            }
        };
    }

    /// The prefix as a shape of `[text] prefixes`.
    pub fn shape(&self) -> String {
        let name = if matches!(self.unit, Unit::Clock(_)) { "uptime" } else { "_ticks" };
        format!(
            "{}{{{name}:{}}}{}",
            crate::learn::shape::escaped(&self.before),
            self.form.word(),
            crate::learn::shape::escaped(&self.after)
        )
    }

    /// Seconds of a stamp on the set's clock.
    pub fn seconds(&self, value: f64) -> f64 {
        value * self.unit.seconds()
    }
}

/// Rate of the stamps against arrivals: span and units a second. The middle of the slopes from the first tenth
/// to the last, so that lumps of arrivals weigh little.
fn rate(timed: &[(f64, f64)]) -> Option<(f64, f64)> {
    let tenth = (timed.len() / 10).max(1);
    let (head, tail) = (timed.get(..tenth)?, timed.get(timed.len().checked_sub(tenth)?..)?);
    let mut slopes: Vec<f64> = head
        .iter()
        .zip(tail)
        .filter(|(a, b)| b.0 > a.0 && b.1 > a.1)
        .map(|(a, b)| (b.1 - a.1) / (b.0 - a.0))
        .collect();
    slopes.sort_by(f64::total_cmp);
    let span = tail.last()?.0 - head.first()?.0;
    slopes.get(slopes.len() / 2).map(|rate| (span, *rate))
}

/// What stands before and behind the first number of a line, when the line begins as a stamped one.
fn frame(line: &[u8]) -> Option<(Vec<u8>, Vec<u8>)> {
    let mut tokens: Vec<Token> = Vec::new();
    let start = line.len() - line.trim_ascii_start().len();
    let line = line.get(start..)?;
    token::scan(line.get(..line.len().min(96))?, &mut tokens);
    let stamp = tokens.iter().position(|token| token.class != Class::Mark)?;
    let (mut place, mut number) = (stamp, *tokens.get(stamp)?);
    // A short name may stand before it: `t=12.4`, `up 12400`.
    if number.class == Class::Word && number.end - number.start <= 6 && !token::has_digit(number.text(line)) {
        let marks = tokens.iter().skip(stamp + 1).take_while(|token| token.class == Class::Mark).count();
        place = stamp + 1 + marks;
        number = *tokens.get(place)?;
        // What stands behind a colon or a blank is rather a value.
        if marks != 1 || tokens.get(stamp + 1)?.text(line) != b"=" {
            return None;
        }
    }
    if place > 3 || !matches!(number.class, Class::Integer | Class::Decimal | Class::Hex) {
        return None;
    }
    let before = line.get(..number.start as usize)?.trim_ascii_end();
    let mut end = number.end as usize;
    for (i, token) in tokens.iter().enumerate().skip(place + 1) {
        let text = token.text(line);
        let unit = token.class == Class::Word && i == place + 1 && text.len() <= 2;
        let closes = token.class == Class::Mark && !matches!(text, b"[" | b"(" | b"<" | b"{");
        if token.start as usize != end || !(unit || closes) {
            break;
        }
        end = token.end as usize;
    }
    let mut after = line.get(number.end as usize..end)?.to_vec();
    if line.get(end).is_some_and(|b| matches!(b, b' ' | b'\t')) {
        after.push(b' ');
    }
    (!after.is_empty()).then(|| (before.to_vec(), after))
}

fn form_of(texts: &[&[u8]]) -> Option<Form> {
    let points = texts.iter().filter(|text| text.contains(&b'.')).count();
    let letters = texts.iter().any(|text| text.iter().any(u8::is_ascii_alphabetic));
    match (points * 2 > texts.len(), letters) {
        (true, false) => Some(Form::Seconds),
        (false, true) => Some(Form::Hex),
        (false, false) => Some(Form::Integer),
        (true, true) => None,
    }
}

#[allow(clippy::cast_precision_loss)]
fn grows(reads: &[(Option<Nanoseconds>, f64)]) -> bool {
    let falls = reads.windows(2).filter(|pair| pair[1].1 < pair[0].1).count();
    let rises = reads.windows(2).filter(|pair| pair[1].1 > pair[0].1).count();
    let steps = reads.len().saturating_sub(1).max(1) as f64;
    rises >= 2 && falls as f64 / steps <= MOST_FALLS && rises as f64 / steps >= 0.1
}
