//! The first lines of a table, as records of RFC 4180: a quoted field may hold line ends and separators.

/// Lines that are looked at.
const LINES: usize = 512;
/// A quote that is not closed within this many bytes was a sign for inches or seconds.
const LONGEST_QUOTED: usize = 4096;

/// One record of the head.
#[derive(Clone, Copy, Debug)]
pub(super) struct Line<'a> {
    pub(super) text: &'a [u8],
    /// Byte offset in the head.
    pub(super) offset: usize,
    /// Line number of its beginning, from 1.
    pub(super) number: u64,
}

/// The first records of a head, without their line ends. A byte order mark is skipped.
pub(super) fn lines(head: &[u8]) -> Vec<Line<'_>> {
    let mut lines = Vec::new();
    let mut at = if head.starts_with(b"\xef\xbb\xbf") { 3 } else { 0 };
    let mut number = 1;
    while at < head.len() && lines.len() < LINES {
        let rest = head.get(at..).unwrap_or_default();
        let end = record_end(rest);
        let whole = rest.get(..end).unwrap_or_default();
        let text = strip_line_end(whole);
        lines.push(Line { text, offset: at, number });
        number += memchr::memchr_iter(b'\n', whole).count() as u64;
        at += end;
    }
    lines
}

/// Without LF, CRLF or CR CR LF.
pub(super) fn strip_line_end(line: &[u8]) -> &[u8] {
    let mut line = line.strip_suffix(b"\n").unwrap_or(line);
    while let [rest @ .., b'\r'] = line {
        line = rest;
    }
    line
}

/// Length of the first record with its line end.
fn record_end(text: &[u8]) -> usize {
    let mut at = 0;
    let mut begins = true;
    while let Some(&byte) = text.get(at) {
        match byte {
            b'"' if begins => {
                at = quoted_end(text, at).unwrap_or(at + 1);
                begins = false;
                continue;
            }
            b'\n' => return at + 1,
            _ => begins = matches!(byte, b',' | b';' | b'\t'),
        }
        at += 1;
    }
    text.len()
}

/// Behind the quote that closes the field opened at `at`.
fn quoted_end(text: &[u8], at: usize) -> Option<usize> {
    let limit = text.len().min(at + LONGEST_QUOTED);
    let mut i = at + 1;
    while i < limit {
        if text.get(i) == Some(&b'"') {
            if text.get(i + 1) == Some(&b'"') {
                i += 1;
            } else {
                return Some(i + 1);
            }
        }
        i += 1;
    }
    None
}

impl<'a> Line<'a> {
    pub(super) fn is_blank(&self) -> bool {
        self.text.trim_ascii().is_empty()
    }

    /// `#`, `//` or `;` at the start; a semicolon not where it separates.
    pub(super) fn is_comment(&self, separator: u8) -> bool {
        is_comment(self.text, separator)
    }

    /// The text behind a comment sign, since some exports write their header as a comment.
    pub(super) fn without_comment(&self, separator: u8) -> Line<'a> {
        let text = self.text;
        let text = text.strip_prefix(b"#").or_else(|| text.strip_prefix(b"//")).unwrap_or(text);
        let text = if separator == b';' { text } else { text.strip_prefix(b";").unwrap_or(text) };
        // Behind a sign a blank is no part of a name; elsewhere a tab may separate.
        let text = if text.len() < self.text.len() { text.strip_prefix(b" ").unwrap_or(text) } else { text };
        Line { text, ..*self }
    }

    /// The fields, blanks around unquoted ones and quotes taken off. Doubled quotes stay doubled: no
    /// number holds them, and names undouble them where they are kept.
    pub(super) fn fields(&self, separator: u8) -> Vec<&'a [u8]> {
        let mut fields = Vec::new();
        let mut rest = self.text;
        loop {
            let end = if rest.first() == Some(&b'"') {
                quoted_end(rest, 0).filter(|end| rest.get(*end).is_none_or(|byte| *byte == separator))
            } else {
                None
            };
            let end = end.or_else(|| memchr::memchr(separator, rest)).unwrap_or(rest.len());
            let field = rest.get(..end).unwrap_or_default();
            fields.push(match field {
                [b'"', inner @ .., b'"'] => inner,
                field => field.trim_ascii(),
            });
            match rest.get(end + 1..) {
                Some(more) => rest = more,
                None => return fields,
            }
        }
    }
}

/// Whether a line is a comment under this separator.
pub(super) fn is_comment(text: &[u8], separator: u8) -> bool {
    match text {
        [b'#', ..] | [b'/', b'/', ..] => true,
        [b';', ..] => separator != b';',
        _ => false,
    }
}
