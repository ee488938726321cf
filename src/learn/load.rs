//! A capture file to lines that can be learned from.

use std::io::Read;

use crate::base::{Error, Nanoseconds, Result, is_line_end};
use crate::journal::Reader;
use crate::learn::Capture;
use crate::learn::frames::MOST_BYTES;
use crate::source::text::TextLog;
use crate::source::{ByteSource, FileKind, Pulled, open, text_remark};

/// Longest line that is kept whole, bytes: more than any chassis file may allow.
const LONGEST_LINE: usize = (1 << 16) + 2;

/// What a capture file holds.
#[derive(Debug)]
pub enum Loaded {
    /// Lines of text.
    Text(Capture),
    /// Binary bytes, the first of them.
    Binary(Vec<u8>),
}

/// Reads a capture file: a text log, a journal, or binary bytes as they came from the port. `binary` says that it
/// is the last; otherwise the first bytes decide.
///
/// # Errors
/// `Input` for an empty file, a table of samples or a damaged file; `System` when reading fails.
pub fn load(name: &str, reader: Box<dyn Read + Send>, binary: bool) -> Result<Loaded> {
    let (kind, mut reader, head) = open(reader)?;
    let table = matches!(kind, FileKind::Csv | FileKind::Vcd);
    if binary && table || kind == FileKind::Text && (binary || text_remark(&head).is_some()) {
        let mut bytes = Vec::new();
        let taken = reader.by_ref().take(MOST_BYTES as u64).read_to_end(&mut bytes);
        taken.map_err(|error| Error::system("cannot read the capture").because(error))?;
        return Ok(Loaded::Binary(bytes));
    }
    lines(name, &mut *printed(kind, reader, &mut |_| 0)?).map(Loaded::Text)
}

/// What a port printed, from a text log or a journal. `fits` says how many of some lines are of the set, so that no stamp of
/// its own is taken off.
///
/// # Errors
/// `Input` for an empty file, a table of samples or a damaged file; `System` when reading fails.
pub fn source(
    reader: Box<dyn Read + Send>,
    fits: &mut dyn FnMut(&[u8]) -> u64,
) -> Result<Box<dyn ByteSource>> {
    let (kind, reader, _) = open(reader)?;
    printed(kind, reader, fits)
}

fn printed(
    kind: FileKind,
    reader: Box<dyn Read + Send>,
    fits: &mut dyn FnMut(&[u8]) -> u64,
) -> Result<Box<dyn ByteSource>> {
    match kind {
        FileKind::Journal => Ok(Box::new(Reader::new(reader)?)),
        FileKind::Text => Ok(Box::new(TextLog::fitting(reader, fits)?)),
        FileKind::Csv | FileKind::Vcd => {
            Err(Error::input(format!("a {} holds levels, not lines", kind.words())).help(
                "what the port printed is needed: save the text of the debug UART, or record it with `straykey soak`",
            ))
        }
        FileKind::Empty | FileKind::Gzip => {
            Err(Error::input("the capture is empty").help("was anything recorded?"))
        }
    }
}

/// Gathers the lines of a source.
fn lines(name: &str, source: &mut dyn ByteSource) -> Result<Capture> {
    let mut capture = Capture::new(name);
    each_line(source, &mut |arrival, line| capture.push(arrival, line))?;
    Ok(capture)
}

/// Gives the lines of a source one by one, with their ends; a line's arrival is that of its first byte.
///
/// # Errors
/// As the source's.
pub(super) fn each_line(
    source: &mut dyn ByteSource,
    take: &mut dyn FnMut(Option<Nanoseconds>, &[u8]),
) -> Result<()> {
    let mut pending: Vec<u8> = Vec::new();
    let mut since: Option<Nanoseconds> = None;
    loop {
        match source.pull()? {
            Pulled::Chunk(chunk) => {
                for piece in chunk.bytes.split_inclusive(|byte| is_line_end(*byte)) {
                    if pending.is_empty() {
                        since = chunk.arrival;
                    }
                    let room = LONGEST_LINE.saturating_sub(pending.len());
                    pending.extend_from_slice(piece.get(..room).unwrap_or(piece));
                    if piece.last().is_some_and(|byte| is_line_end(*byte)) {
                        take(since, &pending);
                        pending.clear();
                    }
                }
            }
            Pulled::Mark(_) | Pulled::Quiet(_) => {}
            Pulled::End => break,
        }
    }
    if !pending.is_empty() {
        take(since, &pending);
    }
    Ok(())
}
