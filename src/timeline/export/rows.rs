//! One row an event: JSON Lines and CSV.

use std::io::Write;

use crate::base::{Event, Result, write_event};
use crate::source::Channel;
use crate::timeline::export::columns::{COLUMNS, cell};
use crate::timeline::export::{Export, Place, unwritable};

/// Rows are handed on in pieces of about this size.
const PIECE: usize = 1 << 16;

/// One JSON object a line.
pub struct JsonLines<W: Write> {
    out: W,
    buffer: Vec<u8>,
    place: Place,
}

impl<W: Write> JsonLines<W> {
    /// Writes to `out`.
    pub fn new(out: W) -> Self {
        Self { out, buffer: Vec::with_capacity(PIECE + 1024), place: Place::default() }
    }

    fn hand_on(&mut self) -> Result<()> {
        self.out.write_all(&self.buffer).map_err(unwritable)?;
        self.buffer.clear();
        Ok(())
    }
}

impl<W: Write> Export for JsonLines<W> {
    fn begin(&mut self, place: Place, _channels: &[Channel]) -> Result<()> {
        self.place = place;
        Ok(())
    }

    fn event(&mut self, event: &Event) -> Result<()> {
        write_event(event, self.place.anchor, &mut self.buffer);
        self.buffer.push(b'\n');
        if self.buffer.len() >= PIECE { self.hand_on() } else { Ok(()) }
    }

    fn finish(mut self: Box<Self>) -> Result<()> {
        self.hand_on()?;
        self.out.flush().map_err(unwritable)
    }
}

/// A table with a head, by RFC 4180: lines end in CR LF, quotes where needed. The first column is the stage, the
/// others are the fields of the event in their order; what is unknown is empty. Words that a spreadsheet would run as a
/// formula have an apostrophe before them, and what hides or moves text is escaped.
pub struct Table<W: Write> {
    out: csv::Writer<W>,
    cell: Vec<u8>,
    place: Place,
}

impl<W: Write> Table<W> {
    /// Writes the head to `out`.
    ///
    /// # Errors
    /// `System` when writing fails.
    pub fn new(out: W) -> Result<Self> {
        let mut out = csv::WriterBuilder::new().terminator(csv::Terminator::CRLF).from_writer(out);
        out.write_record(COLUMNS).map_err(unwritable)?;
        Ok(Self { out, cell: Vec::new(), place: Place::default() })
    }
}

impl<W: Write> Export for Table<W> {
    fn begin(&mut self, place: Place, _channels: &[Channel]) -> Result<()> {
        self.place = place;
        Ok(())
    }

    fn event(&mut self, event: &Event) -> Result<()> {
        for column in COLUMNS {
            self.cell.clear();
            cell(column, event, self.place, &mut self.cell);
            self.out.write_field(&self.cell).map_err(unwritable)?;
        }
        self.out.write_record(None::<&[u8]>).map_err(unwritable)
    }

    fn finish(mut self: Box<Self>) -> Result<()> {
        self.out.flush().map_err(unwritable)
    }
}
