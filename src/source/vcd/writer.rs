//! Writes a dump that reads back the same: channels, times in nanoseconds, values.

use std::io::Write;

use crate::base::{Error, Nanoseconds, Result};
use crate::source::{Channel, Value};

/// Writes changes as a value change dump, IEEE 1364, with a tick of one nanosecond.
///
/// Channels whose names hold points stand in scopes; blanks in names become `_`, since a name is one word.
/// The values at the first instant form `$dumpvars`.
pub struct Writer<W: Write> {
    out: W,
    codes: Vec<String>,
    origin: Nanoseconds,
    state: State,
}

#[derive(Clone, Copy, PartialEq, Eq)]
enum State {
    /// No value yet.
    Fresh,
    /// Inside `$dumpvars`, at this time.
    Initial(Nanoseconds),
    /// Behind it, at this time.
    Running(Nanoseconds),
}

impl<W: Write> Writer<W> {
    /// Writes the declarations. `origin` is the capture time that becomes tick 0: dumps know no time below
    /// zero, so it must not be later than the first change. `version` says who wrote it.
    ///
    /// # Errors
    /// `System` when writing fails.
    pub fn new(mut out: W, channels: &[Channel], origin: Nanoseconds, version: &str) -> Result<Self> {
        let mut text = format!("$version {} $end\n", version.replace('$', ""));
        if origin != Nanoseconds::ZERO {
            text.push_str(&format!("$comment tick 0 is {origin} s of the capture $end\n"));
        }
        text.push_str("$timescale 1 ns $end\n");
        let mut scopes: Vec<String> = Vec::new();
        let mut codes = Vec::new();
        for channel in channels {
            let name = one_word(&channel.name);
            let mut path: Vec<&str> = name.split('.').collect();
            // A point at an end or two in a row would make an empty name; such a name stays whole.
            if path.iter().any(|part| part.is_empty()) {
                path = vec![&name];
            }
            let (reference, path) = path.split_last().map_or(("_", &[][..]), |(last, path)| (*last, path));
            let common = scopes.iter().zip(path).take_while(|(a, b)| a == b).count();
            while scopes.len() > common {
                scopes.pop();
                text.push_str("$upscope $end\n");
            }
            for scope in path.iter().skip(common) {
                text.push_str(&format!("$scope module {scope} $end\n"));
                scopes.push((*scope).to_owned());
            }
            let code = code(codes.len());
            let kind = if channel.analog { "real 64" } else { "wire 1" };
            text.push_str(&format!("$var {kind} {code} {reference} $end\n"));
            codes.push(code);
        }
        text.push_str(&"$upscope $end\n".repeat(scopes.len()));
        text.push_str("$enddefinitions $end\n");
        out.write_all(text.as_bytes()).map_err(unwritable)?;
        Ok(Self { out, codes, origin, state: State::Fresh })
    }

    /// A channel takes a value; times must not fall.
    ///
    /// # Errors
    /// `Usage` for a time before the origin or the last one, or a channel that was not declared; `System`
    /// when writing fails.
    pub fn change(&mut self, t: Nanoseconds, channel: u16, value: Value) -> Result<()> {
        self.advance(t)?;
        let code = self.codes.get(usize::from(channel)).ok_or_else(|| {
            Error::usage(format!("channel {channel} is not declared")).help("declare it with the others")
        })?;
        let written = match value {
            Value::Low => writeln!(self.out, "0{code}"),
            Value::High => writeln!(self.out, "1{code}"),
            Value::Unknown => writeln!(self.out, "x{code}"),
            Value::Volts(volts) => writeln!(self.out, "r{volts} {code}"),
        };
        written.map_err(unwritable)
    }

    /// Ends the dump at `end`, the last instant seen, and gives the destination back.
    ///
    /// # Errors
    /// `Usage` when `end` lies before the last change, `System` when writing fails.
    pub fn finish(mut self, end: Nanoseconds) -> Result<W> {
        self.advance(end)?;
        if matches!(self.state, State::Initial(_)) {
            self.out.write_all(b"$end\n").map_err(unwritable)?;
        }
        self.out.flush().map_err(unwritable)?;
        Ok(self.out)
    }

    fn advance(&mut self, t: Nanoseconds) -> Result<()> {
        let last = match self.state {
            State::Fresh => self.origin,
            State::Initial(last) | State::Running(last) => last,
        };
        if t < last {
            return Err(Error::usage(format!("a dump cannot go back from {last} s to {t} s"))
                .help("sort the changes by time"));
        }
        let tick = t - self.origin;
        let written = match self.state {
            State::Fresh => {
                self.state = State::Initial(t);
                writeln!(self.out, "#{}\n$dumpvars", tick.0)
            }
            State::Initial(last) if t > last => {
                self.state = State::Running(t);
                writeln!(self.out, "$end\n#{}", tick.0)
            }
            State::Running(last) if t > last => {
                self.state = State::Running(t);
                writeln!(self.out, "#{}", tick.0)
            }
            _ => Ok(()),
        };
        written.map_err(unwritable)
    }
}

/// The n-th identifier code: printable characters `!` to `~`, shortest first.
fn code(mut n: usize) -> String {
    let mut code = String::new();
    loop {
        code.push(char::from(b'!' + (n % 94) as u8));
        n /= 94;
        if n == 0 {
            return code;
        }
        n -= 1;
    }
}

fn one_word(name: &str) -> String {
    let word: String =
        name.chars().map(|c| if c.is_whitespace() || c.is_control() { '_' } else { c }).collect();
    // `$end` as a name would end its own declaration.
    let word = word.replace('$', "_");
    if word.is_empty() { "_".to_owned() } else { word }
}

fn unwritable(error: std::io::Error) -> Error {
    Error::system("cannot write the dump").because(error).help("check that the disk is not full")
}
