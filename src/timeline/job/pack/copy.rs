//! Masked copies: captures as they are kept, the step log, the facts of the job.

use std::collections::{BTreeMap, VecDeque};
use std::fs::{self, File};
use std::io::{BufReader, BufWriter, Read, Write};
use std::path::{Path, PathBuf};

use flate2::Compression;
use flate2::bufread::MultiGzDecoder;
use flate2::write::GzEncoder;

use crate::base::{Error, Nanoseconds, Result};
use crate::journal::{OwnedRecord, Reader, RecordKind, Writer};
use crate::source::What;
use crate::source::{ByteSource, FileKind, recognise};
use crate::timeline::job::log::Entry;
use crate::timeline::job::model::CaptureSource;
use crate::timeline::mask::{Masker, Tally, Text, mask_command, mask_line, mask_stream, mask_text};

/// Layers of compression that are taken off, as when a capture is read.
const DEEPEST: u32 = 3;

/// Copies a capture, masked: a live journal, a log, a table, a dump, or one of them compressed.
pub(super) fn capture(from: &Path, to: &Path, tally: &mut Tally) -> Result<()> {
    peel(from, to, tally, DEEPEST)
}

fn peel(from: &Path, to: &Path, tally: &mut Tally, layers: u32) -> Result<()> {
    if from.is_dir() {
        return journal(from, to, tally);
    }
    let cannot_read = |error| Error::io("cannot read this capture", from, error);
    let cannot_write = |error| Error::io("cannot write the masked copy of a capture", to, error);
    let mut source = File::open(from).map_err(cannot_read)?;
    let mut head = Vec::new();
    (&mut source).take(1 << 16).read_to_end(&mut head).map_err(cannot_read)?;
    let whole = std::io::Cursor::new(head.clone()).chain(source);
    let kind = recognise(&head);
    if kind == FileKind::Journal {
        return journal(from, to, tally);
    }
    let mut copy = BufWriter::new(File::create(to).map_err(cannot_write)?);
    if kind == FileKind::Gzip && layers > 0 {
        // Unpacked, masked, packed again; what is inside may be packed once more.
        let (plain, masked) = (beside(to, ".plain"), beside(to, ".masked"));
        let mut inside = MultiGzDecoder::new(BufReader::new(whole));
        let unpacked = File::create(&plain).and_then(|mut file| std::io::copy(&mut inside, &mut file));
        unpacked.map_err(cannot_read)?;
        peel(&plain, &masked, tally, layers - 1)?;
        let mut gz = GzEncoder::new(copy, Compression::default());
        let packed = File::open(&masked).and_then(|mut file| std::io::copy(&mut file, &mut gz));
        packed.and_then(|_| gz.finish()?.flush()).map_err(cannot_write)?;
        return [plain, masked].iter().try_for_each(fs::remove_file).map_err(cannot_write);
    }
    let text = if matches!(kind, FileKind::Csv | FileKind::Vcd) { Text::Table } else { Text::Log };
    mask_stream(&mut BufReader::with_capacity(1 << 18, whole), &mut copy, text, tally)
        .map_err(cannot_write)?;
    copy.flush().map_err(cannot_write)
}

fn beside(path: &Path, ending: &str) -> PathBuf {
    let mut name = path.as_os_str().to_owned();
    name.push(ending);
    PathBuf::from(name)
}

/// So many records wait at most for the end of a line.
const MOST_WAITING: usize = 1 << 16;

/// A journal record by record, with the same times and lengths; the masker is given the bytes as one text, so that a
/// line that came in pieces is masked as a whole.
struct Copy<'a> {
    writer: Writer,
    masker: Masker,
    masked: Vec<u8>,
    waiting: VecDeque<OwnedRecord>,
    tally: &'a mut Tally,
}

fn journal(from: &Path, to: &Path, tally: &mut Tally) -> Result<()> {
    let mut reader = Reader::open(from)?;
    let writer = rewriter(&reader, to)?;
    let (masked, waiting) = (Vec::new(), VecDeque::new());
    let mut copy = Copy { writer, masker: Masker::new(Text::Log), masked, waiting, tally };
    let mut origin = false;
    let mut close = None;
    while let Some(record) = reader.next_record()? {
        // Each segment has an origin and an end of its own; the whole has one of each.
        match record.kind {
            RecordKind::Origin if std::mem::replace(&mut origin, true) => {}
            RecordKind::Close => close = Some(record),
            _ => copy.take(record)?,
        }
    }
    if copy.tally.masks() {
        copy.masker.finish(&mut copy.masked, &mut |kind, line| copy.tally.add(kind, line));
    }
    copy.waiting.extend(close);
    copy.write()?;
    copy.writer.commit()
}

impl Copy<'_> {
    fn take(&mut self, record: OwnedRecord) -> Result<()> {
        if !self.tally.masks() {
            return self.put(&record, &record.payload);
        }
        let mut found = |kind, line| self.tally.add(kind, line);
        if record.kind == RecordKind::Bytes {
            self.masker.feed(&record.payload, &mut self.masked, &mut found);
        } else if let Some(What::Command { text }) = mark_of(&record) {
            self.masker.typed(text.as_bytes());
        }
        self.waiting.push_back(record);
        if self.waiting.len() >= MOST_WAITING {
            self.masker.release(&mut self.masked, &mut found);
        }
        self.write()
    }

    /// Writes what is masked.
    fn write(&mut self) -> Result<()> {
        let mut at = 0;
        while let Some(front) = self.waiting.front() {
            let own = front.payload.len();
            let ready = front.kind != RecordKind::Bytes || self.masked.len() - at >= own;
            let Some(record) = self.waiting.pop_front_if(|_| ready) else { break };
            let payload = match record.kind {
                RecordKind::Bytes => {
                    let own = self.masked[at..at + own].to_vec();
                    at += own.len();
                    own
                }
                _ => self.words(&record),
            };
            self.put(&record, &payload)?;
        }
        self.masked.drain(..at);
        Ok(())
    }

    fn put(&mut self, record: &OwnedRecord, payload: &[u8]) -> Result<()> {
        self.writer.append(record.kind, Nanoseconds(record.t), record.wall, payload)
    }

    /// A remark, or where the bytes came from, masked.
    fn words(&mut self, record: &OwnedRecord) -> Vec<u8> {
        let mut payload = record.payload.clone();
        let mut found = |kind| self.tally.add(kind, 1);
        match (record.kind, mark_of(record)) {
            (RecordKind::Typed, Some(mut what)) => {
                let command = matches!(what, What::Command { .. });
                if let Some(words) = what.words_mut() {
                    let mut bytes = std::mem::take(words).into_bytes();
                    if command {
                        mask_command(&mut bytes, &mut found);
                    } else {
                        mask_line(&mut bytes, &mut found);
                    }
                    *words = String::from_utf8_lossy(&bytes).into_owned();
                }
                payload = serde_json::to_vec(&what).unwrap_or_default();
            }
            (RecordKind::Mark, Some(What::Command { text })) => {
                let remark = payload.len() - text.len();
                mask_command(&mut payload[remark..], &mut found);
            }
            (RecordKind::Mark | RecordKind::Typed | RecordKind::Origin | RecordKind::Entry, _) => {
                mask_line(&mut payload, &mut found);
            }
            _ => {}
        }
        payload
    }
}

/// The mark that a record is.
fn mark_of(record: &OwnedRecord) -> Option<What> {
    match record.kind {
        RecordKind::Mark => std::str::from_utf8(&record.payload).ok().map(What::from_text),
        RecordKind::Typed => serde_json::from_slice(&record.payload).ok(),
        _ => None,
    }
}

fn rewriter(reader: &Reader, to: &Path) -> Result<Writer> {
    let anchor = reader.anchor().ok_or_else(|| Error::input("this journal has no beginning").at(to))?;
    Writer::create(to, anchor)
}

/// What a masked capture is called, and the sum of its copy.
#[derive(Clone, Debug)]
pub(super) struct Renamed {
    pub(super) name: String,
    pub(super) file: String,
    pub(super) sha256: String,
    pub(super) bytes: u64,
}

/// The step log with masked words, file names without their folders, and the names and sums of the copies.
pub(super) fn steps(
    from: &Path,
    to: &Path,
    copies: &BTreeMap<String, Renamed>,
    tally: &mut Tally,
) -> Result<()> {
    let mut reader = Reader::open(from)?;
    let mut writer = rewriter(&reader, to)?;
    while let Some(record) = reader.next_record()? {
        let mut payload = record.payload;
        if record.kind == RecordKind::Entry {
            match serde_json::from_slice::<Entry>(&payload) {
                Ok(entry) => {
                    payload = serde_json::to_vec(&masked(entry, copies, tally)).map_err(|error| {
                        Error::system("cannot write an entry of the step log").because(error)
                    })?;
                }
                // Of a later version: what it means is not known, so that it is words like any other.
                Err(_) if tally.masks() => mask_line(&mut payload, &mut |kind| tally.add(kind, 1)),
                Err(_) => {}
            }
        }
        writer.append(record.kind, Nanoseconds(record.t), record.wall, &payload)?;
    }
    writer.commit()
}

fn masked(entry: Entry, copies: &BTreeMap<String, Renamed>, tally: &mut Tally) -> Entry {
    let masks = tally.masks();
    let mut words = |text: String| tally.text(text);
    let renamed = |name: String| copies.get(&name).map_or(name, |copy| copy.name.clone());
    match entry {
        Entry::Received { text } => Entry::Received { text: words(text) },
        Entry::Cautions { words: text } => Entry::Cautions { words: words(text) },
        Entry::Step(mut step) => {
            step.text = words(step.text);
            step.parts = step.parts.into_iter().map(words).collect();
            Entry::Step(step)
        }
        Entry::Begin { name, file, source, hands, wire, chassis, started_unix_ns } => {
            let source = match source {
                // Folders name people and customers.
                CaptureSource::File { path } if masks => CaptureSource::File {
                    path: words(path.rsplit(['/', '\\']).next().unwrap_or_default().to_owned()),
                },
                CaptureSource::Live { port } => CaptureSource::Live { port: words(port) },
                other => other,
            };
            let file = copies.get(&name).map_or(file, |copy| copy.file.clone());
            Entry::Begin { name: renamed(name), file, source, hands, wire, chassis, started_unix_ns }
        }
        Entry::Prompt { capture, prompt } => Entry::Prompt { capture: renamed(capture), prompt },
        Entry::Provoke { capture, mut provocation } => {
            provocation.stressors = provocation.stressors.into_iter().map(words).collect();
            Entry::Provoke { capture: renamed(capture), provocation }
        }
        Entry::Block { capture, block } => Entry::Block { capture: renamed(capture), block },
        Entry::Strike { capture, round, why, later } => {
            Entry::Strike { capture: renamed(capture), round, why: words(why.into()).into(), later }
        }
        Entry::End { name, sha256, bytes, span, cut, short } => match copies.get(&name).cloned() {
            Some(copy) => {
                Entry::End { name: copy.name, sha256: copy.sha256, bytes: copy.bytes, span, cut, short }
            }
            None => Entry::End { name, sha256, bytes, span, cut, short },
        },
        Entry::Closed { at } => Entry::Closed { at },
    }
}

/// `job.toml` with masked words.
pub(super) fn info(from: &Path, to: &Path, tally: &mut Tally) -> Result<()> {
    let mut text =
        fs::read_to_string(from).map_err(|error| Error::io("cannot read this file", from, error))?;
    let (masked, found) = mask_text(&text);
    if tally.masks() && !found.is_empty() {
        text = masked;
        found.into_iter().for_each(|kind| tally.add(kind, 1));
    }
    fs::write(to, text).map_err(|error| Error::io("cannot write a copy", to, error))
}
