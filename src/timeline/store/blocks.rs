//! Events in compressed blocks: an index of plain rows was several times as large as the log that it was made from.
//!
//! A row of the table `events` holds up to [`PART`] events of one capture and control path in their order, readings and
//! other events apart. For each: how far its number and its time are from those of the one before, the length of what
//! follows, and its JSON behind `"t"`; all of it deflated. Beside it stand the stretch of time and the counts, so that
//! most questions pass over blocks unread, and a checksum over everything in the row.

use std::collections::BTreeMap;
use std::io::{Read, Write as _};

use flate2::Compression;
use flate2::read::DeflateDecoder;
use flate2::write::DeflateEncoder;
use rusqlite::{Connection, Row, Statement, params};

use crate::base::{ControlPath, Event, EventKind, Nanoseconds, Result};
use crate::timeline::store::packing::{fold, integer, put, unfold};
use crate::timeline::store::{Store, schema};

/// Events in one row.
const PART: u64 = 512;

const INSERT: &str = "INSERT INTO events VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10)";

/// JSON up to where the stored text begins.
const HEAD: &[u8] = b"{\"t\":0";

/// One row without its events.
#[derive(Clone, Debug)]
pub(super) struct Block {
    pub(super) row: i64,
    pub(super) group: (String, bool),
    /// Time of the earliest and the latest event.
    pub(super) t: (i64, i64),
    pub(super) events: u64,
    pub(super) inputs: u64,
}

/// One event as it is stored.
pub(super) struct Stored {
    pub(super) n: i64,
    pub(super) t: i64,
    /// A whole JSON object, with time zero.
    pub(super) json: Vec<u8>,
}

impl Stored {
    /// The event, with its time to the nanosecond: a JSON number goes through a float.
    pub(super) fn event(&self) -> Option<Event> {
        let event: Event = serde_json::from_slice(&self.json).ok()?;
        Some(Event { t: Nanoseconds(self.t), ..event })
    }
}

/// Checksum of what a row says.
pub(super) fn sum(numbers: &[i64], texts: &[&[u8]]) -> i64 {
    let mut crc = flate2::Crc::new();
    numbers.iter().for_each(|number| crc.update(&number.to_le_bytes()));
    texts.iter().for_each(|text| {
        crc.update(&text.len().to_le_bytes());
        crc.update(text);
    });
    i64::from(crc.sum())
}

fn signed(value: u64) -> i64 {
    i64::try_from(value).unwrap_or(i64::MAX)
}

/// What is stored of an event: its JSON from the comma behind the time on.
fn tail(json: &[u8]) -> &[u8] {
    let comma = json.iter().position(|byte| *byte == b',').unwrap_or(0);
    json.get(comma..).unwrap_or_default()
}

/// A block while it grows.
#[derive(Default)]
struct Growing {
    part: i64,
    last: (i64, i64),
    t: Option<(i64, i64)>,
    events: u64,
    inputs: u64,
    raw: Vec<u8>,
}

impl Growing {
    fn push(&mut self, n: i64, t: i64, input: bool, tail: &[u8]) {
        put(fold(n.wrapping_sub(self.last.0)), &mut self.raw);
        put(fold(t.wrapping_sub(self.last.1)), &mut self.raw);
        put(tail.len() as u64, &mut self.raw);
        self.raw.extend_from_slice(tail);
        self.last = (n, t);
        self.t = Some(self.t.map_or((t, t), |(low, high)| (low.min(t), high.max(t))));
        self.events += 1;
        self.inputs += u64::from(input);
    }

    fn deflated(&self) -> Vec<u8> {
        let mut out = DeflateEncoder::new(Vec::with_capacity(self.raw.len() / 8), Compression::new(6));
        // Into memory.
        let _ = out.write_all(&self.raw);
        out.finish().unwrap_or_default()
    }
}

/// Fills the table while a capture is indexed, at the memory of one block for each kind.
pub(super) struct Writer<'a> {
    insert: Statement<'a>,
    capture: &'a str,
    open: BTreeMap<(ControlPath, bool), Growing>,
    json: Vec<u8>,
}

impl<'a> Writer<'a> {
    pub(super) fn new(connection: &'a Connection, capture: &'a str) -> rusqlite::Result<Self> {
        connection.execute("DELETE FROM events WHERE capture = ?1", [capture])?;
        let insert = connection.prepare(INSERT)?;
        Ok(Self { insert, capture, open: BTreeMap::new(), json: Vec::with_capacity(512) })
    }

    pub(super) fn push(&mut self, n: i64, event: &Event) -> rusqlite::Result<()> {
        let group = (event.path, event.kind == EventKind::Reading);
        self.json.clear();
        crate::base::write_event(event, None, &mut self.json);
        let growing = self.open.entry(group).or_default();
        growing.push(n, event.t.0, event.is_input(), tail(&self.json));
        if growing.events >= PART {
            let full = std::mem::take(growing);
            growing.part = full.part + 1;
            write(&mut self.insert, self.capture, (group.0.word(), group.1), &full)?;
        }
        Ok(())
    }

    pub(super) fn finish(mut self) -> rusqlite::Result<()> {
        for ((path, reading), growing) in std::mem::take(&mut self.open) {
            if growing.events > 0 {
                write(&mut self.insert, self.capture, (path.word(), reading), &growing)?;
            }
        }
        Ok(())
    }
}

fn write(
    insert: &mut Statement<'_>,
    capture: &str,
    (path, reading): (&str, bool),
    block: &Growing,
) -> rusqlite::Result<()> {
    let packed = block.deflated();
    let (low, high) = block.t.unwrap_or_default();
    let numbers = [i64::from(reading), block.part, low, high, signed(block.events), signed(block.inputs)];
    let sum = sum(&numbers, &[capture.as_bytes(), path.as_bytes(), &packed]);
    insert
        .execute(params![
            capture, path, numbers[0], numbers[1], low, high, numbers[4], numbers[5], sum, packed
        ])
        .map(|_| ())
}

fn block(row: &Row<'_>) -> rusqlite::Result<Block> {
    let number = |at| row.get::<_, i64>(at).map(|value| u64::try_from(value).unwrap_or(0));
    Ok(Block {
        row: row.get(0)?,
        group: (row.get(1)?, row.get(2)?),
        t: (row.get(3)?, row.get(4)?),
        events: number(5)?,
        inputs: number(6)?,
    })
}

impl Store {
    /// The blocks of a capture, those of one group behind each other in their order.
    pub(super) fn blocks(&self, capture: &str) -> Result<Vec<Block>> {
        let run = || -> rusqlite::Result<Vec<Block>> {
            self.connection
                .prepare(
                    "SELECT rowid, path, reading, t_low, t_high, events, inputs FROM events WHERE capture = ?1 \
                     ORDER BY path, reading, part",
                )?
                .query_map([capture], block)?
                .collect()
        };
        run().map_err(|error| schema::failed(&self.path, error))
    }

    /// What a block holds.
    pub(super) fn unpack(&self, block: &Block) -> Result<Vec<Stored>> {
        let packed: Vec<u8> = self
            .connection
            .query_row("SELECT packed FROM events WHERE rowid = ?1", [block.row], |row| row.get(0))
            .map_err(|error| schema::failed(&self.path, error))?;
        unpack(&packed).ok_or_else(|| schema::damaged(&self.path))
    }

    /// Gives stored events of these blocks in the order of their numbers, at the memory of one block for each group.
    pub(super) fn in_order(
        &self,
        blocks: Vec<Block>,
        take: &mut dyn FnMut(Stored) -> Result<()>,
    ) -> Result<()> {
        let mut groups: BTreeMap<(String, bool), Vec<Block>> = BTreeMap::new();
        for block in blocks {
            groups.entry(block.group.clone()).or_default().push(block);
        }
        let mut streams: Vec<_> = groups
            .into_values()
            .map(|blocks| (blocks.into_iter(), Vec::new().into_iter().peekable()))
            .collect();
        loop {
            let mut first: Option<(i64, usize)> = None;
            for (index, (blocks, events)) in streams.iter_mut().enumerate() {
                while events.peek().is_none() {
                    let Some(block) = blocks.next() else { break };
                    *events = self.unpack(&block)?.into_iter().peekable();
                }
                if let Some(next) = events.peek().map(|stored: &Stored| (stored.n, index)) {
                    first = Some(first.map_or(next, |first| first.min(next)));
                }
            }
            let Some((_, index)) = first else { return Ok(()) };
            if let Some(stored) = streams.get_mut(index).and_then(|(_, events)| events.next()) {
                take(stored)?;
            }
        }
    }

    /// The event of what is stored.
    pub(super) fn event_of(&self, stored: &Stored) -> Result<Event> {
        stored.event().ok_or_else(|| schema::damaged(&self.path))
    }

    /// Changes the remarks of one block's events: `note` says what each is to have.
    pub(super) fn rewrite(
        &mut self,
        capture: &str,
        block: &Block,
        part: i64,
        note: &mut dyn FnMut(i64, &Event) -> Option<String>,
    ) -> Result<()> {
        let mut growing = Growing { part, ..Growing::default() };
        let mut changed = false;
        let mut json = Vec::new();
        for stored in self.unpack(block)? {
            let mut event = self.event_of(&stored)?;
            let note = note(stored.n, &event);
            if event.note.as_deref() != note.as_deref() {
                event.note = note.map(Into::into);
                changed = true;
            }
            json.clear();
            crate::base::write_event(&event, None, &mut json);
            growing.push(stored.n, stored.t, event.is_input(), tail(&json));
        }
        if !changed {
            return Ok(());
        }
        let run = || -> rusqlite::Result<()> {
            let transaction = self.connection.unchecked_transaction()?;
            transaction.execute("DELETE FROM events WHERE rowid = ?1", [block.row])?;
            let mut insert = transaction.prepare(INSERT)?;
            write(&mut insert, capture, (&block.group.0, block.group.1), &growing)?;
            drop(insert);
            transaction.commit()
        };
        run().map_err(|error: rusqlite::Error| schema::failed(&self.path, error))
    }
}

fn unpack(packed: &[u8]) -> Option<Vec<Stored>> {
    let mut raw = Vec::with_capacity(packed.len() * 8);
    DeflateDecoder::new(packed).read_to_end(&mut raw).ok()?;
    let mut rest = raw.as_slice();
    let (mut n, mut t) = (0i64, 0i64);
    let mut all = Vec::new();
    while !rest.is_empty() {
        n = n.wrapping_add(unfold(integer(&mut rest)?));
        t = t.wrapping_add(unfold(integer(&mut rest)?));
        let length = usize::try_from(integer(&mut rest)?).ok()?;
        let (text, after) = (rest.get(..length)?, rest.get(length..)?);
        all.push(Stored { n, t, json: [HEAD, text].concat() });
        rest = after;
    }
    Some(all)
}

/// Whether all rows have their sums.
pub(super) fn check(connection: &Connection) -> rusqlite::Result<bool> {
    let mut statement = connection.prepare(
        "SELECT capture, path, reading, part, t_low, t_high, events, inputs, sum, packed FROM events",
    )?;
    let mut rows = statement.query([])?;
    while let Some(row) = rows.next()? {
        let text = |at| row.get_ref(at).map(|value| value.as_bytes().unwrap_or_default());
        let (capture, path, packed) = (text(0)?, text(1)?, text(9)?);
        let mut numbers = [0i64; 6];
        for (at, number) in numbers.iter_mut().enumerate() {
            *number = row.get(at + 2)?;
        }
        if row.get::<_, i64>(8)? != sum(&numbers, &[capture, path, packed]) {
            return Ok(false);
        }
    }
    Ok(true)
}
