//! The lines of one group as a table: when, and what stood at each varying place.

use std::collections::HashMap;
use std::ops::Range;

use crate::base::Key;
use crate::decode::shape::Form;
use crate::learn::shape;
use crate::learn::token::{self, Token};
use crate::learn::tree::{Group, Piece};

/// The stretch in which the answer to a request for a key can stand.
#[derive(Clone, Copy, Debug)]
pub(super) struct Window {
    pub(super) start: f64,
    pub(super) end: f64,
    pub(super) key: Key,
}

/// An answer comes within ten seconds and not before 120 ms, as in a key check.
const PATIENCE: f64 = 10.0;
const REACTION: f64 = 0.12;

/// Share of the requests before which a line must say that no key is down.
pub(super) const RESTS: f64 = 0.8;

/// Windows of requests, by time.
pub(super) fn windows(asked: &[(f64, Key)]) -> Vec<Window> {
    let next = asked.iter().skip(1).map(|(t, _)| t + REACTION).chain(std::iter::once(f64::INFINITY));
    asked
        .iter()
        .zip(next)
        .map(|((t, key), next)| Window { start: t + REACTION, end: next.min(t + PATIENCE), key: *key })
        .collect()
}

/// What stood at one place of every line.
#[derive(Clone, Debug)]
pub(super) struct Column {
    /// Place in the group's pieces.
    pub(super) place: usize,
    pub(super) form: Form,
    /// Numbers, thousandths of decimals, or indices into `words`.
    pub(super) values: Vec<i64>,
    pub(super) words: Vec<Box<[u8]>>,
}

impl Column {
    pub(super) fn is_number(&self) -> bool {
        matches!(self.form, Form::Integer | Form::Hex | Form::Seconds)
    }

    /// A value as the file's tables write it.
    pub(super) fn word(&self, value: i64) -> String {
        match self.form {
            Form::Hex => format!("{value:02x}"),
            Form::Integer => value.to_string(),
            _ => {
                let word = usize::try_from(value).ok().and_then(|i| self.words.get(i));
                String::from_utf8_lossy(word.map(|word| &**word).unwrap_or_default()).into_owned()
            }
        }
    }

    /// The values that occur, each once, when there are at most `most`.
    pub(super) fn distinct(&self, most: usize) -> Option<Vec<i64>> {
        let mut found: Vec<i64> = Vec::new();
        for value in &self.values {
            if !found.contains(value) {
                if found.len() == most {
                    return None;
                }
                found.push(*value);
            }
        }
        Some(found)
    }
}

/// The lines of one group.
#[derive(Clone, Debug, Default)]
pub(super) struct Table {
    /// Seconds, not falling.
    pub(super) t: Vec<f64>,
    /// Number of the line in the capture.
    pub(super) lines: Vec<usize>,
    pub(super) columns: Vec<Column>,
}

impl Table {
    pub(super) fn rows(&self) -> usize {
        self.t.len()
    }

    /// The rows that stand in a window.
    pub(super) fn within(&self, window: Window) -> Range<usize> {
        let start = self.t.partition_point(|t| *t < window.start);
        start..self.t.partition_point(|t| *t < window.end).max(start)
    }
}

/// One line for the tables: time, number, the text behind the prefix, and its group.
pub(super) struct Placed<'a> {
    pub(super) t: f64,
    pub(super) line: usize,
    pub(super) text: &'a [u8],
    pub(super) group: usize,
}

/// Sorts lines into a table for each group.
pub(super) fn tables(groups: &[Group], lines: &[Placed<'_>]) -> Vec<Table> {
    let mut tables: Vec<Table> = groups.iter().map(empty).collect();
    let mut interned: Vec<Vec<HashMap<Box<[u8]>, i64>>> =
        tables.iter().map(|table| vec![HashMap::new(); table.columns.len()]).collect();
    let mut tokens: Vec<Token> = Vec::new();
    for placed in lines {
        let (Some(table), Some(known)) = (tables.get_mut(placed.group), interned.get_mut(placed.group))
        else {
            continue;
        };
        tokens.clear();
        token::scan(placed.text, &mut tokens);
        let last = table.t.last().copied().unwrap_or(f64::NEG_INFINITY);
        table.t.push(placed.t.max(last));
        table.lines.push(placed.line);
        for (column, known) in table.columns.iter_mut().zip(known) {
            let text = tokens.get(column.place).map(|token| token.text(placed.text)).unwrap_or_default();
            let value = number(column.form, text).unwrap_or_else(|| {
                *known.entry(text.into()).or_insert_with(|| {
                    column.words.push(text.into());
                    i64::try_from(column.words.len()).unwrap_or(i64::MAX) - 1
                })
            });
            column.values.push(value);
        }
    }
    tables
}

fn empty(group: &Group) -> Table {
    let columns = group
        .pieces
        .iter()
        .enumerate()
        .filter_map(|(place, (_, piece))| match piece {
            Piece::Varying(varying) => {
                Some(Column { place, form: shape::form(varying), values: Vec::new(), words: Vec::new() })
            }
            Piece::Fixed(_) => None,
        })
        .collect();
    Table { columns, ..Table::default() }
}

fn number(form: Form, text: &[u8]) -> Option<i64> {
    let text = std::str::from_utf8(text).ok()?;
    match form {
        Form::Integer => text.parse().ok(),
        Form::Hex => {
            let digits = text.strip_prefix("0x").or_else(|| text.strip_prefix("0X")).unwrap_or(text);
            i64::from_str_radix(digits, 16).ok()
        }
        #[allow(clippy::cast_possible_truncation)]
        Form::Seconds => text.parse::<f64>().ok().map(|value| (value * 1e3) as i64),
        _ => None,
    }
}

/// The middle of some values; sorts them.
pub(super) fn median(values: &mut [f64]) -> Option<f64> {
    values.sort_by(f64::total_cmp);
    let middle = values.len() / 2;
    match (values.get(middle), values.len() % 2) {
        (Some(upper), 0) => values.get(middle.checked_sub(1)?).map(|lower| f64::midpoint(*lower, *upper)),
        (value, _) => value.copied(),
    }
}

#[allow(clippy::cast_precision_loss)]
pub(super) fn share(part: usize, whole: usize) -> f64 {
    part as f64 / whole.max(1) as f64
}
