//! Masked copies: captures as they are kept, the step log, the facts of the job.

use std::collections::BTreeMap;
use std::fs::{self, File};
use std::io::{BufReader, BufWriter, Read, Write};
use std::path::Path;

use flate2::Compression;
use flate2::bufread::MultiGzDecoder;
use flate2::write::GzEncoder;

use super::super::log::Entry;
use super::super::model::CaptureSource;
use crate::base::{Error, Nanoseconds, Result};
use crate::journal::{OwnedRecord, Reader, RecordKind, Writer};
use crate::source::{ByteSource, FileKind, recognise};
use crate::timeline::mask::{Tally, mask_stream, mask_text};

/// Copies a capture, masked where it holds text: a live journal, a log, or a compressed log. Tables and value
/// change dumps hold numbers; they are not copied, and the tally stays empty.
pub(super) fn capture(from: &Path, to: &Path, tally: &mut Tally) -> Result<()> {
    if from.is_dir() {
        return journal(from, to, tally);
    }
    let cannot_read = |error| Error::io("cannot read this capture", from, error);
    let cannot_write = |error| Error::io("cannot write the masked copy of a capture", to, error);
    let mut source = File::open(from).map_err(cannot_read)?;
    let mut head = Vec::new();
    (&mut source).take(1 << 16).read_to_end(&mut head).map_err(cannot_read)?;
    let whole = std::io::Cursor::new(head.clone()).chain(source);
    match recognise(&head) {
        FileKind::Journal => journal(from, to, tally),
        FileKind::Text => {
            let mut copy = BufWriter::new(File::create(to).map_err(cannot_write)?);
            mask_stream(&mut BufReader::new(whole), &mut copy, tally).map_err(cannot_write)?;
            copy.flush().map_err(cannot_write)
        }
        FileKind::Gzip => {
            let mut inside = BufReader::new(MultiGzDecoder::new(BufReader::new(whole)));
            let mut head = Vec::new();
            (&mut inside).take(1 << 16).read_to_end(&mut head).map_err(cannot_read)?;
            if recognise(&head) != FileKind::Text {
                return Ok(());
            }
            let mut copy = GzEncoder::new(File::create(to).map_err(cannot_write)?, Compression::default());
            let whole = std::io::Cursor::new(head).chain(inside);
            mask_stream(&mut BufReader::new(whole), &mut copy, tally).map_err(cannot_write)?;
            copy.finish().map(|_| ()).map_err(cannot_write)
        }
        _ => Ok(()),
    }
}

/// Longest line that is put together from several records.
const LONGEST: usize = 1 << 16;

/// A journal record by record, with the same times and lengths. A line that came in pieces is masked as a whole.
fn journal(from: &Path, to: &Path, tally: &mut Tally) -> Result<()> {
    let mut reader = Reader::open(from)?;
    let mut writer = rewriter(&reader, to)?;
    let mut waiting: Vec<OwnedRecord> = Vec::new();
    let mut line: Vec<u8> = Vec::new();
    let mut origin = false;
    let mut close = None;
    while let Some(record) = reader.next_record()? {
        // Each segment has an origin and an end of its own; the whole has one of each.
        match record.kind {
            RecordKind::Origin if std::mem::replace(&mut origin, true) => continue,
            RecordKind::Close => {
                close = Some(record);
                continue;
            }
            _ => {}
        }
        if record.kind == RecordKind::Bytes {
            line.extend_from_slice(&record.payload);
        }
        let ends = record.kind == RecordKind::Bytes && record.payload.contains(&b'\n');
        waiting.push(record);
        if ends || line.len() >= LONGEST || waiting.len() >= LONGEST {
            // All but the last line is whole; the rest waits for its end.
            let whole = line.iter().rposition(|byte| *byte == b'\n').map_or(0, |n| n + 1);
            let force = line.len() - whole >= LONGEST || waiting.len() >= LONGEST;
            if force || whole == line.len() {
                pour(&mut writer, &mut waiting, &mut line, tally)?;
            }
        }
    }
    waiting.extend(close);
    pour(&mut writer, &mut waiting, &mut line, tally)?;
    writer.commit()
}

/// Masks the joined bytes and gives each record its own back.
fn pour(
    writer: &mut Writer,
    waiting: &mut Vec<OwnedRecord>,
    line: &mut Vec<u8>,
    tally: &mut Tally,
) -> Result<()> {
    for part in line.split_inclusive_mut(|byte| *byte == b'\n') {
        tally.line(part);
    }
    let mut rest = line.as_slice();
    for record in waiting.drain(..) {
        let payload = match record.kind {
            RecordKind::Bytes => {
                let (own, after) = rest.split_at(record.payload.len().min(rest.len()));
                rest = after;
                own
            }
            _ => &record.payload,
        };
        writer.append(record.kind, Nanoseconds(record.t), record.wall, payload)?;
    }
    line.clear();
    Ok(())
}

fn rewriter(reader: &Reader, to: &Path) -> Result<Writer> {
    let anchor = reader.anchor().ok_or_else(|| Error::input("this journal has no beginning").at(to))?;
    Writer::create(to, anchor)
}

/// The step log with masked words, file names without their folders, and the sums of the masked copies.
pub(super) fn steps(
    from: &Path,
    to: &Path,
    sums: &BTreeMap<String, (String, u64)>,
    tally: &mut Tally,
) -> Result<()> {
    let mut reader = Reader::open(from)?;
    let mut writer = rewriter(&reader, to)?;
    while let Some(record) = reader.next_record()? {
        let payload = match serde_json::from_slice::<Entry>(&record.payload) {
            Ok(entry) if record.kind == RecordKind::Entry => serde_json::to_vec(&masked(entry, sums, tally))
                .map_err(|error| Error::machine("cannot write an entry of the step log").because(error))?,
            _ => record.payload,
        };
        writer.append(record.kind, Nanoseconds(record.t), record.wall, &payload)?;
    }
    writer.commit()
}

fn masked(entry: Entry, sums: &BTreeMap<String, (String, u64)>, tally: &mut Tally) -> Entry {
    let masks = tally.masks();
    let mut words = |text: String| {
        let mut bytes = text.clone().into_bytes();
        tally.line(&mut bytes);
        String::from_utf8(bytes).unwrap_or(text)
    };
    match entry {
        Entry::Received { text } => Entry::Received { text: words(text) },
        Entry::Step(mut step) => {
            step.text = words(step.text);
            Entry::Step(step)
        }
        Entry::Begin { name, file, source, hands, wire, chassis, started_unix_ns } => {
            let source = match source {
                // Folders name people and customers.
                CaptureSource::File { path } if masks => CaptureSource::File {
                    path: words(path.rsplit(['/', '\\']).next().unwrap_or_default().to_owned()),
                },
                other => other,
            };
            Entry::Begin { name, file, source, hands, wire, chassis, started_unix_ns }
        }
        Entry::End { name, sha256, bytes, span, cut } => {
            let (sha256, bytes) = sums.get(&name).cloned().unwrap_or((sha256, bytes));
            Entry::End { name, sha256, bytes, span, cut }
        }
        other => other,
    }
}

/// `job.toml` with masked words.
pub(super) fn info(from: &Path, to: &Path, tally: &mut Tally) -> Result<()> {
    let mut text = fs::read(from).map_err(|error| Error::io("cannot read this file", from, error))?;
    let (_, found) = mask_text(&String::from_utf8_lossy(&text));
    if tally.masks() && !found.is_empty() {
        for line in text.split_inclusive_mut(|byte| *byte == b'\n') {
            tally.line(line);
        }
    }
    fs::write(to, text).map_err(|error| Error::io("cannot write a copy", to, error))
}
