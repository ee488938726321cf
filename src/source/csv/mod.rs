//! Logic and analog exports as separated values: one row a sample, or one row a change.
//!
//! Enters: RFC 4180 and what is met besides it (`;` or tab, decimal comma, comment and preamble lines,
//! byte order mark, LF, units in the header). Leaves: for a logic channel its level in the first row and
//! every change after it; for an analog channel every sample. Times stay as printed, so that an export with
//! a trigger begins below zero. A row that is not as the others is refused, with line and column; only a last
//! line without line end may be cut short, and is then dropped and mentioned.
//!
//! Departures from RFC 4180, on purpose: blanks around unquoted fields are no part of them (rule 4), and an
//! empty field is "as before". Rows that repeat their forerunner are compared with it and not read, rows of plain
//! numbers are read in one pass, all others field by field; quoted rows go to the general `csv` crate.

mod body;
mod cell;
mod fast_path;
mod head;
mod header;
pub(super) mod layout;
mod part;
mod plain;
mod quoted;
mod rate;
mod rows;
mod unit;

use crate::source::csv::quoted::is_closing;
use std::io::Read;

use self::fast_path::{FastPath, Place};
use self::head::{is_comment, strip_line_end};
use self::layout::Layout;
use self::quoted::Quoted;
use self::rows::{Row, Rows};
use crate::base::{Error, Nanoseconds, Result, Span, quote};
use crate::source::block::Block;
use crate::source::{Change, Channel, SampleSource};

/// Bytes from which the layout is found.
const HEAD: usize = 1 << 16;
/// Longest text, in bytes, that may close a table.
const CLOSING: usize = 4096;
/// No logic or analog capture whose header names no unit of time is as long: its times are no seconds.
const LONGEST_ASSUMED: i64 = 86_400_000_000_000;
/// A pull ends when this many changes are there.
const BATCH: usize = 1 << 12;

/// What the file does not say of itself.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct CsvOptions {
    /// Samples a second, for tables without a time column or with sample numbers.
    pub sample_rate_hz: Option<f64>,
}

/// A table of samples.
pub struct CsvSource {
    block: Option<Block>,
    quoted: Option<Quoted>,
    rows: Rows,
    fast_path: FastPath,
    worth: Worth,
    done: bool,
}

impl CsvSource {
    /// Reads the head and finds the layout.
    ///
    /// # Errors
    /// `Input` when the layout cannot be found or is ambiguous, with line and help; `Usage` for a sample
    /// rate that is not positive; `System` when reading fails.
    pub fn new(reader: Box<dyn Read + Send>, options: CsvOptions) -> Result<Self> {
        if let Some(rate) = options.sample_rate_hz
            && !(rate.is_finite() && rate > 0.0)
        {
            return Err(
                Error::usage(format!("the sample rate is {rate} Hz")).help("give it above zero, in Hz")
            );
        }
        let mut block = Block::new(reader);
        while !block.ended() && block.bytes().len() < HEAD {
            block.fill()?;
        }
        let bytes = block.bytes();
        let mut head = bytes.get(..HEAD).unwrap_or(bytes);
        let cut = bytes.len() > head.len() || !block.ended();
        if cut || memchr::memchr_iter(b'\n', head).count() > 2 {
            // The last line may be cut by the end of the head, or of the file.
            match memchr::memrchr(b'\n', head) {
                Some(last) => head = head.get(..=last).unwrap_or_default(),
                None => return Err(endless(1)),
            }
        }
        let layout = Layout::find(head, options.sample_rate_hz)?;
        let body = layout.body;
        block.consume(body);
        Ok(Self {
            block: Some(block),
            quoted: None,
            rows: Rows::new(layout),
            fast_path: FastPath::new(),
            worth: Worth::default(),
            done: false,
        })
    }

    /// Takes the rows of one block; `None` when a quote stops the fast way.
    fn scan(&mut self, out: &mut Vec<Change>) -> Result<Option<bool>> {
        let Some(block) = &mut self.block else { return Ok(Some(false)) };
        if memchr::memchr(b'\n', block.bytes()).is_none() {
            block.fill_up()?;
        }
        let bytes = block.bytes();
        let (base, ended) = (block.offset(), block.ended());
        let limit = out.len() + BATCH;
        let mut at = 0;
        let mut outcome = Some(true);
        let mut failure = None;
        while out.len() < limit {
            let seen = out.len();
            let place = Place { bytes, at, base };
            let length = match self.rows.take_plain(place, out) {
                Some(length) => length,
                None => {
                    let rest = bytes.get(at..).unwrap_or_default();
                    let (length, whole) = match memchr::memchr(b'\n', rest) {
                        Some(end) => (end + 1, true),
                        None if ended && !rest.is_empty() => (rest.len(), false),
                        None if ended => {
                            outcome = Some(false);
                            break;
                        }
                        None if block.full() && at == 0 => return Err(endless(self.rows.line)),
                        None => break,
                    };
                    let row = rest.get(..length).unwrap_or_default();
                    match take_row(&mut self.rows, row, base + at as u64, whole, out) {
                        Ok(Line::Row) => length,
                        Ok(Line::Quoted) => {
                            outcome = None;
                            break;
                        }
                        Ok(Line::Cut) => {
                            outcome = Some(false);
                            at += length;
                            break;
                        }
                        Ok(Line::Passed) => {
                            at += length;
                            continue;
                        }
                        Err(error) => {
                            failure = Some(error);
                            break;
                        }
                    }
                }
            };
            at += length;
            // Where a row changes nothing the next ones may be as quiet, and else as busy.
            if out.len() > seen {
                at += self.rows.take_alike(Place { at, ..place }, length, limit, out);
            } else if self.worth.is_it() {
                let row = bytes.get(at - length..at).unwrap_or_default();
                if self.fast_path.cut(row, &self.rows.layout) {
                    let end = self.fast_path.follow(&mut self.rows, bytes, at)?;
                    self.worth.learn(end - at > 4 * length);
                    at = end;
                }
            }
        }
        block.consume(at);
        match failure {
            Some(error) => self.closing(error).map(|()| Some(false)),
            None => Ok(outcome),
        }
    }

    /// A row that is none: the words with which an export closes its table, or damage.
    fn closing(&mut self, error: Error) -> Result<()> {
        let Some(block) = &mut self.block else { return Err(error) };
        while !block.ended() && block.bytes().len() <= CLOSING {
            block.fill()?;
        }
        let rest = block.bytes();
        if rest.len() > CLOSING || !rest.split(|byte| *byte == b'\n').all(is_closing) {
            return Err(error);
        }
        let first = rest.split(|byte| *byte == b'\n').next().unwrap_or_default();
        self.rows.closed = Some((self.rows.line, quote(first.trim_ascii())));
        Ok(())
    }
}

/// Whether a fast_path is worth its cutting: where rows differ in length it fits few of them, and is then tried
/// once in a while only.
#[derive(Clone, Copy, Debug, Default)]
struct Worth {
    /// Stencils in a row that fitted few rows.
    poor: u32,
    /// Rows until the next try.
    wait: u32,
}

impl Worth {
    fn is_it(&mut self) -> bool {
        let now = self.wait == 0;
        self.wait = self.wait.saturating_sub(1);
        now
    }

    fn learn(&mut self, good: bool) {
        self.poor = if good { 0 } else { (self.poor + 1).min(12) };
        // The first four poor ones cost no patience: rows of another length come in between now and then.
        self.wait = (1u32 << self.poor.saturating_sub(4)) - 1;
    }
}

/// What a line was.
enum Line {
    /// A row of samples.
    Row,
    /// Blank, or a comment.
    Passed,
    /// The last row, cut short.
    Cut,
    /// A row with quotes, which another reader must take.
    Quoted,
}

/// Takes one line with its line end, as the ordinary way.
fn take_row(rows: &mut Rows, row: &[u8], offset: u64, whole: bool, out: &mut Vec<Change>) -> Result<Line> {
    let line = strip_line_end(row);
    let separator = rows.layout.separator;
    // A row of empty fields is none where rows carry their time; where they are counted it stands for a sample.
    let empty = || line.iter().all(|byte| *byte == separator || byte.is_ascii_whitespace());
    if line.trim_ascii().is_empty() || is_comment(line, separator) || (rows.layout.is_timed() && empty()) {
        rows.line += 1;
        return Ok(Line::Passed);
    }
    let quoted = || memchr::memchr(b'"', line).is_some();
    match rows.take(Fields { rest: Some(line), separator }, offset, whole, out) {
        // No level, number or time holds a quote, so that a row with quotes cannot pass.
        Ok(Row::Cut) | Err(_) if quoted() => {
            rows.cut = None;
            Ok(Line::Quoted)
        }
        Ok(Row::Cut) => Ok(Line::Cut),
        Ok(Row::Done) => {
            rows.line += 1;
            Ok(Line::Row)
        }
        Err(error) => Err(error),
    }
}

impl SampleSource for CsvSource {
    fn channels(&self) -> &[Channel] {
        &self.rows.layout.channels
    }

    fn pull(&mut self, out: &mut Vec<Change>) -> Result<bool> {
        if self.done {
            return Ok(false);
        }
        let before = out.len();
        let going = match &mut self.quoted {
            Some(quoted) => quoted.pull(&mut self.rows, out.len() + BATCH, out),
            None => match self.scan(out) {
                Ok(Some(going)) => Ok(going),
                Ok(None) => {
                    if let Some(block) = self.block.take() {
                        let (offset, line) = (block.offset(), self.rows.line);
                        let (bytes, reader) = block.into_rest();
                        let separator = self.rows.layout.separator;
                        self.quoted = Some(Quoted::new(bytes, reader, separator, offset, line));
                    }
                    Ok(true)
                }
                Err(error) => Err(error),
            },
        };
        // After an error nothing more comes: the state is that of a row in the middle.
        self.done = !matches!(going, Ok(true));
        if self.rows.layout.assumed
            && let Some(span) = self.span()
            && (span.end.0.saturating_sub(span.start.0)) > LONGEST_ASSUMED
        {
            self.done = true;
            return Err(Error::input(format!(
                "the time column names no unit, and in seconds the capture would last {:.0} days or more",
                span.length().seconds() / 86_400.0
            ))
            .line(self.rows.layout.line.saturating_sub(1).max(1), None)
            .help("write the unit into the header of the time column, as `Time [us]`, or `Time [s]`"));
        }
        // The last changes are a batch like the others; the end is told by the pull after it.
        going.map(|going| going || out.len() > before)
    }

    fn span(&self) -> Option<Span> {
        self.rows.span()
    }

    fn step(&self) -> Option<Nanoseconds> {
        self.rows.layout.steady_ns.map(Nanoseconds)
    }

    fn is_assumed(&self) -> bool {
        self.rows.layout.assumed
    }

    fn remarks(&self) -> Vec<String> {
        let mut remarks = Vec::new();
        if let Some(line) = self.rows.cut {
            remarks.push(format!("line {line}, the last one, is cut short and was left out"));
        }
        if let Some((line, text)) = &self.rows.closed {
            remarks.push(format!("line {line}, `{text}`, is no row: the table was read up to there"));
        }
        if self.rows.layout.assumed {
            remarks.push("the time column names no unit and was taken as seconds".to_owned());
        }
        if self.rows.ties > 0 {
            remarks.push(format!(
                "{} rows carry the time of the row before: the export rounded them; export more decimals",
                self.rows.ties
            ));
        }
        remarks
    }
}

/// The fields of a line without quotes.
struct Fields<'a> {
    rest: Option<&'a [u8]>,
    separator: u8,
}

impl<'a> Iterator for Fields<'a> {
    type Item = &'a [u8];

    #[inline]
    fn next(&mut self) -> Option<&'a [u8]> {
        let rest = self.rest?;
        // Fields are short: a plain loop beats a vector search here.
        match rest.iter().position(|byte| *byte == self.separator) {
            Some(end) => {
                self.rest = rest.get(end + 1..);
                rest.get(..end)
            }
            None => self.rest.take(),
        }
    }
}

fn endless(line: u64) -> Error {
    Error::input("a line does not end within 1 MiB: this is no table of samples")
        .line(line, None)
        .help("look at the file with another program; if it is a text log, decode it as one")
}
