//! How a table of samples is laid out, found from its first lines.
//!
//! Entered: the head of the file. Left: separator, decimal mark, where the rows begin, what each column
//! is. RFC 4180 defines neither preamble nor units nor decimal mark; those follow common practice.

use super::cell;
use super::head::{Line, lines};
use super::unit::{self, Name};
use crate::base::{Error, Result, quote};
use crate::source::Channel;

/// Most columns that a table may have.
pub(super) const COLUMNS: usize = 1024;
/// Rows from which the kinds of the columns are found.
const ROWS: usize = 256;

/// What one column holds.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Role {
    /// Time in units of 10^n nanoseconds.
    Time(i32),
    /// Sample number.
    Index,
    /// Logic level of this channel.
    Logic(u16),
    /// Volts of this channel after multiplying.
    Analog(u16, f64),
    /// Nothing: the empty field behind a closing separator.
    Empty,
}

/// The layout of one table.
#[derive(Clone, Debug)]
pub(super) struct Layout {
    pub(super) separator: u8,
    /// Decimal mark.
    pub(super) point: u8,
    pub(super) roles: Vec<Role>,
    pub(super) channels: Vec<Channel>,
    /// Where the first row begins in the head.
    pub(super) body: usize,
    /// Line number of the first row.
    pub(super) line: u64,
    /// Nanoseconds between samples where the rows carry no time.
    pub(super) step_ns: Option<f64>,
}

/// Where the rows begin under one separator.
struct Body<'a> {
    separator: u8,
    fields: usize,
    first: usize,
    rows: Vec<Vec<&'a [u8]>>,
    others: usize,
}

/// Whether these first bytes are a table of samples, for the recognition of files.
pub(in crate::source) fn is_table(head: &[u8]) -> bool {
    let lines = lines(head);
    let Some(body) = find_body(&lines, 2) else { return false };
    // Rows that are none may be damage; many of them make it a log with some numbers in it.
    if body.others * 10 > body.rows.len() {
        return false;
    }
    match header(&lines, &body) {
        Some(names) => {
            let timed = names.iter().any(|name| name.is_time() || name.is_index());
            let levels = body.rows.iter().flatten().all(|cell| cell::level(cell, b'.').is_some());
            (timed && !body.rows.is_empty()) || levels
        }
        None => {
            let others_are_samples = (1..body.fields).all(|i| {
                let mut column = body.rows.iter().filter_map(|row| row.get(i));
                column.clone().all(|cell| cell::level(cell, b'.').is_some())
                    || column.all(|cell| cell.iter().any(|b| matches!(b, b'.' | b',')))
            });
            body.rows.len() > 1 && grows(&body.rows) && others_are_samples
        }
    }
}

impl Layout {
    /// Finds the layout; `rate_hz` is the sample rate that the caller knows.
    ///
    /// # Errors
    /// `Input` with line and remedy: no rows, no time column, decimal comma between commas, no unit.
    pub(super) fn find(head: &[u8], rate_hz: Option<f64>) -> Result<Self> {
        let lines = lines(head);
        let least = if rate_hz.is_some() { 1 } else { 2 };
        let body = find_body(&lines, least).ok_or_else(|| no_rows(&lines))?;
        if body.fields > COLUMNS {
            return Err(Error::input(format!("the table has {} columns, more than {COLUMNS}", body.fields)));
        }
        let first = lines.get(body.first);
        let line = first.map_or(1, |line| line.number);
        refuse_comma(&lines, &body)?;
        let names = header(&lines, &body);
        let rate_hz = rate_hz.or_else(|| preamble_rate(&lines, &body));
        let point = decimal_mark(&body, line)?;
        let mut layout = Self {
            separator: body.separator,
            point,
            roles: Vec::new(),
            channels: Vec::new(),
            body: first.map_or(0, |line| line.offset),
            line,
            step_ns: rate_hz.map(|rate| 1e9 / rate),
        };
        let clock = layout.clock(&body, names.as_deref(), rate_hz.is_some())?;
        for column in 0..body.fields {
            let name = names.as_ref().and_then(|names| names.get(column));
            let role = match clock {
                Some((at, role)) if at == column => role,
                _ => layout.channel(&body, column, name)?,
            };
            layout.roles.push(role);
        }
        if layout.channels.is_empty() {
            return Err(Error::input("the table has a time column and nothing beside it")
                .line(line, None)
                .remedy("export at least one channel with it"));
        }
        Ok(layout)
    }

    /// The column that carries the time; `None` when the rows are counted.
    fn clock(&self, body: &Body<'_>, names: Option<&[Name]>, rated: bool) -> Result<Option<(usize, Role)>> {
        let named = names.unwrap_or_default();
        if let Some(at) = named.iter().position(Name::is_time) {
            let unit = named.get(at).and_then(|name| name.time_unit);
            return self.time_role(body, at, unit, rated).map(|role| Some((at, role)));
        }
        if let Some(at) = named.iter().position(Name::is_index) {
            return if rated { Ok(Some((at, Role::Index))) } else { Err(self.no_time(true)) };
        }
        if names.is_none() && body.fields > 1 && grows(&body.rows) {
            return self.time_role(body, 0, None, rated).map(|role| Some((0, role)));
        }
        if rated { Ok(None) } else { Err(self.no_time(false)) }
    }

    fn time_role(&self, body: &Body<'_>, at: usize, unit: Option<i32>, rated: bool) -> Result<Role> {
        if let Some(unit) = unit {
            return Ok(Role::Time(unit));
        }
        let fraction = |cell: &&[u8]| cell.iter().any(|b| matches!(b, b'.' | b',' | b'e' | b'E'));
        if body.rows.iter().filter_map(|row| row.get(at)).any(fraction) {
            return Ok(Role::Time(9));
        }
        if rated {
            return Ok(Role::Index);
        }
        Err(Error::input("the time column holds whole numbers and names no unit")
            .line(self.line, Some(1))
            .remedy("write the unit into the header, as `Time [us]`, or give the sample rate"))
    }

    fn no_time(&self, indexed: bool) -> Error {
        let what = if indexed {
            "the rows carry sample numbers but no time"
        } else {
            "the table has no time column"
        };
        Error::input(what).line(self.line, None).remedy(
            "give the sample rate (--sample-rate HZ), or export with a time column whose header names the unit, as `Time [s]`",
        )
    }

    /// What a column other than the time holds.
    fn channel(&mut self, body: &Body<'_>, column: usize, name: Option<&Name>) -> Result<Role> {
        let cells = || body.rows.iter().filter_map(|row| row.get(column)).filter(|cell| !cell.is_empty());
        if cells().next().is_none() && name.is_none_or(|name| name.text.is_empty()) {
            return Ok(Role::Empty);
        }
        let number = u16::try_from(self.channels.len()).unwrap_or(u16::MAX);
        let volts = name.and_then(|name| name.volts);
        let logic = volts.is_none() && cells().all(|cell| cell::level(cell, self.point).is_some());
        if !logic && let Some(cell) = cells().find(|cell| cell::number(cell, self.point).is_none()) {
            return Err(Error::input(format!("`{}` is neither a level nor a number", quote(cell)))
                .line(self.line, None)
                .remedy("a column holds levels (0 1, L H, True False) or volts, not both"));
        }
        let text = match name {
            Some(name) if !name.text.is_empty() => name.text.clone(),
            _ => format!("CH{number}"),
        };
        self.channels.push(Channel { name: text, analog: !logic });
        Ok(if logic { Role::Logic(number) } else { Role::Analog(number, volts.unwrap_or(1.0)) })
    }
}

/// The separator under which most lines are rows of one width, and where those begin.
fn find_body<'a>(lines: &'a [Line<'a>], least: usize) -> Option<Body<'a>> {
    let bodies = [b',', b';', b'\t'].into_iter().filter_map(|separator| body_with(lines, separator, least));
    bodies.reduce(|best, next| {
        let better = (next.rows.len(), next.fields) > (best.rows.len(), best.fields);
        if better { next } else { best }
    })
}

fn body_with<'a>(lines: &'a [Line<'a>], separator: u8, least: usize) -> Option<Body<'a>> {
    let rows: Vec<(usize, Vec<&[u8]>)> = lines
        .iter()
        .enumerate()
        .filter(|(_, line)| !line.is_blank() && !line.is_comment(separator))
        .map(|(i, line)| (i, line.fields(separator)))
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

/// Whether a field can stand in a row: a number with either decimal mark, a level, nothing.
fn is_cell(cell: &[u8]) -> bool {
    cell.is_empty()
        || cell::number(cell, b'.').is_some()
        || cell::number(cell, b',').is_some()
        || cell::level(cell, b'.').is_some()
}

/// Names of the columns, when the line before the rows holds as many; a line of units may stand between.
fn header(lines: &[Line<'_>], body: &Body<'_>) -> Option<Vec<Name>> {
    let mut before = lines.get(..body.first)?.iter().rev().filter(|line| !line.is_blank());
    let fields = |line: &Line<'_>| -> Option<Vec<Vec<u8>>> {
        let fields = line.without_comment().fields(body.separator);
        (fields.len() == body.fields).then(|| fields.into_iter().map(<[u8]>::to_vec).collect())
    };
    let last = fields(before.next()?)?;
    let units = last.iter().all(|field| field.is_empty() || unit::is_unit(field));
    if units && let Some(names) = before.next().and_then(fields) {
        return Some(names.iter().zip(&last).map(|(name, unit)| Name::with_unit(name, unit)).collect());
    }
    Some(last.iter().map(|field| Name::parse(field)).collect())
}

/// A header with fewer names than the rows have fields: a decimal comma between commas, or a lost column.
fn refuse_comma(lines: &[Line<'_>], body: &Body<'_>) -> Result<()> {
    let before = lines.get(..body.first).unwrap_or_default().iter().rev().find(|line| !line.is_blank());
    let Some(line) = before else { return Ok(()) };
    let names = line.without_comment().fields(body.separator);
    let timed = names.iter().any(|name| Name::parse(name).is_time());
    if !timed || names.len() == body.fields {
        return Ok(());
    }
    let what = format!("the header has {} names and the rows have {} fields", names.len(), body.fields);
    let error = Error::input(what).line(line.number + 1, None);
    Err(if body.separator == b',' && names.len() < body.fields {
        error.remedy(
            "if the numbers have decimal commas, export with `;` or tab between the fields, or with quoted \
             numbers: a comma cannot mean both",
        )
    } else {
        error.remedy("give every column a name, and every row a field for it")
    })
}

/// The sample rate that a line before the rows states.
fn preamble_rate(lines: &[Line<'_>], body: &Body<'_>) -> Option<f64> {
    lines.get(..body.first)?.iter().find_map(|line| unit::stated_rate(line.text))
}

/// Point or comma, whichever the rows use.
fn decimal_mark(body: &Body<'_>, line: u64) -> Result<u8> {
    let has = |mark: u8| body.rows.iter().flatten().any(|cell| cell.contains(&mark));
    match (has(b'.'), has(b',')) {
        (true, true) => Err(Error::input("some numbers have a decimal point and others a decimal comma")
            .line(line, None)
            .remedy("export with one decimal mark")),
        (false, true) => Ok(b','),
        _ => Ok(b'.'),
    }
}

/// Whether the first column never falls, and grows from the first row to the last.
fn grows(rows: &[Vec<&[u8]>]) -> bool {
    let mut column = rows.iter().map(|row| {
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

fn no_rows(lines: &[Line<'_>]) -> Error {
    let mut rest = lines.iter();
    let Some((line, separator)) = rest.find_map(|line| Some((line, separator_of_names(line)?))) else {
        return Error::input("no rows of samples were found")
            .remedy("expected lines such as `0.000125,1,0`: a time and one level or voltage a channel");
    };
    let row = rest.find(|line| !line.is_blank());
    let Some((row, cell)) = row.and_then(|row| {
        let cell = row.without_comment().fields(separator).into_iter().find(|cell| !is_cell(cell))?;
        Some((row, String::from_utf8_lossy(cell.get(..40).unwrap_or(cell)).into_owned()))
    }) else {
        return Error::input("the table has a header and no rows")
            .line(line.number, None)
            .remedy("the capture seems to be empty; export it again");
    };
    let bits = cell.starts_with("0x") || cell.starts_with("0X") || cell.ends_with(['h', 'H']);
    let error =
        Error::input(format!("a cell is neither a number nor a level: `{cell}`")).line(row.number, None);
    error.remedy(if cell.contains(':') {
        "export times as seconds, not as dates or times of day"
    } else if bits {
        "export each bit of the bus as a channel of its own"
    } else {
        "expected lines such as `0.000125,1,0`: a time and one level or voltage a channel"
    })
}

/// The separator by which a line holds the name of a time column.
fn separator_of_names(line: &Line<'_>) -> Option<u8> {
    [b',', b';', b'\t'].into_iter().find(|s| line.fields(*s).iter().any(|name| Name::parse(name).is_time()))
}
