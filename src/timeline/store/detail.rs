//! The index seen from near and from afar: the events of a stretch, or their counts in buckets of time.
//!
//! Counts over long stretches come from the table `detail`, in which the events of each control path are counted in
//! stretches of 0.25 s, 1 s, 4 s and so on ([`LEVELS`] of them), so that a look at a month costs no more than one at a
//! minute. Then a stretch belongs to the bucket that holds its middle: counts are exact in sum, and displaced by an
//! eighth of a bucket at most.

use std::collections::BTreeMap;

use rusqlite::{Connection, Statement, params};

use super::{Store, schema};
use crate::base::{ControlPath, Event, Nanoseconds, Result};

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
    /// The condition, and the pattern for LIKE.
    fn condition(&self) -> (String, String) {
        let mut text = "capture = ?1 AND path = ?2 AND t_ns >= ?3 AND t_ns < ?4".to_owned();
        if self.inputs {
            text.push_str(" AND input = 1");
        }
        let pattern = match self.search {
            Some(words) => {
                text.push_str(" AND kind <> 'reading' AND json LIKE ?5 ESCAPE '\\'");
                let plain = words.replace('\\', "\\\\").replace('%', "\\%").replace('_', "\\_");
                format!("%{plain}%")
            }
            // Bound all the same, so that there is one form of the question.
            None => {
                text.push_str(" AND ?5 IS NOT NULL");
                String::new()
            }
        };
        (text, pattern)
    }
}

impl Store {
    /// How many events of the part there are, counted up to `most`.
    ///
    /// # Errors
    /// `Machine` when the disk fails.
    pub fn count(&self, part: &Part<'_>, most: usize) -> Result<usize> {
        let (condition, pattern) = part.condition();
        let question = format!("SELECT count(*) FROM (SELECT 1 FROM events WHERE {condition} LIMIT ?6)");
        let most = i64::try_from(most).unwrap_or(i64::MAX);
        self.connection
            .prepare(&question)
            .and_then(|mut statement| {
                statement.query_row(
                    params![part.capture, part.path.word(), part.from.0, part.to.0, pattern, most],
                    |row| row.get::<_, i64>(0),
                )
            })
            .map(|count| usize::try_from(count).unwrap_or(0))
            .map_err(|error| schema::failed(&self.path, error))
    }

    /// Gives the events of the part in order of time.
    ///
    /// # Errors
    /// What `take` gives; `Machine` when the disk fails.
    pub fn part(&self, part: &Part<'_>, take: &mut dyn FnMut(Event) -> Result<()>) -> Result<()> {
        let (condition, pattern) = part.condition();
        let question = format!("SELECT t_ns, json, n FROM events WHERE {condition} ORDER BY t_ns, n");
        self.select(
            &question,
            params![part.capture, part.path.word(), part.from.0, part.to.0, pattern],
            &mut |_, event| take(event),
        )
    }

    /// Counts the events of the part into `buckets` of `width` each, of which the first begins at `start` on the
    /// capture's clock.
    ///
    /// # Errors
    /// `Machine` when the disk fails.
    pub fn buckets(
        &self,
        part: &Part<'_>,
        start: Nanoseconds,
        bucket: Nanoseconds,
        buckets: &mut [Bucket],
    ) -> Result<()> {
        let bucket = bucket.0.max(1);
        let coarse = (0..LEVELS).rev().find(|level| width(*level) * 4 <= bucket);
        let run = || -> rusqlite::Result<Vec<(i64, Bucket)>> {
            match coarse.filter(|_| part.search.is_none()) {
                Some(level) => self.summaries(part, start.0, bucket, level),
                None => self.each_event(part, start.0, bucket),
            }
        };
        for (place, found) in run().map_err(|error| schema::failed(&self.path, error))? {
            if let Some(slot) = usize::try_from(place).ok().and_then(|place| buckets.get_mut(place)) {
                slot.add(found);
            }
        }
        Ok(())
    }

    fn each_event(&self, part: &Part<'_>, start: i64, bucket: i64) -> rusqlite::Result<Vec<(i64, Bucket)>> {
        let (condition, pattern) = part.condition();
        let mut statement = self.connection.prepare(&format!(
            "SELECT (t_ns - ?6) / ?7, count(*), sum(input), min(counts), max(counts) FROM events \
             WHERE {condition} GROUP BY 1"
        ))?;
        let rows = statement.query_map(
            params![part.capture, part.path.word(), part.from.0, part.to.0, pattern, start, bucket],
            found,
        )?;
        rows.collect()
    }

    fn summaries(
        &self,
        part: &Part<'_>,
        start: i64,
        bucket: i64,
        level: usize,
    ) -> rusqlite::Result<Vec<(i64, Bucket)>> {
        let wide = width(level);
        let mut statement = self.connection.prepare(
            "SELECT (bucket * ?5 + ?6 - ?7) / ?8, sum(events), sum(inputs), min(low), max(high) FROM detail \
             WHERE capture = ?1 AND path = ?2 AND level = ?3 AND bucket >= ?4 AND bucket < ?9 GROUP BY 1",
        )?;
        // Those whose middle lies in the part.
        let first = |t: i64| {
            t.saturating_sub(wide / 2).div_euclid(wide)
                + i64::from(t.saturating_sub(wide / 2).rem_euclid(wide) != 0)
        };
        let rows = statement.query_map(
            params![
                part.capture,
                part.path.word(),
                i64::try_from(level).unwrap_or(0),
                first(part.from.0),
                wide,
                wide / 2,
                start,
                bucket,
                first(part.to.0),
            ],
            found,
        )?;
        rows.collect()
    }
}

fn found(row: &rusqlite::Row<'_>) -> rusqlite::Result<(i64, Bucket)> {
    let number = |value: i64| u64::try_from(value).unwrap_or(0);
    let counts = |value: Option<i64>| value.and_then(|value| u32::try_from(value).ok());
    let readings = counts(row.get(3)?).zip(counts(row.get(4)?));
    let bucket = Bucket { events: number(row.get(1)?), inputs: number(row.get(2)?), readings };
    Ok((row.get(0)?, bucket))
}

/// Fills the table `detail` while a capture is indexed. Memory: one stretch of each path and level.
pub(super) struct Writer<'a> {
    insert: Statement<'a>,
    capture: &'a str,
    open: BTreeMap<(ControlPath, usize), (i64, Bucket)>,
}

impl<'a> Writer<'a> {
    pub(super) fn new(connection: &'a Connection, capture: &'a str) -> rusqlite::Result<Self> {
        connection.execute("DELETE FROM detail WHERE capture = ?1", [capture])?;
        // Where two clocks join, time may step back by a little: then a stretch comes twice.
        let insert = connection.prepare(
            "INSERT INTO detail VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8) \
             ON CONFLICT DO UPDATE SET events = events + excluded.events, inputs = inputs + excluded.inputs, \
             low = min(ifnull(low, excluded.low), ifnull(excluded.low, low)), \
             high = max(ifnull(high, excluded.high), ifnull(excluded.high, high))",
        )?;
        Ok(Self { insert, capture, open: BTreeMap::new() })
    }

    pub(super) fn push(&mut self, event: &Event) -> rusqlite::Result<()> {
        let one = Bucket {
            events: 1,
            inputs: u64::from(event.is_input()),
            readings: event.counts.map(|counts| (counts, counts)),
        };
        for level in 0..LEVELS {
            let bucket = event.t.0.div_euclid(width(level));
            match self.open.get_mut(&(event.path, level)) {
                Some((at, open)) if *at == bucket => open.add(one),
                _ => {
                    if let Some(done) = self.open.insert((event.path, level), (bucket, one)) {
                        self.write(event.path, level, done)?;
                    }
                }
            }
        }
        Ok(())
    }

    fn write(&mut self, path: ControlPath, level: usize, done: (i64, Bucket)) -> rusqlite::Result<()> {
        let (at, bucket) = done;
        let number = |value: u64| i64::try_from(value).unwrap_or(i64::MAX);
        self.insert
            .execute(params![
                self.capture,
                path.word(),
                i64::try_from(level).unwrap_or(0),
                at,
                number(bucket.events),
                number(bucket.inputs),
                bucket.readings.map(|(low, _)| low),
                bucket.readings.map(|(_, high)| high),
            ])
            .map(|_| ())
    }

    pub(super) fn finish(mut self) -> rusqlite::Result<()> {
        for ((path, level), done) in std::mem::take(&mut self.open) {
            self.write(path, level, done)?;
        }
        Ok(())
    }
}
