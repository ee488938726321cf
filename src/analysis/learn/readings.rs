//! Lines that print converter readings: which place, which line of the keypad, and the reading of each key.

use std::collections::BTreeMap;

use super::table::{Table, Window, median, share};
use crate::base::Key;

/// Requests that must be answered by a plateau of the right key, as a share.
const LEAST: f64 = 0.7;
/// Lines of a keypad at most.
const MOST_LINES: usize = 8;

/// The reading of one key.
#[derive(Clone, Debug)]
pub(super) struct KeyReading {
    pub(super) key: Key,
    pub(super) counts: f64,
    /// Largest distance of a press from it.
    pub(super) scatter: f64,
    pub(super) presses: usize,
}

/// One line of the keypad.
#[derive(Clone, Debug)]
pub(super) struct Ladder {
    /// The column with the reading.
    pub(super) column: usize,
    /// Value of the column that names the line.
    pub(super) part: Option<i64>,
    pub(super) idle: f64,
    pub(super) idle_scatter: f64,
    pub(super) largest: i64,
    pub(super) period_s: f64,
    pub(super) debounce: u32,
    pub(super) keys: Vec<KeyReading>,
}

/// A group whose lines print readings.
#[derive(Clone, Debug)]
pub(super) struct Readings {
    pub(super) group: usize,
    /// The column that names the line.
    pub(super) line: Option<usize>,
    pub(super) ladders: Vec<Ladder>,
    /// Share of the requests that the readings answer rightly, each foretold from the others.
    pub(super) score: f64,
}

/// One line of the keypad over time.
struct Part {
    column: usize,
    value: Option<i64>,
    idle: f64,
    sigma: f64,
    largest: i64,
    period_s: f64,
    debounce: u32,
    /// Of each window: the plateau and how many readings it has.
    plateaus: Vec<Option<(f64, usize)>>,
}

/// The group that prints readings; the best one.
pub(super) fn find(tables: &[Table], windows: &[Window]) -> Option<Readings> {
    let mut best: Option<Readings> = None;
    for (group, table) in tables.iter().enumerate() {
        if table.rows() < 4 * windows.len().max(1) {
            continue;
        }
        for found in schemes(group, table, windows) {
            if best.as_ref().is_none_or(|best| found.score > best.score + 0.01) {
                best = Some(found);
            }
        }
    }
    best.filter(|best| best.score >= LEAST)
}

/// The ways to read a table: one column, several columns, one column divided by a word.
fn schemes(group: usize, table: &Table, windows: &[Window]) -> Vec<Readings> {
    let numbers: Vec<usize> = table
        .columns
        .iter()
        .enumerate()
        .filter(|(_, column)| {
            column.is_number() && column.values.iter().all(|value| (0..1 << 20).contains(value))
        })
        .map(|(index, _)| index)
        .collect();
    let all: Vec<usize> = (0..table.rows()).collect();
    let mut found = Vec::new();
    let mut singles: Vec<Part> = Vec::new();
    for column in &numbers {
        if let Some(part) = part(table, *column, None, &all, windows) {
            found.extend(scheme(group, None, &[&part], windows));
            singles.push(part);
        }
        for (index, divider) in table.columns.iter().enumerate().filter(|(index, _)| index != column) {
            let Some(values) = divider.distinct(MOST_LINES).filter(|values| values.len() >= 2) else {
                continue;
            };
            let parts: Vec<Part> = values
                .iter()
                .filter_map(|value| {
                    let rows: Vec<usize> =
                        all.iter().copied().filter(|row| divider.values.get(*row) == Some(value)).collect();
                    part(table, *column, Some(*value), &rows, windows)
                })
                .collect();
            found.extend(scheme(group, Some(index), &parts.iter().collect::<Vec<_>>(), windows));
        }
    }
    if singles.len() >= 2 {
        found.extend(scheme(group, None, &singles.iter().collect::<Vec<_>>(), windows));
    }
    found
}

/// Readings of one line: how it idles, and where each window leaves that.
#[allow(clippy::cast_precision_loss)]
fn part(
    table: &Table,
    column: usize,
    value: Option<i64>,
    rows: &[usize],
    windows: &[Window],
) -> Option<Part> {
    let column_values = table.columns.get(column)?;
    let readings: Vec<(f64, f64)> = rows
        .iter()
        .filter_map(|row| Some((*table.t.get(*row)?, *column_values.values.get(*row)? as f64)))
        .collect();
    if readings.len() < 4 * windows.len() {
        return None;
    }
    let mut sorted: Vec<f64> = readings.iter().map(|(_, value)| *value).collect();
    let idle = median(&mut sorted)?;
    let largest = sorted.last().copied()?;
    let mut distances: Vec<f64> = sorted.iter().map(|value| (value - idle).abs()).collect();
    // 1.4826 times the median distance is the standard deviation of a normal distribution (Rousseeuw, Croux 1993).
    let sigma = 1.4826 * median(&mut distances)?;
    let reach = (6.0 * sigma).max(0.006 * largest).max(2.5);
    let away = |value: f64| (value - idle).abs() > reach;
    let mut steps: Vec<f64> =
        readings.windows(2).map(|pair| pair[1].0 - pair[0].0).filter(|gap| *gap > 0.0).collect();
    let period_s = median(&mut steps).unwrap_or(0.0);
    if share(readings.iter().filter(|(_, value)| away(*value)).count(), readings.len()) > 0.45 {
        return None;
    }
    let runs = runs(&readings, &away);
    let shortest = if period_s > 0.12 { 1 } else { 2 };
    let plateaus: Vec<_> = windows
        .iter()
        .map(|window| {
            let inside =
                runs.iter().filter(|run| (window.start..window.end).contains(&readings[run.start].0));
            let longest = inside.max_by_key(|run| run.len())?;
            if longest.len() < shortest {
                return None;
            }
            let cut = usize::from(longest.len() > 3);
            let mut values: Vec<f64> =
                readings[longest.start + cut..longest.end - cut].iter().map(|reading| reading.1).collect();
            Some((median(&mut values)?, longest.len()))
        })
        .collect();
    // Runs too short to be a hand's, and shorter than any answer, are what the debounce must swallow.
    let answers = plateaus.iter().flatten().map(|(_, length)| *length).min().unwrap_or(1);
    let glitch =
        runs.iter().map(std::ops::Range::len).filter(|length| *length <= 3 && *length < answers).max();
    let debounce = u32::try_from(glitch.unwrap_or(1) + 1).unwrap_or(2).min(4);
    // Where an answer is two readings long, a second one is asked for only if glitches were seen.
    let debounce = if answers <= 2 && glitch.is_none() { 1 } else { debounce };
    #[allow(clippy::cast_possible_truncation)]
    Some(Part { column, value, idle, sigma, largest: largest as i64, period_s, debounce, plateaus })
}

/// Stretches of readings that are away from idle.
fn runs(readings: &[(f64, f64)], away: &dyn Fn(f64) -> bool) -> Vec<std::ops::Range<usize>> {
    let mut runs = Vec::new();
    let mut start = None;
    for (i, (_, value)) in readings.iter().enumerate() {
        match (away(*value), start) {
            (true, None) => start = Some(i),
            (false, Some(from)) => {
                runs.push(from..i);
                start = None;
            }
            _ => {}
        }
    }
    runs.extend(start.map(|from| from..readings.len()));
    runs
}

/// The readings of every key in its part, and how well they foretell what was asked for.
fn scheme(group: usize, line: Option<usize>, parts: &[&Part], windows: &[Window]) -> Option<Readings> {
    // The part in which a window's plateau stands.
    let answers: Vec<Option<(usize, f64)>> = (0..windows.len())
        .map(|window| {
            let plateaus = parts.iter().enumerate().filter_map(|(i, part)| {
                part.plateaus.get(window).copied().flatten().map(|(value, length)| (i, value, length))
            });
            plateaus.max_by_key(|(i, _, length)| (*length, usize::MAX - i)).map(|(i, value, _)| (i, value))
        })
        .collect();
    let mut by_key: BTreeMap<(Key, usize), Vec<f64>> = BTreeMap::new();
    for (window, answer) in windows.iter().zip(&answers) {
        if let Some((part, value)) = answer {
            by_key.entry((window.key, *part)).or_default().push(*value);
        }
    }
    let right = windows.iter().zip(&answers).filter(|(window, answer)| {
        answer.is_some_and(|(part, value)| foretold(&by_key, part, value, window.key) == Some(window.key))
    });
    let score = share(right.count(), windows.len());
    let ladders = parts.iter().enumerate().map(|(i, part)| ladder(i, part, &by_key)).collect();
    (score > 0.0).then_some(Readings { group, line, ladders, score })
}

/// The key whose other presses lie nearest.
fn foretold(by_key: &BTreeMap<(Key, usize), Vec<f64>>, part: usize, value: f64, own: Key) -> Option<Key> {
    let nearest = by_key.iter().filter(|((_, place), _)| *place == part).filter_map(|((key, _), values)| {
        let mut values = values.clone();
        if *key == own && values.len() > 1 {
            let at = values.iter().position(|other| *other == value)?;
            values.swap_remove(at);
        }
        Some((*key, (median(&mut values)? - value).abs()))
    });
    nearest.min_by(|a, b| a.1.total_cmp(&b.1)).map(|(key, _)| key)
}

fn ladder(index: usize, part: &Part, by_key: &BTreeMap<(Key, usize), Vec<f64>>) -> Ladder {
    let mut keys: Vec<KeyReading> = Vec::new();
    for ((key, place), values) in by_key {
        let elsewhere =
            by_key.iter().filter(|((k, p), _)| k == key && p != place).map(|(_, values)| values.len()).max();
        if *place != index || elsewhere.is_some_and(|n| n > values.len()) {
            continue;
        }
        let mut values = values.clone();
        let Some(counts) = median(&mut values) else { continue };
        let scatter = values.iter().map(|value| (value - counts).abs()).fold(0.0, f64::max);
        keys.push(KeyReading { key: *key, counts: counts.round(), scatter, presses: values.len() });
    }
    keys.sort_by(|a, b| a.counts.total_cmp(&b.counts));
    Ladder {
        column: part.column,
        part: part.value,
        idle: part.idle.round(),
        idle_scatter: part.sigma,
        largest: part.largest,
        period_s: part.period_s,
        debounce: part.debounce,
        keys,
    }
}

impl Ladder {
    /// Full scale of the converter: the least of 8, 10, 12, 14 or 16 bits that holds the largest reading.
    pub(super) fn full_scale(&self) -> i64 {
        [255, 1_023, 4_095, 16_383, 65_535]
            .into_iter()
            .find(|full| *full >= self.largest)
            .unwrap_or((1 << 20) - 1)
    }

    /// Distance from a key's reading to the nearest border halfway to its neighbours.
    pub(super) fn margin(&self, key: &KeyReading) -> f64 {
        let others = self.keys.iter().filter(|other| other.key != key.key).map(|other| other.counts);
        let nearest = others.chain(std::iter::once(self.idle)).map(|other| (other - key.counts).abs());
        nearest.fold(f64::INFINITY, f64::min) / 2.0
    }
}
