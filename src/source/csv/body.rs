//! Where the rows of a table begin, and under which separator.

use crate::base::{Error, Result, quote};
use crate::source::csv::cell;
use crate::source::csv::head::Line;

/// Rows from which the kinds of the columns are found.
const ROWS: usize = 256;

/// The first rows under one separator.
pub(super) struct Body<'a> {
    pub(super) separator: u8,
    pub(super) fields: usize,
    /// Index of the line with the first row.
    pub(super) first: usize,
    pub(super) rows: Vec<Vec<&'a [u8]>>,
    /// Lines among them that are no rows.
    pub(super) others: usize,
}

impl<'a> Body<'a> {
    /// The separator under which most lines are rows of one width, and where those begin.
    pub(super) fn find(lines: &'a [Line<'a>], least: usize) -> Option<Self> {
        let bodies =
            [b',', b';', b'\t'].into_iter().filter_map(|separator| Self::with(lines, separator, least));
        bodies.reduce(|best, next| {
            let better = (next.rows.len(), next.fields) > (best.rows.len(), best.fields);
            if better { next } else { best }
        })
    }

    fn with(lines: &'a [Line<'a>], separator: u8, least: usize) -> Option<Self> {
        let rows: Vec<(usize, Vec<&[u8]>)> = lines
            .iter()
            .enumerate()
            .filter(|(_, line)| !line.is_blank() && !line.is_comment(separator))
            .map(|(i, line)| (i, line.fields(separator)))
            .filter(|(_, fields)| fields.len() < least.max(2) || !fields.iter().all(|c| c.is_empty()))
            .collect();
        let is_row = |row: &Vec<&[u8]>| {
            row.len() >= least && row.iter().all(|c| is_cell(c)) && !row.iter().all(|c| c.is_empty())
        };
        let begins = |i: &usize| {
            let Some((_, row)) = rows.get(*i) else { return false };
            // A preamble may hold one line of numbers; two of one width in a row are the table.
            is_row(row) && rows.get(*i + 1).is_none_or(|(_, next)| is_row(next) && next.len() == row.len())
        };
        let start = (0..rows.len()).find(begins)?;
        let fields = rows.get(start)?.1.len();
        let first = rows.get(start)?.0;
        let mut body = Body { separator, fields, first, rows: Vec::new(), others: 0 };
        for (_, row) in rows.into_iter().skip(start).take(ROWS) {
            if is_row(&row) && row.len() == fields {
                body.rows.push(row);
            } else {
                body.others += 1;
            }
        }
        Some(body)
    }

    /// Decimal mark of the rows, whichever they use.
    pub(super) fn point(&self) -> u8 {
        if self.has(b',') && !self.has(b'.') { b',' } else { b'.' }
    }

    fn has(&self, mark: u8) -> bool {
        self.rows.iter().flatten().any(|cell| cell.contains(&mark))
    }

    /// Refuses numbers that can be read in two ways.
    pub(super) fn refuse_marks(&self, line: u64) -> Result<()> {
        if self.has(b'.') && self.has(b',') {
            return Err(Error::input("some numbers have a decimal point and others a decimal comma")
                .line(line, None)
                .help("export with one decimal mark, and without marks between thousands"));
        }
        // What begins with zeros is what stood behind a comma: each number fell in two.
        let padded = |cell: &&&[u8]| matches!(cell, [b'0', b'0'..=b'9', ..]);
        let behind = self.rows.iter().flat_map(|row| row.iter().skip(1)).find(padded);
        if let Some(cell) = behind.filter(|_| self.separator == b',' && !self.has(b'.')) {
            return Err(Error::input(format!(
                "`{}` begins with zeros: the numbers seem to have decimal commas",
                quote(cell)
            ))
            .line(line, None)
            .help(
                "export with `;` or tab between the fields, or with quoted numbers: a comma cannot mean both",
            ));
        }
        for column in 0..self.fields {
            let cells = || self.rows.iter().filter_map(|row| row.get(column));
            let marked = |cell: &&&[u8]| cell.iter().any(|byte| matches!(byte, b'.' | b','));
            // Whole numbers up to 999, and above them three digits behind each mark.
            if let Some(cell) = cells().find(marked)
                && cells().filter(marked).all(|cell| is_grouped(cell))
                && cells().any(|cell| !marked(&cell) && !cell.is_empty())
            {
                return Err(Error::input(format!(
                    "`{}` can be read in two ways: with a decimal mark, or with a mark between thousands",
                    quote(cell)
                ))
                .line(line, None)
                .help("export numbers without marks between thousands, and the time with its decimals in every row"));
            }
        }
        Ok(())
    }

    /// Whether the first column never falls, and grows from the first row to the last.
    pub(super) fn grows(&self) -> bool {
        let mut column = self.rows.iter().map(|row| {
            let cell = row.first().copied().unwrap_or_default();
            cell::number(cell, b'.').or_else(|| cell::number(cell, b','))
        });
        let Some(Some(first)) = column.next() else { return false };
        let mut last = first;
        for value in column {
            match value {
                Some(value) if value >= last => last = value,
                _ => return false,
            }
        }
        last > first
    }
}

/// `1.234` or `12,345`: what may be a mark between thousands.
fn is_grouped(cell: &[u8]) -> bool {
    let mut groups = cell.strip_prefix(b"-").unwrap_or(cell).split(|byte| matches!(byte, b'.' | b','));
    let first = groups.next().unwrap_or_default();
    (1..=3).contains(&first.len())
        && first.first() != Some(&b'0')
        && groups.all(|group| group.len() == 3 && group.iter().all(u8::is_ascii_digit))
}

/// Whether a field can stand in a row: a number with either decimal mark, a level, nothing.
pub(super) fn is_cell(cell: &[u8]) -> bool {
    cell.is_empty()
        || cell::number(cell, b'.').is_some()
        || cell::number(cell, b',').is_some()
        || cell::level(cell, b'.').is_some()
}
