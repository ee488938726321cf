//! Rows with quoted fields, read by the general CSV crate from the first quote on.

use std::io::{Cursor, Error as IoError, ErrorKind, Read};
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};

use csv::{ByteRecord, Reader, ReaderBuilder, Terminator, Trim};

use crate::base::{Error, Result, quote};
use crate::source::Change;
use crate::source::block::{BLOCK, unreadable};
use crate::source::csv::rows::{Row, Rows};

/// Most records of the text that may close a table.
const CLOSING: usize = 64;

/// The rest of a table from a record boundary on.
pub(super) struct Quoted {
    reader: Reader<Fuse>,
    record: ByteRecord,
    offset: u64,
    line: u64,
    budget: Arc<AtomicUsize>,
}

/// Ends the reading when one record swallows too much, as a quote that is never closed would.
struct Fuse {
    inner: Box<dyn Read + Send>,
    left: Arc<AtomicUsize>,
}

impl Read for Fuse {
    fn read(&mut self, into: &mut [u8]) -> std::io::Result<usize> {
        let read = self.inner.read(into)?;
        let left = self.left.load(Ordering::Relaxed);
        if read > left {
            return Err(IoError::new(ErrorKind::FileTooLarge, "one row does not end"));
        }
        self.left.store(left - read, Ordering::Relaxed);
        Ok(read)
    }
}

impl Quoted {
    /// `bytes` were read already and stand at `offset`, in `line`; `reader` goes on behind them.
    pub(super) fn new(
        bytes: Vec<u8>,
        reader: Box<dyn Read + Send>,
        separator: u8,
        offset: u64,
        line: u64,
    ) -> Self {
        let budget = Arc::new(AtomicUsize::new(2 * BLOCK));
        let fuse = Fuse { inner: Box::new(Cursor::new(bytes).chain(reader)), left: Arc::clone(&budget) };
        let reader = ReaderBuilder::new()
            .has_headers(false)
            .flexible(true)
            .delimiter(separator)
            .terminator(Terminator::CRLF)
            .comment(Some(b'#'))
            .trim(Trim::None)
            .from_reader(fuse);
        Self { reader, record: ByteRecord::new(), offset, line, budget }
    }

    /// Reads rows until `batch` changes are there; `false` at the end.
    pub(super) fn pull(&mut self, rows: &mut Rows, batch: usize, out: &mut Vec<Change>) -> Result<bool> {
        let mut taken = 0;
        while out.len() < batch && taken < batch {
            self.budget.store(2 * BLOCK, Ordering::Relaxed);
            rows.line = self.line + self.reader.position().line() - 1;
            match self.reader.read_byte_record(&mut self.record) {
                Ok(true) => {}
                Ok(false) => return Ok(false),
                Err(error) => return Err(Self::failure(error, rows.line)),
            }
            let at = self.record.position().map_or(0, csv::Position::byte);
            rows.line = self.line + self.record.position().map_or(0, |position| position.line() - 1);
            let blank = self.record.iter().all(|field| field.trim_ascii().is_empty());
            let whole = !self.reader.is_done();
            if !blank {
                match rows.take(self.record.iter(), self.offset + at, whole, out) {
                    Ok(Row::Done) => {}
                    Ok(Row::Cut) => return Ok(false),
                    Err(error) => return self.closing(error, rows),
                }
            }
            taken += 1;
        }
        Ok(true)
    }

    /// A row that is none: the words with which an export closes its table, or damage.
    fn closing(&mut self, error: Error, rows: &mut Rows) -> Result<bool> {
        let text = self.record.iter().map(quote).collect::<Vec<_>>().join(" ");
        let short = rows.count > 0 && self.record.len() < rows.layout.roles.len();
        let mut closes = true;
        for _ in 0..CLOSING {
            closes &= self.record.iter().all(is_closing);
            let more = self.reader.read_byte_record(&mut self.record);
            if !matches!(more, Ok(true)) && closes {
                rows.closed = Some((rows.line, text.trim().to_owned()));
                return Ok(false);
            }
            if matches!(more, Ok(false)) && short {
                rows.cut = Some(rows.line);
                return Ok(false);
            }
            if !closes {
                break;
            }
        }
        Err(error)
    }

    fn failure(error: csv::Error, line: u64) -> Error {
        match error.into_kind() {
            csv::ErrorKind::Io(error) if error.kind() == ErrorKind::FileTooLarge => {
                Error::input("this row does not end: a quote is opened and not closed")
                    .line(line, None)
                    .help("close the quote, or export without quotes")
            }
            csv::ErrorKind::Io(error) => unreadable(error, 0),
            other => Error::input(format!("the row cannot be read: {other:?}")).line(line, None),
        }
    }
}

/// Whether a line or one of its fields holds no sample: no field begins as a number does.
pub(crate) fn is_closing(line: &[u8]) -> bool {
    line.split(|byte| b",;\t".contains(byte)).all(|field| {
        let begin = field.iter().find(|byte| !byte.is_ascii_whitespace() && !b"\"+-.".contains(byte));
        !begin.is_some_and(u8::is_ascii_digit)
    })
}
