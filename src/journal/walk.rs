//! The records of a journal in order, with what they add up to: the one reading of a file that both replay
//! and re-opening for append rest on.

use std::io::Read;
use std::ops::Range;

use crate::base::{Anchor, Nanoseconds, Result};
use crate::journal::record::{Record, RecordKind};
use crate::journal::scan::{Found, Head, Scanner};
use crate::source::What;

/// One step of the walk.
#[derive(Debug)]
pub(super) enum Step {
    /// A whole record; [`Walk::record`] gives it until the next step.
    Record(Range<usize>),
    /// Something to tell the user.
    Mark(What),
    /// The end of the file.
    End,
}

/// The walk and its sums.
pub(super) struct Walk<R> {
    scanner: Scanner<R>,
    /// A remark that is due before anything else.
    remark: Option<What>,
    /// A record that waits behind a remark on it.
    held: Option<Range<usize>>,
    after_hole: bool,
    holes: u64,
    damaged: u64,
    /// Wall clock at capture time zero.
    pub(super) anchor: Option<Anchor>,
    /// Capture time of the last record.
    pub(super) t: Nanoseconds,
    /// Sequence number of the next record.
    pub(super) sequence: u32,
    /// Captured bytes so far.
    pub(super) offset: u64,
    /// Whether the last record closes the capture.
    pub(super) closed: bool,
    /// What the origin record says.
    pub(super) origin: Option<String>,
    /// Known at the end.
    pub(super) recovered: Option<Recovered>,
}

impl<R: Read> Walk<R> {
    /// Reads the file header.
    pub(super) fn new(input: R) -> Result<Self> {
        let mut scanner = Scanner::new(input);
        let head = scanner.head()?;
        let mut walk = Self {
            scanner,
            remark: None,
            held: None,
            after_hole: false,
            holes: 0,
            damaged: 0,
            anchor: None,
            t: Nanoseconds::ZERO,
            sequence: 0,
            offset: 0,
            closed: false,
            origin: None,
            recovered: None,
        };
        match head {
            Head::Sound(header) => walk.anchor = Some(Anchor { unix_ns: header.anchor }),
            Head::Damaged => walk.remark = Some(damaged("the head of the journal is damaged".to_owned())),
            Head::Torn(length) => {
                walk.recovered = Some(Recovered { cut: length, ..Recovered::default() });
                if length > 0 {
                    walk.remark =
                        Some(damaged(format!("the journal ends in its head: {length} bytes cut at byte 0")));
                }
            }
        }
        Ok(walk)
    }

    /// The record that a step found, until the next step.
    pub(super) fn record(&self, range: &Range<usize>) -> Record<'_> {
        Record::view(self.scanner.bytes(range))
    }

    /// The bytes of a stretch of the buffer.
    pub(super) fn bytes(&self, range: &Range<usize>) -> &[u8] {
        self.scanner.bytes(range)
    }

    /// The next step.
    pub(super) fn step(&mut self) -> Result<Step> {
        if let Some(remark) = self.remark.take() {
            return Ok(Step::Mark(remark));
        }
        if let Some(range) = self.held.take() {
            return Ok(Step::Record(range));
        }
        if self.recovered.is_some() {
            return Ok(Step::End);
        }
        match self.scanner.next()? {
            Found::Record(range) => Ok(self.note(range)),
            Found::Hole { at, length } => {
                self.holes += 1;
                self.damaged += length;
                self.after_hole = true;
                Ok(Step::Mark(damaged(format!(
                    "the journal is damaged: {length} bytes skipped at byte {at}"
                ))))
            }
            Found::End { kept, cut } => {
                self.recovered = Some(Recovered { kept, cut, holes: self.holes, damaged: self.damaged });
                if cut == 0 {
                    return Ok(Step::End);
                }
                Ok(Step::Mark(damaged(format!(
                    "the journal ends in a torn record: {cut} bytes cut at byte {kept}"
                ))))
            }
        }
    }

    /// Takes a record into the sums; a jump of the numbers without damage before it is told first.
    fn note(&mut self, range: Range<usize>) -> Step {
        let record = self.record(&range);
        let (kind, sequence, t, wall) = (record.kind, record.sequence, record.t, record.wall);
        let captured = if kind == RecordKind::Bytes { record.payload.len() as u64 } else { 0 };
        let offset = record.offset;
        let origin =
            (kind == RecordKind::Origin).then(|| String::from_utf8_lossy(record.payload).into_owned());
        let jumped = sequence != self.sequence && !self.after_hole;
        let told =
            jumped.then(|| format!("the journal jumps from record {} to record {sequence}", self.sequence));
        self.anchor.get_or_insert(Anchor { unix_ns: wall.saturating_sub(t) });
        self.after_hole = false;
        self.sequence = sequence.wrapping_add(1);
        self.t = Nanoseconds(t);
        self.offset = offset.saturating_add(captured);
        self.closed = kind == RecordKind::Close;
        self.origin = self.origin.take().or(origin);
        match told {
            Some(told) => {
                self.held = Some(range);
                Step::Mark(damaged(told))
            }
            None => Step::Record(range),
        }
    }
}

fn damaged(text: String) -> What {
    What::Damaged { text }
}

/// What became of a journal that was opened after a crash.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Recovered {
    /// Bytes of the file up to the end of the last whole record.
    pub kept: u64,
    /// Bytes behind it that are no whole record: the torn tail, never acknowledged.
    pub cut: u64,
    /// Damaged stretches with whole records behind them.
    pub holes: u64,
    /// Bytes in those stretches.
    pub damaged: u64,
}
