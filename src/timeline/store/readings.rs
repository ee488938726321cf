//! Keypad readings packed for reading fast: a set that prints its converter twenty times a second makes a million in
//! half a day, and nobody wants each as JSON.
//!
//! A row of the table `readings` holds up to [`PART`] readings of a capture in order: for each the time since the one
//! before, the number of its line in the row's list, and the counts, as variable-length integers of seven bits a
//! byte, low bits first; times are folded so that a small step back stays small.

use rusqlite::{Connection, Statement, params};

use crate::base::{Event, EventKind, Name, Nanoseconds, Result};
use crate::timeline::store::blocks::sum;
use crate::timeline::store::packing::{fold, integer, put, unfold};
use crate::timeline::store::{Store, schema};

/// Readings in one row.
const PART: usize = 4096;

/// Lines of one row; a set has two.
const LINES: usize = 64;

/// Takes a reading: its line, time on the capture's clock, counts.
pub type Take<'a> = dyn FnMut(&Name, Nanoseconds, u32) -> Result<()> + 'a;

impl Store {
    /// Gives every keypad reading of a capture in order, at a small fraction of the cost of [`Store::events`].
    ///
    /// # Errors
    /// What `take` gives; `System` when the disk fails or the index is damaged.
    pub fn packed(&self, capture: &str, take: &mut Take<'_>) -> Result<()> {
        let failed = |error| schema::failed(&self.path, error);
        let mut statement = self
            .connection
            .prepare("SELECT lines, packed FROM readings WHERE capture = ?1 ORDER BY part")
            .map_err(failed)?;
        let mut rows = statement.query([capture]).map_err(failed)?;
        while let Some(row) = rows.next().map_err(failed)? {
            let lines: String = row.get(0).map_err(failed)?;
            let names: Vec<String> = serde_json::from_str(&lines).unwrap_or_default();
            let names: Vec<Name> = names.into_iter().map(Name::from).collect();
            let packed = row.get_ref(1).map_err(failed)?;
            let mut rest = packed.as_blob().map_err(|error| failed(error.into()))?;
            let mut t = 0i64;
            while !rest.is_empty() {
                let (Some(step), Some(line), Some(counts)) =
                    (integer(&mut rest), integer(&mut rest), integer(&mut rest))
                else {
                    return Err(schema::damaged(&self.path));
                };
                t = t.wrapping_add(unfold(step));
                let name = usize::try_from(line).ok().and_then(|line| names.get(line));
                let (Some(name), Ok(counts)) = (name, u32::try_from(counts)) else {
                    return Err(schema::damaged(&self.path));
                };
                take(name, Nanoseconds(t), counts)?;
            }
        }
        Ok(())
    }
}

/// Fills the table while a capture is indexed, at the memory of one row.
pub(super) struct Writer<'a> {
    insert: Statement<'a>,
    capture: &'a str,
    part: i64,
    count: usize,
    last: i64,
    lines: Vec<Name>,
    packed: Vec<u8>,
}

impl<'a> Writer<'a> {
    pub(super) fn new(connection: &'a Connection, capture: &'a str) -> rusqlite::Result<Self> {
        connection.execute("DELETE FROM readings WHERE capture = ?1", [capture])?;
        let insert = connection.prepare("INSERT INTO readings VALUES (?1, ?2, ?3, ?4, ?5)")?;
        Ok(Self { insert, capture, part: 0, count: 0, last: 0, lines: Vec::new(), packed: Vec::new() })
    }

    pub(super) fn push(&mut self, event: &Event) -> rusqlite::Result<()> {
        let (EventKind::Reading, Some(line), Some(counts)) = (event.kind, &event.line, event.counts) else {
            return Ok(());
        };
        let mut known = self.lines.iter().position(|known| known == line);
        if self.count == PART || (known.is_none() && self.lines.len() == LINES) {
            self.write()?;
            known = None;
        }
        let place = known.unwrap_or_else(|| {
            self.lines.push(Name::clone(line));
            self.lines.len() - 1
        });
        put(fold(event.t.0.wrapping_sub(self.last)), &mut self.packed);
        put(place as u64, &mut self.packed);
        put(u64::from(counts), &mut self.packed);
        self.last = event.t.0;
        self.count += 1;
        Ok(())
    }

    fn write(&mut self) -> rusqlite::Result<()> {
        if self.count > 0 {
            let names: Vec<&str> = self.lines.iter().map(|line| &**line).collect();
            let lines = serde_json::json!(names).to_string();
            let sum = sum(&[self.part], &[self.capture.as_bytes(), lines.as_bytes(), &self.packed]);
            self.insert.execute(params![self.capture, self.part, lines, self.packed, sum])?;
        }
        self.part += 1;
        self.count = 0;
        self.last = 0;
        self.lines.clear();
        self.packed.clear();
        Ok(())
    }

    pub(super) fn finish(mut self) -> rusqlite::Result<()> {
        self.write()
    }
}

/// Whether all rows have their sums.
pub(super) fn check(connection: &Connection) -> rusqlite::Result<bool> {
    let mut statement = connection.prepare("SELECT capture, lines, packed, part, sum FROM readings")?;
    let mut rows = statement.query([])?;
    while let Some(row) = rows.next()? {
        let text = |at| row.get_ref(at).map(|value| value.as_bytes().unwrap_or_default());
        if row.get::<_, i64>(4)? != sum(&[row.get(3)?], &[text(0)?, text(1)?, text(2)?]) {
            return Ok(false);
        }
    }
    Ok(true)
}
