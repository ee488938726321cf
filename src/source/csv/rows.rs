//! Rows to changes: the state that runs from row to row, and every reason to refuse one.

use crate::base::{Error, Nanoseconds, Result, Span, quote};
use crate::source::csv::cell;
use crate::source::csv::layout::{Layout, Role};
use crate::source::csv::part::{Part, Shape, parts};
use crate::source::csv::unit::TimeUnit;
use crate::source::{Change, Value};

/// What became of one row.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Row {
    /// Taken, or nothing to take.
    Done,
    /// The last line of a file that was cut inside it.
    Cut,
}

/// State of the table from row to row.
pub(super) struct Rows {
    pub(super) layout: Layout,
    /// Line number of the next row.
    pub(super) line: u64,
    /// Rows so far.
    pub(super) count: u64,
    /// Last value of each channel.
    pub(super) values: Vec<Option<Value>>,
    /// Values of the row that is being read.
    next: Vec<Option<Value>>,
    /// What plain rows consist of, with their levels.
    pub(super) parts: Vec<Part>,
    /// Whether the parts are older than the values; otherwise it is the other way round.
    pub(super) stale: bool,
    /// The shape of a plain row of late.
    pub(super) shape: Option<Shape>,
    first: Option<i64>,
    pub(super) last: Option<i64>,
    pub(super) cut: Option<u64>,
    /// Line and text of what closes the table.
    pub(super) closed: Option<(u64, String)>,
    /// Rows with changes at the very time of the changes before them.
    pub(super) ties: u64,
}

impl Rows {
    pub(super) fn new(layout: Layout) -> Self {
        let channels = layout.channels.len();
        Self {
            line: layout.line,
            parts: parts(&layout),
            stale: true,
            shape: None,
            layout,
            count: 0,
            values: vec![None; channels],
            next: vec![None; channels],
            first: None,
            last: None,
            cut: None,
            closed: None,
            ties: 0,
        }
    }

    pub(super) fn span(&self) -> Option<Span> {
        Some(Span { start: Nanoseconds(self.first?), end: Nanoseconds(self.last?) })
    }

    /// Takes one row as its fields. `whole` is false for a last line without line end, which may be cut.
    pub(super) fn take<'a>(
        &mut self,
        fields: impl Iterator<Item = &'a [u8]>,
        offset: u64,
        whole: bool,
        out: &mut Vec<Change>,
    ) -> Result<Row> {
        match self.read(fields) {
            Ok(t) => {
                self.count += 1;
                self.emit(t, offset, out);
                Ok(Row::Done)
            }
            Err(_) if !whole && self.count > 0 => {
                self.cut = Some(self.line);
                Ok(Row::Cut)
            }
            Err(error) => Err(error.offset(offset)),
        }
    }

    /// Time of the row with this number (from 0) by its time field, which may be empty when rows are counted.
    pub(super) fn row_time(&self, field: &[u8], number: u64) -> Result<i64> {
        match self.layout.roles.first() {
            Some(role) if role.is_clock() => self.clock(field, *role, 1),
            _ => self.counted_time(number).ok_or_else(|| self.beyond(1)),
        }
    }

    /// One channel of a row takes a value; appended if that is news.
    #[inline]
    fn change(&mut self, t: i64, channel: u16, value: Value, offset: u64, out: &mut Vec<Change>) {
        let Some(last) = self.values.get_mut(usize::from(channel)) else { return };
        if *last != Some(value) || matches!(value, Value::Volts(_)) {
            *last = Some(value);
            out.push(Change { t: Nanoseconds(t), channel, value, offset });
        }
    }

    fn read<'a>(&mut self, fields: impl Iterator<Item = &'a [u8]>) -> Result<i64> {
        let mut t = None;
        let mut column = 1usize;
        let mut seen = 0;
        for field in fields {
            let Some(&role) = self.layout.roles.get(seen) else {
                return Err(self.ragged(seen + 1, column));
            };
            match role {
                Role::Logic(channel) => {
                    // The two bytes that nearly every field is; the rest is spelled out.
                    let value = match field {
                        b"0" => Some(Value::Low),
                        b"1" => Some(Value::High),
                        other => self.level(other, channel, column)?,
                    };
                    self.put(channel, value);
                }
                Role::Analog(channel, factor) => {
                    let value = self.volts(field, factor, column)?;
                    self.put(channel, value);
                }
                Role::Time(_) | Role::Clock(_) | Role::Index => t = Some(self.clock(field, role, column)?),
                Role::Skip => {}
                Role::Empty if field.is_empty() => {}
                Role::Empty => return Err(self.ragged(seen + 1, column)),
            }
            seen += 1;
            column += field.len() + 1;
        }
        // What closes a row may be left out.
        let missing = self.layout.roles.get(seen..).unwrap_or_default();
        if seen == 0 || !missing.iter().all(|role| matches!(role, Role::Skip | Role::Empty)) {
            return Err(self.ragged(seen, column));
        }
        match t {
            Some(t) => Ok(t),
            None => self.counted_time(self.count).ok_or_else(|| self.beyond(1)),
        }
    }

    fn put(&mut self, channel: u16, value: Option<Value>) {
        if let Some(slot) = self.next.get_mut(usize::from(channel)) {
            *slot = value;
        }
    }

    fn emit(&mut self, t: i64, offset: u64, out: &mut Vec<Change>) {
        self.first.get_or_insert(t);
        let before = out.len();
        let tie = self.last == Some(t);
        self.last = Some(t);
        for channel in 0..self.next.len() {
            // At most COLUMNS channels.
            #[allow(clippy::cast_possible_truncation)]
            if let Some(Some(value)) = self.next.get(channel).copied() {
                self.change(t, channel as u16, value, offset, out);
            }
        }
        self.ties += u64::from(tie && out.len() > before);
    }

    #[cold]
    fn level(&self, field: &[u8], channel: u16, column: usize) -> Result<Option<Value>> {
        let trimmed = field.trim_ascii();
        if trimmed.is_empty() {
            return Ok(None);
        }
        cell::level(trimmed, self.layout.point).map(Some).ok_or_else(|| {
            let name = self.layout.channels.get(usize::from(channel)).map_or("", |c| c.name.as_str());
            Error::input(format!("`{}` is no level, and column `{name}` began with levels", quote(trimmed)))
                .line(self.line, Some(column as u64))
                .help(format!("if the column holds volts, name its unit in the header: `{name} (V)`"))
        })
    }

    fn volts(&self, field: &[u8], factor: f64, column: usize) -> Result<Option<Value>> {
        let trimmed = field.trim_ascii();
        if trimmed.is_empty() {
            return Ok(None);
        }
        let volts = |number: f64| Some(cell::in_volts(number, factor));
        cell::number(trimmed, self.layout.point).map(volts).ok_or_else(|| {
            Error::input(format!("`{}` is no number", quote(trimmed)))
                .line(self.line, Some(column as u64))
                .help("an analog column holds one voltage a row")
        })
    }

    fn clock(&self, field: &[u8], role: Role, column: usize) -> Result<i64> {
        let trimmed = field.trim_ascii();
        let t = match role {
            Role::Time(power) => cell::time(trimmed, TimeUnit { power, times: 1 }, self.layout.point),
            Role::Clock(unit) => cell::time(trimmed, unit, self.layout.point),
            _ => self.sample_time(trimmed),
        };
        let t = t.ok_or_else(|| {
            Error::input(format!("`{}` is no time, or too large for one", quote(trimmed)))
                .line(self.line, Some(column as u64))
                .help("expected a decimal number in every row of the time column")
        })?;
        match self.last {
            Some(last) if t < last => Err(Error::input(format!(
                "the time runs backwards, from {} s to {} s",
                Nanoseconds(last),
                Nanoseconds(t)
            ))
            .line(self.line, Some(column as u64))
            .help("export one capture a file, rows in the order of time")),
            _ => Ok(t),
        }
    }

    /// Time of a row that carries its sample number.
    fn sample_time(&self, field: &[u8]) -> Option<i64> {
        let index = cell::time(field, TimeUnit { power: 0, times: 1 }, self.layout.point)?;
        #[allow(clippy::cast_precision_loss)]
        self.scaled(index as f64)
    }

    /// Time of the row with this number, from 0.
    fn counted_time(&self, row: u64) -> Option<i64> {
        #[allow(clippy::cast_precision_loss)]
        self.scaled(row as f64)
    }

    #[allow(clippy::cast_possible_truncation)]
    fn scaled(&self, samples: f64) -> Option<i64> {
        let ns = self.layout.start_ns + samples * self.layout.step_ns?;
        // 2^63 ns; beyond it the cast would stand still at the end of the range.
        (ns.abs() < 9.2e18).then(|| ns.round() as i64)
    }

    fn beyond(&self, column: u64) -> Error {
        Error::input("more samples than the clock can count at this rate").line(self.line, Some(column))
    }

    #[cold]
    fn ragged(&self, fields: usize, column: usize) -> Error {
        let expected = self.layout.roles.len();
        let more = if fields > expected { "or more " } else { "" };
        Error::input(format!("this row has {fields} {more}fields, the ones before it {expected}"))
            .line(self.line, Some(column as u64))
            .help("a row is damaged, or two files were joined; cut the file before this line")
    }
}
