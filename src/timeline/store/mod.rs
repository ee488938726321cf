//! The index of a job, rebuildable from its raw captures and its step log.
//!
//! `straykey.db` is an SQLite file. It holds nothing that is not in `raw/`: delete it and [`Store::rebuild`]
//! makes the same again. Nothing is ever acknowledged from it, so it runs with the write-ahead log and
//! without a sync at each commit; a file that is damaged, or has another version, is thrown away and made
//! anew, and [`Store::was_made_anew`] and [`Store::was_damaged`] say so.
//!
//! | table | rows |
//! | --- | --- |
//! | `stages` | number, text |
//! | `steps` | the stage it began, text, kind, parts as JSON |
//! | `captures` | name, stage, file, hands, SHA-256, length, observed stretch, how it was decoded, events |
//! | `events` | capture, path, and up to 512 events in one compressed block (`blocks`) |
//! | `detail` | the same counted in stretches of time, for looks from afar ([`detail`]) |
//! | `readings` | the keypad readings once more, packed ([`Store::packed`]) |
//! | `findings` | what it is about, kind, JSON |

mod base;
mod blocks;
pub mod detail;
mod failure;
mod packing;
mod readings;
mod schema;
mod sums;

pub use crate::timeline::store::base::Store;
use crate::timeline::store::sums::{capture_sum, check, finding_sum};
use std::path::Path;

use rusqlite::{OptionalExtension, params};

use crate::base::{Cause, ControlPath, Error, Event, EventKind, Nanoseconds, Result, Span};
use crate::timeline::job::{CaptureRef, Hands, Job};

use blocks::Stored;
pub use readings::Take;
pub use schema::SCHEMA_VERSION;

/// Decodes one capture: gives every event to the second argument, in order, and returns the capture's first and last
/// instant, with its ledger of evidence as JSON.
pub type Decode<'a> =
    dyn FnMut(&CaptureRef, &mut dyn FnMut(Event) -> Result<()>) -> Result<(Option<Span>, String)> + 'a;

/// What the index knows of a capture.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Indexed {
    /// Name of the capture.
    pub name: String,
    /// Number of its stage, from 1.
    pub stage: usize,
    /// First and last instant, when something tells the time.
    pub span: Option<Span>,
    /// How many events.
    pub events: u64,
}

impl Store {
    /// Opens or makes the index in a job's folder; of a folder in which nothing can be written, an empty one in memory.
    ///
    /// # Errors
    /// `System` when the disk fails or another process keeps the index locked for more than 5 s.
    pub fn open(folder: &Path) -> Result<Self> {
        match Self::open_with(folder, true) {
            Err(error) if error.cause() == Some(Cause::ReadOnly) => {
                let path = folder.join("straykey.db");
                let connection = schema::in_memory().map_err(|error| schema::failed(&path, error))?;
                Ok(Self { connection, path, made_anew: true, damaged: false, in_memory: true })
            }
            opened => opened,
        }
    }

    /// Opens an index that this process has just looked through by [`Store::open`]: many requests ask the same one, and its
    /// damage is told when the place is met.
    ///
    /// # Errors
    /// As [`Store::open`].
    pub fn open_known(folder: &Path) -> Result<Self> {
        Self::open_with(folder, false)
    }

    fn open_with(folder: &Path, look_through: bool) -> Result<Self> {
        let path = folder.join("straykey.db");
        let existed = path.exists();
        if let Some(connection) = schema::open(&path, look_through)? {
            return Ok(Self { connection, path, made_anew: !existed, damaged: false, in_memory: false });
        }
        let damaged = !schema::has_other_version(&path);
        for ending in ["", "-wal", "-shm"] {
            let file = folder.join(format!("straykey.db{ending}"));
            if file.exists() {
                std::fs::remove_file(&file).map_err(|error| {
                    use std::io::ErrorKind::{PermissionDenied, ReadOnlyFilesystem};
                    let closed = matches!(error.kind(), PermissionDenied | ReadOnlyFilesystem);
                    let failed = Error::system("cannot remove the damaged index").at(&file).because(error);
                    if closed { failed.means(Cause::ReadOnly) } else { failed }
                })?;
            }
        }
        match schema::open(&path, look_through)? {
            Some(connection) => Ok(Self { connection, path, made_anew: true, damaged, in_memory: false }),
            None => Err(Error::system("cannot make the index of the job").at(&path)),
        }
    }

    /// Whether the index was absent, damaged or of another version, and is empty now.
    pub fn was_made_anew(&self) -> bool {
        self.made_anew
    }

    /// Whether it was damaged and is empty now: its reader should be told.
    pub fn was_damaged(&self) -> bool {
        self.damaged
    }

    /// Whether it is in memory, because nothing can be written in the job's folder.
    pub fn is_in_memory(&self) -> bool {
        self.in_memory
    }

    fn failed(&self, error: rusqlite::Error) -> Error {
        schema::failed(&self.path, error)
    }

    /// Empties the index and fills it from the job.
    ///
    /// `decoders` names what decodes (protocol files and their versions): see [`Store::refresh`].
    ///
    /// # Errors
    /// What `decode` gives; `System` when the disk fails. The captures done before stay in the index.
    pub fn rebuild(&mut self, job: &Job, decoders: &str, decode: &mut Decode<'_>) -> Result<()> {
        self.connection.execute_batch(schema::CLEAR).map_err(|error| schema::failed(&self.path, error))?;
        self.refresh(job, decoders, decode)
    }

    /// Brings the index up to date: decodes captures that are new, were not complete, or were decoded by
    /// other `decoders`; the rest stays. One transaction a capture. A capture whose file is missing is not in it.
    ///
    /// # Errors
    /// As [`Store::rebuild`].
    pub fn refresh(&mut self, job: &Job, decoders: &str, decode: &mut Decode<'_>) -> Result<()> {
        self.write_stages(job)?;
        for stage in job.stages() {
            for capture in &stage.captures {
                if !capture.is_there() {
                    // The job says that it is missing; the rest is still worth reading.
                    self.forget(&capture.name)?;
                } else if !self.is_current(capture, decoders)? {
                    self.index(stage.number, capture, decoders, decode)?;
                }
            }
        }
        Ok(())
    }

    fn write_stages(&mut self, job: &Job) -> Result<()> {
        let path = self.path.clone();
        let mut run = || -> rusqlite::Result<()> {
            let transaction = self.connection.transaction()?;
            transaction.execute_batch("DELETE FROM stages; DELETE FROM steps;")?;
            for stage in job.stages() {
                transaction.execute(
                    "INSERT INTO stages VALUES (?1, ?2)",
                    params![integer(stage.number), stage.text],
                )?;
                if let Some(step) = &stage.step {
                    let parts = serde_json::json!(step.parts).to_string();
                    transaction.execute(
                        "INSERT INTO steps VALUES (?1, ?2, ?3, ?4)",
                        params![integer(stage.number), step.text, step.kind.word(), parts],
                    )?;
                }
            }
            transaction.commit()
        };
        run().map_err(|error| schema::failed(&path, error))
    }

    fn forget(&mut self, capture: &str) -> Result<()> {
        const TABLES: [(&str, &str); 4] =
            [("captures", "name"), ("events", "capture"), ("readings", "capture"), ("detail", "capture")];
        TABLES
            .into_iter()
            .try_for_each(|(table, column)| {
                let question = format!("DELETE FROM {table} WHERE {column} = ?1");
                self.connection.execute(&question, [capture]).map(|_| ())
            })
            .map_err(|error| self.failed(error))
    }

    fn is_current(&self, capture: &CaptureRef, decoders: &str) -> Result<bool> {
        let Some(sum) = &capture.sha256 else { return Ok(false) };
        self.connection
            .query_row(
                "SELECT 1 FROM captures WHERE name = ?1 AND sha256 = ?2 AND decoders = ?3",
                params![capture.name, sum, decoders],
                |_| Ok(()),
            )
            .optional()
            .map(|found| found.is_some())
            .map_err(|error| self.failed(error))
    }

    fn index(
        &mut self,
        stage: usize,
        capture: &CaptureRef,
        decoders: &str,
        decode: &mut Decode<'_>,
    ) -> Result<()> {
        let path = self.path.clone();
        let failed = |error| schema::failed(&path, error);
        let transaction = self.connection.transaction().map_err(failed)?;
        let (span, ledger, events) = {
            let mut blocks = blocks::Writer::new(&transaction, &capture.name).map_err(failed)?;
            let mut afar = detail::Writer::new(&transaction, &capture.name).map_err(failed)?;
            let mut packed = readings::Writer::new(&transaction, &capture.name).map_err(failed)?;
            let mut events = 0i64;
            let (span, ledger) = decode(capture, &mut |event| {
                blocks.push(events, &event).map_err(failed)?;
                afar.push(&event).map_err(failed)?;
                packed.push(&event).map_err(failed)?;
                events += 1;
                Ok(())
            })?;
            blocks.finish().map_err(failed)?;
            afar.finish().map_err(failed)?;
            packed.finish().map_err(failed)?;
            (span, ledger, events)
        };
        transaction
            .execute(
                "INSERT OR REPLACE INTO findings VALUES (?1, ?2, ?3, ?4)",
                params![capture.name, LEDGER, ledger, finding_sum(&capture.name, LEDGER, &ledger)],
            )
            .map_err(failed)?;
        let (stage, hands) = (integer(stage), hands_word(capture.hands));
        let bytes = capture.bytes.map(|bytes| i64::try_from(bytes).unwrap_or(i64::MAX));
        let (start, end) = (span.map(|span| span.start.0), span.map(|span| span.end.0));
        let sum = capture_sum(
            [Some(stage), bytes, start, end, Some(events)],
            [&capture.name, &capture.file, hands, capture.sha256.as_deref().unwrap_or_default(), decoders],
        );
        transaction
            .execute(
                "INSERT OR REPLACE INTO captures VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11)",
                params![
                    capture.name,
                    stage,
                    capture.file,
                    hands,
                    capture.sha256,
                    bytes,
                    start,
                    end,
                    decoders,
                    events,
                    sum
                ],
            )
            .map_err(failed)?;
        transaction.commit().map_err(failed)
    }

    /// The captures in the index, by name.
    ///
    /// # Errors
    /// `System` when the disk fails.
    pub fn captures(&self) -> Result<Vec<Indexed>> {
        let run = || -> rusqlite::Result<Vec<Indexed>> {
            let mut statement = self
                .connection
                .prepare("SELECT name, stage, start_ns, end_ns, events FROM captures ORDER BY name")?;
            let rows = statement.query_map([], |row| {
                let start: Option<i64> = row.get(2)?;
                let end: Option<i64> = row.get(3)?;
                let span = start
                    .zip(end)
                    .map(|(start, end)| Span { start: Nanoseconds(start), end: Nanoseconds(end) });
                Ok(Indexed {
                    name: row.get(0)?,
                    stage: usize::try_from(row.get::<_, i64>(1)?).unwrap_or_default(),
                    span,
                    events: u64::try_from(row.get::<_, i64>(4)?).unwrap_or_default(),
                })
            })?;
            rows.collect()
        };
        run().map_err(|error| self.failed(error))
    }

    /// Gives every event of a capture in order.
    ///
    /// # Errors
    /// What `take` gives; `System` when the disk fails or the index holds what is no event.
    pub fn events(&self, capture: &str, take: &mut dyn FnMut(Event) -> Result<()>) -> Result<()> {
        self.in_order(self.blocks(capture)?, &mut |stored| take(self.event_of(&stored)?))
    }

    /// Gives every event of a capture that is no reading, in order, with its number: what acts, at a fraction of
    /// the cost of [`Store::events`].
    ///
    /// # Errors
    /// As [`Store::events`].
    pub fn acts(&self, capture: &str, take: &mut dyn FnMut(i64, Event) -> Result<()>) -> Result<()> {
        let mut blocks = self.blocks(capture)?;
        blocks.retain(|block| !block.group.1);
        self.in_order(blocks, &mut |stored| take(stored.n, self.event_of(&stored)?))
    }

    /// The protocol file that decoded the first keypad event of a capture, as `name@version`.
    ///
    /// # Errors
    /// As [`Store::events`].
    pub fn keypad_decoder(&self, capture: &str) -> Result<Option<String>> {
        let mut first: Option<Stored> = None;
        let mut group = None;
        for block in self.blocks(capture)? {
            // The first block of each of the two groups; later ones hold later events.
            if block.group.0 != ControlPath::Keypad.word() || group.as_ref() == Some(&block.group) {
                continue;
            }
            let found = self.unpack(&block)?.into_iter().next();
            first = [first, found].into_iter().flatten().min_by_key(|stored| stored.n);
            group = Some(block.group);
        }
        let event = first.map(|stored| self.event_of(&stored)).transpose()?;
        Ok(event.and_then(|event| event.decoder.as_deref().map(str::to_owned)))
    }

    /// Sets the remark of each menu change of a capture: `note` where its number is in `numbers` (rising), none
    /// elsewhere.
    ///
    /// # Errors
    /// `System` when the disk fails.
    pub fn note_changes(&mut self, capture: &str, numbers: &[i64], note: &str) -> Result<()> {
        let blocks = self.blocks(capture)?;
        let menu = blocks.iter().filter(|block| block.group == (ControlPath::Menu.word().to_owned(), false));
        for (part, block) in (0..).zip(menu) {
            self.rewrite(capture, block, part, &mut |number, event| {
                if event.kind != EventKind::Change {
                    return event.note.as_deref().map(str::to_owned);
                }
                numbers.binary_search(&number).is_ok().then(|| note.to_owned())
            })?;
        }
        Ok(())
    }

    /// Puts a finding, JSON text, in the place of an older one of the same kind about the same thing.
    ///
    /// # Errors
    /// `System` when the disk fails.
    pub fn put_finding(&mut self, about: &str, kind: &str, json: &str) -> Result<()> {
        self.connection
            .execute(
                "INSERT OR REPLACE INTO findings VALUES (?1, ?2, ?3, ?4)",
                params![about, kind, json, finding_sum(about, kind, json)],
            )
            .map(|_| ())
            .map_err(|error| schema::failed(&self.path, error))
    }

    /// A finding, as it was put.
    ///
    /// # Errors
    /// `System` when the disk fails.
    pub fn finding(&self, about: &str, kind: &str) -> Result<Option<String>> {
        self.connection
            .query_row("SELECT json FROM findings WHERE about = ?1 AND kind = ?2", [about, kind], |row| {
                row.get(0)
            })
            .optional()
            .map_err(|error| self.failed(error))
    }
}

/// Kind of the finding that holds a capture's ledger of evidence.
pub const LEDGER: &str = "ledger";

fn integer(number: usize) -> i64 {
    i64::try_from(number).unwrap_or(i64::MAX)
}

const fn hands_word(hands: Hands) -> &'static str {
    match hands {
        Hands::Off => "off",
        Hands::On => "on",
    }
}
