//! The names above the rows, and what stands beside them: units, start and increment.

use crate::base::{Error, Result, quote};
use crate::source::csv::body::Body;
use crate::source::csv::cell;
use crate::source::csv::head::Line;
use crate::source::csv::rate::stated_rate;
use crate::source::csv::unit::{self, Name, Stated, TimeUnit};

/// A number with either decimal mark.
fn number(field: &[u8]) -> Option<f64> {
    cell::number(field, b'.').or_else(|| cell::number(field, b','))
}

/// Names of the columns, one a column, and the clock of a table whose rows only count.
pub(super) struct Header {
    pub(super) names: Vec<Name>,
    /// Instant of the first sample in nanoseconds.
    pub(super) start_ns: Option<f64>,
    /// Time between two samples in nanoseconds.
    pub(super) step_ns: Option<f64>,
}

impl Header {
    /// The names in the line before the rows; a line of units may stand between. `None` where that line is none
    /// of names.
    ///
    /// # Errors
    /// `Input` when there are other names than columns, so that it cannot be told whose they are.
    pub(super) fn find(lines: &[Line<'_>], body: &Body<'_>) -> Result<Option<Self>> {
        let above = lines.get(..body.first).unwrap_or_default();
        let mut before = above.iter().rev().filter(|line| !line.is_blank());
        let Some(last) = before.next() else { return Ok(None) };
        // A number of its own makes it no line of names.
        if matches!(stated_rate(last.text), Ok(Some(_))) {
            return Ok(None);
        }
        let fields = last.without_comment(body.separator).fields(body.separator);
        let units = fields.iter().any(|field| unit::is_unit(field))
            && fields.iter().all(|field| field.is_empty() || unit::is_unit(field) || number(field).is_some());
        if units && let Some(line) = before.next() {
            let names = line.without_comment(body.separator).fields(body.separator);
            if names.len() == fields.len() && names.len() > 1 {
                let parsed: Vec<Name> = names.iter().map(|field| Name::parse(field)).collect();
                let with_unit = |(name, unit)| Name::with_unit(name, unit);
                let mut header = Self {
                    names: names.iter().copied().zip(fields.iter().copied()).map(with_unit).collect(),
                    start_ns: None,
                    step_ns: None,
                };
                header.beside(&parsed, &fields);
                return header.fit(line, body);
            }
        }
        let names: Vec<Name> = fields.iter().map(|field| Name::parse(field)).collect();
        let mut header = Self { names, start_ns: None, step_ns: None };
        let first = body.rows.first().map(Vec::as_slice).unwrap_or_default();
        let parsed = header.names.clone();
        header.beside(&parsed, first);
        header.fit(last, body)
    }

    /// Takes start and increment from the cells beneath their names.
    fn beside(&mut self, names: &[Name], cells: &[&[u8]]) {
        let seconds = |is: fn(&Name) -> bool| {
            let (name, cell) = names.iter().zip(cells).find(|(name, _)| is(name))?;
            let unit = if let Stated::Unit(unit) = name.time_unit { unit } else { TimeUnit::SECOND };
            #[allow(clippy::cast_precision_loss)]
            let scale = unit.times as f64 * 10f64.powi(unit.power);
            number(cell).map(|number| number * scale)
        };
        self.start_ns = seconds(Name::is_start);
        self.step_ns = seconds(Name::is_increment).filter(|step| *step > 0.0);
    }

    /// Brings the names to the count of the columns, or says why that cannot be.
    fn fit(mut self, line: &Line<'_>, body: &Body<'_>) -> Result<Option<Self>> {
        let count = self.names.len();
        let aside = |name: &Name| name.text.trim().is_empty() || name.is_start() || name.is_increment();
        let beyond = self.names.get(body.fields..).unwrap_or_default();
        let filled = |row: &Vec<&[u8]>| row.last().is_some_and(|cell| !cell.is_empty());
        if body.separator == b','
            && count == body.fields
            && self.names.last().is_some_and(|name| name.text.trim().is_empty())
            && body.rows.iter().all(filled)
        {
            return Err(Error::input("the header ends with a comma, and the rows have a number there")
                .line(line.number + 1, None)
                .help(
                    "if the numbers have decimal commas, export with `;` or tab between the fields; otherwise name the last column",
                ));
        }
        if count >= body.fields && beyond.iter().all(aside) {
            self.names.truncate(body.fields);
            return Ok(Some(self));
        }
        // Separators that close each row.
        if count < body.fields && body.rows.iter().all(|row| row.iter().skip(count).all(|c| c.is_empty())) {
            self.names.resize_with(body.fields, Name::default);
            return Ok(Some(self));
        }
        let timed = self.names.iter().any(Name::is_time);
        if (line.is_comment(body.separator) && !timed) || count < 2 {
            return Ok(None);
        }
        let what = format!("the header has {count} names and the rows have {} fields", body.fields);
        let error = Error::input(what).line(line.number + 1, None);
        // Half as many names as fields, or one field more than half: each number fell in two.
        let comma = body.separator == b',' && count < body.fields && body.fields + 1 >= 2 * count - 1;
        Err(if comma {
            error.help(
                "if the numbers have decimal commas, export with `;` or tab between the fields, or with quoted \
                 numbers: a comma cannot mean both; otherwise give every column a name",
            )
        } else {
            let name = self.names.last().map_or_else(String::new, |name| quote(name.text.as_bytes()));
            error.help(format!(
                "give every column a name and every name a column: it cannot be told which column `{name}` is"
            ))
        })
    }
}
