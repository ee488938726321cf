//! The index seen from near and from afar: the events of a stretch, or their counts in buckets of time.
//!
//! Counts over long stretches come from the table `detail`, in which the events of each control path are counted in
//! stretches of 0.25 s, 1 s, 4 s and so on ([`LEVELS`] of them), so that a look at a month costs no more than one at a
//! minute. Then a stretch belongs to the bucket that holds its middle: counts are exact in sum, and displaced by an
//! eighth of a bucket at most.

use std::collections::BTreeMap;

use rusqlite::{Connection, Statement, params};

use crate::base::{ControlPath, Event, Nanoseconds, Result};
use crate::timeline::store::blocks::{Block, Stored, sum};
use crate::timeline::store::packing::{fold, integer, put, unfold};
use crate::timeline::store::{Store, schema};

/// Length of the shortest stretch.
const SHORTEST: i64 = 250_000_000;
/// Each level's stretches are four times as long as those of the one before: up to 45 days.
pub const LEVELS: usize = 13;

const fn width(level: usize) -> i64 {
    SHORTEST << (2 * level)
}

/// Events of one bucket.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Bucket {
    /// All events.
    pub events: u64,
    /// Those that press something.
    pub inputs: u64,
    /// Lowest and highest reading.
    pub readings: Option<(u32, u32)>,
}

impl Bucket {
    fn of(event: &Event) -> Self {
        let readings = event.counts.map(|counts| (counts, counts));
        Self { events: 1, inputs: u64::from(event.is_input()), readings }
    }

    /// Adds another.
    pub fn add(&mut self, other: Self) {
        self.events += other.events;
        self.inputs += other.inputs;
        self.readings = match (self.readings, other.readings) {
            (Some((a, b)), Some((c, d))) => Some((a.min(c), b.max(d))),
            (one, two) => one.or(two),
        };
    }
}

/// Which events of a capture are meant.
#[derive(Clone, Debug)]
pub struct Part<'a> {
    /// The capture.
    pub capture: &'a str,
    /// The control path.
    pub path: ControlPath,
    /// From this instant on, on the capture's clock.
    pub from: Nanoseconds,
    /// Up to and without this one.
    pub to: Nanoseconds,
    /// Only what presses something.
    pub inputs: bool,
    /// Only events other than readings whose JSON holds this text, in any case of letters.
    pub search: Option<&'a str>,
}

impl Part<'_> {
    fn takes(&self, stored: &Stored) -> bool {
        stored.t >= self.from.0 && stored.t < self.to.0
    }

    /// Whether an event is meant, of those in the right stretch.
    fn means(&self, stored: &Stored, event: &Event) -> bool {
        let found = |words: &str| {
            let (text, words) = (stored.json.to_ascii_lowercase(), words.to_ascii_lowercase());
            words.is_empty() || memchr::memmem::find(&text, words.as_bytes()).is_some()
        };
        (!self.inputs || event.is_input()) && self.search.is_none_or(found)
    }

    /// Whether a block may hold what is meant.
    fn meets(&self, block: &Block) -> bool {
        let (path, reading) = &block.group;
        *path == self.path.word()
            && block.t.1 >= self.from.0
            && block.t.0 < self.to.0
            && !(self.inputs && block.inputs == 0)
            && !(self.search.is_some() && *reading)
    }

    /// Whether all of a block is meant, so that its counts say enough.
    fn holds(&self, block: &Block) -> bool {
        block.t.0 >= self.from.0 && block.t.1 < self.to.0 && self.search.is_none()
    }
}

impl Store {
    /// How many events of the part there are, counted up to `most`.
    ///
    /// # Errors
    /// `System` when the disk fails.
    pub fn count(&self, part: &Part<'_>, most: usize) -> Result<usize> {
        let mut count = 0;
        for block in self.blocks(part.capture)?.into_iter().filter(|block| part.meets(block)) {
            if count >= most {
                break;
            }
            if part.holds(&block) {
                let all = if part.inputs { block.inputs } else { block.events };
                count += usize::try_from(all).unwrap_or(usize::MAX);
            } else {
                self.each(part, &block, &mut |_| count += 1)?;
            }
        }
        Ok(count.min(most))
    }

    /// Gives the events of a block that belong to the part.
    fn each(&self, part: &Part<'_>, block: &Block, take: &mut dyn FnMut((i64, Event))) -> Result<()> {
        for stored in self.unpack(block)?.iter().filter(|stored| part.takes(stored)) {
            let event = self.event_of(stored)?;
            if part.means(stored, &event) {
                take((stored.n, event));
            }
        }
        Ok(())
    }

    /// Gives the events of the part in order of time.
    ///
    /// # Errors
    /// What `take` gives; `System` when the disk fails.
    pub fn part(&self, part: &Part<'_>, take: &mut dyn FnMut(Event) -> Result<()>) -> Result<()> {
        let mut all = Vec::new();
        for block in self.blocks(part.capture)?.into_iter().filter(|block| part.meets(block)) {
            self.each(part, &block, &mut |found| all.push(found))?;
        }
        all.sort_by_key(|(n, event)| (event.t, *n));
        all.into_iter().try_for_each(|(_, event)| take(event))
    }

    /// Counts the events of the part into `buckets` of `width` each, of which the first begins at `start` on the
    /// capture's clock.
    ///
    /// # Errors
    /// `System` when the disk fails.
    pub fn buckets(
        &self,
        part: &Part<'_>,
        start: Nanoseconds,
        bucket: Nanoseconds,
        buckets: &mut [Bucket],
    ) -> Result<()> {
        let bucket = bucket.0.max(1);
        let coarse = (0..LEVELS).rev().find(|level| width(*level) * 4 <= bucket);
        let mut add = |place: i64, found: Bucket| {
            if let Some(slot) = usize::try_from(place).ok().and_then(|place| buckets.get_mut(place)) {
                slot.add(found);
            }
        };
        match coarse.filter(|_| part.search.is_none()) {
            Some(level) => self.summaries(part, level, &mut |middle, found| {
                add(middle.saturating_sub(start.0).div_euclid(bucket), found);
            }),
            None => {
                for block in self.blocks(part.capture)?.into_iter().filter(|block| part.meets(block)) {
                    self.each(part, &block, &mut |(_, event)| {
                        add(event.t.0.saturating_sub(start.0).div_euclid(bucket), Bucket::of(&event));
                    })?;
                }
                Ok(())
            }
        }
    }

    /// Gives the stretches of a level whose middle lies in the part, each with that middle.
    fn summaries(&self, part: &Part<'_>, level: usize, add: &mut dyn FnMut(i64, Bucket)) -> Result<()> {
        let wide = width(level);
        let first = |t: i64| {
            t.saturating_sub(wide / 2).div_euclid(wide)
                + i64::from(t.saturating_sub(wide / 2).rem_euclid(wide) != 0)
        };
        let (from, to) = (first(part.from.0), first(part.to.0));
        let run = || -> rusqlite::Result<Vec<Vec<u8>>> {
            self.connection
                .prepare(
                    "SELECT packed FROM detail WHERE capture = ?1 AND path = ?2 AND level = ?3 AND high >= ?4 AND low < ?5",
                )?
                .query_map(
                    params![part.capture, part.path.word(), i64::try_from(level).unwrap_or(0), from, to],
                    |row| row.get(0),
                )?
                .collect()
        };
        for packed in run().map_err(|error| schema::failed(&self.path, error))? {
            let (mut rest, mut at) = (packed.as_slice(), 0i64);
            while !rest.is_empty() {
                let Some((step, bucket)) = unpacked(&mut rest) else {
                    return Err(schema::damaged(&self.path));
                };
                at = at.wrapping_add(step);
                if (from..to).contains(&at) {
                    add(at.saturating_mul(wide).saturating_add(wide / 2), bucket);
                }
            }
        }
        Ok(())
    }
}

/// One stretch of a row: how far it is from the one before, and what is in it.
fn unpacked(rest: &mut &[u8]) -> Option<(i64, Bucket)> {
    let step = unfold(integer(rest)?);
    let (events, inputs) = (integer(rest)?, integer(rest)?);
    let readings = match integer(rest)? {
        0 => None,
        low => {
            let low = u32::try_from(low - 1).ok()?;
            Some((low, low.checked_add(u32::try_from(integer(rest)?).ok()?)?))
        }
    };
    Some((step, Bucket { events, inputs, readings }))
}

/// Stretches in one row.
const PART: u32 = 1024;

/// A row while it grows.
#[derive(Default)]
struct Row {
    part: i64,
    count: u32,
    last: i64,
    ends: Option<(i64, i64)>,
    packed: Vec<u8>,
}

impl Row {
    fn push(&mut self, (at, bucket): (i64, Bucket)) {
        put(fold(at.wrapping_sub(self.last)), &mut self.packed);
        put(bucket.events, &mut self.packed);
        put(bucket.inputs, &mut self.packed);
        match bucket.readings {
            None => put(0, &mut self.packed),
            Some((low, high)) => {
                put(u64::from(low) + 1, &mut self.packed);
                put(u64::from(high.saturating_sub(low)), &mut self.packed);
            }
        }
        self.last = at;
        self.ends = Some(self.ends.map_or((at, at), |(low, high)| (low.min(at), high.max(at))));
        self.count += 1;
    }
}

/// Fills the table `detail` while a capture is indexed. Memory: one row of each path and level. Where two clocks join,
/// time may step back by a little: then a stretch comes twice, and both count.
pub(super) struct Writer<'a> {
    insert: Statement<'a>,
    capture: &'a str,
    open: BTreeMap<(ControlPath, usize), ((i64, Bucket), Row)>,
}

impl<'a> Writer<'a> {
    pub(super) fn new(connection: &'a Connection, capture: &'a str) -> rusqlite::Result<Self> {
        connection.execute("DELETE FROM detail WHERE capture = ?1", [capture])?;
        let insert = connection.prepare("INSERT INTO detail VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8)")?;
        Ok(Self { insert, capture, open: BTreeMap::new() })
    }

    pub(super) fn push(&mut self, event: &Event) -> rusqlite::Result<()> {
        let one = Bucket::of(event);
        for level in 0..LEVELS {
            let bucket = event.t.0.div_euclid(width(level));
            let key = (event.path, level);
            let ((at, open), row) =
                self.open.entry(key).or_insert_with(|| ((bucket, Bucket::default()), Row::default()));
            if *at == bucket {
                open.add(one);
                continue;
            }
            row.push((*at, *open));
            (*at, *open) = (bucket, one);
            if row.count >= PART {
                let full = std::mem::take(row);
                row.part = full.part + 1;
                write(&mut self.insert, self.capture, key, &full)?;
            }
        }
        Ok(())
    }

    pub(super) fn finish(mut self) -> rusqlite::Result<()> {
        for (key, (last, mut row)) in std::mem::take(&mut self.open) {
            row.push(last);
            write(&mut self.insert, self.capture, key, &row)?;
        }
        Ok(())
    }
}

fn write(
    insert: &mut Statement<'_>,
    capture: &str,
    (path, level): (ControlPath, usize),
    row: &Row,
) -> rusqlite::Result<()> {
    let (low, high) = row.ends.unwrap_or_default();
    let numbers = [i64::try_from(level).unwrap_or(0), row.part, low, high];
    let sum = sum(&numbers, &[capture.as_bytes(), path.word().as_bytes(), &row.packed]);
    insert
        .execute(params![capture, path.word(), numbers[0], row.part, low, high, sum, row.packed])
        .map(|_| ())
}

/// Whether all rows have their sums.
pub(super) fn check(connection: &Connection) -> rusqlite::Result<bool> {
    let mut statement =
        connection.prepare("SELECT capture, path, packed, sum, level, part, low, high FROM detail")?;
    let mut rows = statement.query([])?;
    while let Some(row) = rows.next()? {
        let text = |at| row.get_ref(at).map(|value| value.as_bytes().unwrap_or_default());
        let numbers = [row.get(4)?, row.get(5)?, row.get(6)?, row.get(7)?];
        if row.get::<_, i64>(3)? != sum(&numbers, &[text(0)?, text(1)?, text(2)?]) {
            return Ok(false);
        }
    }
    Ok(true)
}
