//! What kind of file this is, by its content alone: names lie, and standard input has none.

use std::io::{Cursor, Read};

use flate2::read::MultiGzDecoder;

use crate::base::{Error, Result};
use crate::source::block::unreadable;
use crate::source::csv::layout;
use crate::source::wide::{Wide, order};

/// First eight bytes of straykey's own journal.
const JOURNAL: &[u8] = b"STRAYKEY";

/// How many bytes [`open`] looks at.
pub const HEAD: usize = 1 << 16;

/// Layers of compression that are taken off; more than this is no capture but a trap.
const DEEPEST: usize = 3;

/// The kind of a capture file.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum FileKind {
    /// straykey's own journal.
    Journal,
    /// Value change dump, IEEE 1364.
    Vcd,
    /// Logic or analog samples as separated values.
    Csv,
    /// A text log, and whatever is nothing else.
    Text,
    /// Compressed; the kind of what is inside is not known yet.
    Gzip,
    /// No bytes at all.
    Empty,
}

impl FileKind {
    /// Words for people: `text log`.
    pub const fn words(self) -> &'static str {
        match self {
            Self::Journal => "journal",
            Self::Vcd => "value change dump",
            Self::Csv => "table of samples",
            Self::Text => "text log",
            Self::Gzip => "compressed file",
            Self::Empty => "empty file",
        }
    }
}

/// The kind of a file by its first bytes (a few KiB are enough, [`HEAD`] are plenty).
///
/// A table of samples must prove itself: its rows have equal counts of fields, every field is a level or a
/// number, and either a header names them or the first one grows like a time. A log full of commas is text.
///
/// # Example
/// ```
/// use straykey::source::{FileKind, recognise};
/// assert_eq!(recognise(b"$timescale 1 us $end"), FileKind::Vcd);
/// assert_eq!(recognise(b"t_s,A\r\n0.1,1\r\n0.2,0\r\n"), FileKind::Csv);
/// assert_eq!(recognise(b"keyscan: KEY1, 1023, idle\n"), FileKind::Text);
/// ```
pub fn recognise(head: &[u8]) -> FileKind {
    if head.is_empty() {
        FileKind::Empty
    } else if head.starts_with(JOURNAL) {
        FileKind::Journal
    } else if head.starts_with(&[0x1f, 0x8b, 0x08]) {
        FileKind::Gzip
    } else if is_vcd(head) {
        FileKind::Vcd
    } else if layout::is_table(head) {
        FileKind::Csv
    } else {
        FileKind::Text
    }
}

/// The same with what the user knows: wires are in tables and dumps only, so that what looks like text is a table
/// when it is `wired`, and whatever keeps it from looking like one is told when it is read.
///
/// # Errors
/// As [`open`].
pub fn open_wired(
    reader: Box<dyn Read + Send>,
    wired: bool,
) -> Result<(FileKind, Box<dyn Read + Send>, Vec<u8>)> {
    let (kind, reader, head) = open(reader)?;
    Ok((if wired && kind == FileKind::Text { FileKind::Csv } else { kind }, reader, head))
}

/// The channels of what was taken for text and may be a table; `None` where it can be none.
pub fn table_channels(head: &[u8]) -> Option<Vec<String>> {
    layout::may_be_table(head).then(|| layout::channel_names(head))
}

/// What makes these first bytes doubtful as a text log, in plain words; `None` when nothing does.
///
/// # Source
/// Ours: text of a debug port holds few control characters besides tab, line ends, escape, bell and
/// backspace; a set that boots may send a burst of garbage, so that up to a tenth is let pass.
pub fn text_remark(head: &[u8]) -> Option<String> {
    let strange = |byte: &&u8| matches!(**byte, 0..=6 | 14..=26 | 28..=31 | 127);
    let mut odd = head.iter().filter(strange).count();
    for chunk in head.utf8_chunks() {
        odd += chunk.invalid().len();
    }
    (odd * 10 > head.len()).then(|| {
        format!(
            "this does not look like text: {odd} of the first {} bytes are control characters or not UTF-8",
            head.len()
        )
    })
}

/// Compression taken off, UTF-16 made UTF-8, kind recognised, nothing lost: the reader still starts at the first
/// byte.
///
/// The third value is the head that was looked at, up to [`HEAD`] bytes.
///
/// # Errors
/// `Input` for a damaged or repeatedly compressed file, `System` when reading fails.
pub fn open(mut reader: Box<dyn Read + Send>) -> Result<(FileKind, Box<dyn Read + Send>, Vec<u8>)> {
    for _ in 0..=DEEPEST + 1 {
        let mut head = Vec::with_capacity(HEAD);
        let taken = reader.by_ref().take(HEAD as u64).read_to_end(&mut head);
        let kind = recognise(&head);
        match taken {
            Ok(_) => {}
            // What came before the damage is still shown; the source meets the error again.
            Err(error) => return Err(unreadable(error, head.len() as u64)),
        }
        let whole: Box<dyn Read + Send> = Box::new(Cursor::new(head.clone()).chain(reader));
        if let (FileKind::Text, Some(order)) = (kind, order(&head)) {
            reader = Box::new(Wide::new(whole, order));
            continue;
        }
        if kind == FileKind::Text && ends_with_returns(&head) {
            let lines: Vec<u8> = head.iter().map(|byte| line_end(*byte)).collect();
            if layout::may_be_table(&lines) {
                return Ok((recognise(&lines), Box::new(Returns(whole)), lines));
            }
        }
        if kind != FileKind::Gzip {
            return Ok((kind, whole, head));
        }
        reader = Box::new(MultiGzDecoder::new(whole));
    }
    Err(Error::input(format!("the file is compressed more than {DEEPEST} times"))
        .help("unpack it until a log, a table or a dump is left"))
}

/// Whether lines end with a carriage return alone, as some spreadsheets save them.
fn ends_with_returns(head: &[u8]) -> bool {
    memchr::memchr(b'\n', head).is_none() && memchr::memchr(b'\r', head).is_some()
}

fn line_end(byte: u8) -> u8 {
    if byte == b'\r' { b'\n' } else { byte }
}

/// A table whose lines end with a carriage return alone.
struct Returns(Box<dyn Read + Send>);

impl Read for Returns {
    fn read(&mut self, into: &mut [u8]) -> std::io::Result<usize> {
        let count = self.0.read(into)?;
        for byte in into.iter_mut().take(count) {
            *byte = line_end(*byte);
        }
        Ok(count)
    }
}

fn is_vcd(head: &[u8]) -> bool {
    const KEYWORDS: [&[u8]; 8] = [
        b"$date",
        b"$version",
        b"$comment",
        b"$timescale",
        b"$scope",
        b"$var",
        b"$upscope",
        b"$enddefinitions",
    ];
    let head = head.strip_prefix(b"\xef\xbb\xbf").unwrap_or(head);
    let word = head.trim_ascii_start().split(u8::is_ascii_whitespace).next().unwrap_or_default();
    KEYWORDS.contains(&word)
}
