//! Lines that print converter readings: which place, which line of the keypad, and the reading of each key.

use std::cmp::Ordering;
use std::collections::BTreeMap;

use crate::base::Key;
use crate::learn::shape;
use crate::learn::table::{RESTS, Table, Window, median, share};
use crate::learn::tree::Group;

/// Requests that must be answered by a plateau of the right key, as a share.
const LEAST: f64 = 0.7;
/// A reading this near the idle one may be its noise, as a share of the largest reading.
const NEAR: f64 = 0.06;
/// Silence is so many usual steps: one lost line is none.
const MISSED: f64 = 2.5;
/// Largest readings of usual converters, 6 to 16 bits.
const FULL_SCALES: [f64; 6] = [63.0, 255.0, 1_023.0, 4_095.0, 16_383.0, 65_535.0];
/// Share of the idle readings at the end of the scale from which their middle no longer is the level's.
const CUT: f64 = 0.1;
/// Usual step of a set that prints one reading for a press, assumed: a short press of a hand lasts about so long. Common
/// practice, no source.
const ONE_READING_S: f64 = 0.1;
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
    /// Reading with no key pressed; `None` where the line then prints nothing.
    pub(super) idle: Option<f64>,
    pub(super) idle_scatter: f64,
    /// Silence after which no key is down, seconds, on such a line.
    pub(super) silent_s: Option<f64>,
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
    /// Share of the requests that the readings answer rightly, each predicted from the others.
    pub(super) score: f64,
    /// How often a press falls back to idle, on the worst line.
    returns: f64,
    /// A held key gave different numbers, as a converter does and a code does not.
    pub(super) scatters: bool,
}

/// One line of the keypad over time.
struct Part {
    column: usize,
    value: Option<i64>,
    idle: Option<f64>,
    sigma: f64,
    silent_s: Option<f64>,
    scatters: bool,
    /// How often a press falls back to idle: readings of two lines in turn, taken for one, do so all the time.
    returns: f64,
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
        if table.rows() < windows.len().max(4) {
            continue;
        }
        for found in schemes(group, table, windows) {
            if best.as_ref().is_none_or(|best| found.worth() > best.worth() + 0.01) {
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

/// How a line reads while no key is pressed.
struct Resting {
    idle: Option<f64>,
    sigma: f64,
    silent_s: Option<f64>,
    /// A reading further from idle than this is a key's.
    reach: f64,
}

/// What a line reads before requests, when no hand is at the keys: its idle reading, or that it prints none.
fn resting(readings: &[(f64, f64)], largest: f64, windows: &[Window]) -> Option<Resting> {
    let last = |window: &Window| readings.partition_point(|(t, _)| *t < window.start).checked_sub(1);
    let before: Vec<f64> = windows.iter().filter_map(|w| readings.get(last(w)?)).map(|r| r.1).collect();
    let idle = median(&mut before.clone())?;
    let near = (NEAR * largest).max(4.0);
    let rests = before.iter().filter(|value| (*value - idle).abs() <= near).count();
    if share(rests, before.len()) >= RESTS && 2 * before.len() > windows.len() {
        let mut distances: Vec<f64> =
            readings.iter().map(|(_, value)| (value - idle).abs()).filter(|d| *d <= near).collect();
        // 1.4826 times the median distance is the standard deviation of a normal distribution (Rousseeuw, Croux 1993).
        let sigma = 1.4826 * median(&mut distances)?;
        // Noise that the end of the scale cuts off leaves a median below it: the line rests there, or beyond.
        let cut = before.iter().filter(|value| **value >= largest).count();
        let idle =
            if FULL_SCALES.contains(&largest) && share(cut, before.len()) > CUT { largest } else { idle };
        let reach = (6.0 * sigma).max(0.006 * largest).max(2.5);
        return Some(Resting { idle: Some(idle), sigma, silent_s: None, reach });
    }
    // Steps within an answer, and from its last reading to whatever comes next.
    let (mut steps, mut pauses) = (Vec::new(), Vec::new());
    for window in windows {
        let rows = readings.partition_point(|(t, _)| *t < window.start)
            ..readings.partition_point(|(t, _)| *t < window.end);
        let answer = readings.get(rows.clone()).unwrap_or_default();
        steps.extend(answer.windows(2).map(|pair| pair[1].0 - pair[0].0));
        let next = readings.get(rows.end).map(|next| next.0);
        pauses.extend(answer.last().zip(next).map(|(last, next)| next - last.0));
    }
    steps.sort_by(f64::total_cmp);
    pauses.sort_by(f64::total_cmp);
    let longest = steps.get(steps.len().saturating_sub(1) * 19 / 20).copied().unwrap_or(0.0);
    let shortest = *pauses.get(pauses.len() / 20)?;
    // Where most answers are one reading, how soon a further one would come is not known.
    let usual = if 2 * steps.len() < windows.len() { ONE_READING_S } else { median(&mut steps)? };
    // Coarse stamps may put a whole answer at one moment.
    let silent_s = (MISSED * usual).max(1.5 * longest).max(ONE_READING_S);
    (silent_s < 0.8 * shortest).then_some(Resting {
        idle: None,
        sigma: 0.0,
        silent_s: Some(silent_s),
        reach: 0.0,
    })
}

/// Readings of one line: how it rests, and where each window leaves that.
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
    let largest = readings.iter().map(|(_, value)| *value).reduce(f64::max)?;
    let mut steps: Vec<f64> =
        readings.windows(2).map(|pair| pair[1].0 - pair[0].0).filter(|gap| *gap > 0.0).collect();
    let period_s = median(&mut steps).unwrap_or(0.0);
    let resting = resting(&readings, largest, windows)?;
    let away = |value: f64| resting.idle.is_none_or(|idle| (value - idle).abs() > resting.reach);
    let runs = runs(&readings, &away, resting.silent_s.unwrap_or(f64::INFINITY));
    let longest: Vec<Option<&std::ops::Range<usize>>> = windows
        .iter()
        .map(|window| {
            let inside = |run: &&std::ops::Range<usize>| {
                readings.get(run.start).is_some_and(|r| (window.start..window.end).contains(&r.0))
            };
            // Of equals the one that leaves idle furthest: noise of the idle line leaves it too, though not so far.
            let off = |run: &std::ops::Range<usize>| {
                let level = readings.get(run.start).map_or(0.0, |r| r.1);
                resting.idle.map_or(0.0, |idle| (level - idle).abs())
            };
            runs.iter()
                .filter(inside)
                .max_by(|a, b| (a.len(), off(a)).partial_cmp(&(b.len(), off(b))).unwrap_or(Ordering::Equal))
        })
        .collect();
    let mut lengths: Vec<f64> = longest.iter().flatten().map(|run| run.len() as f64).collect();
    // A set that scans slowly, or prints changes only, may have one reading of a press.
    let single = median(&mut lengths).is_none_or(|usual| usual < 2.0);
    let shortest = if period_s > 0.12 || single { 1 } else { 2 };
    let returns = share(runs.len(), lengths.len()) - 1.0;
    let mut scatters = false;
    let plateaus: Vec<_> = longest
        .iter()
        .map(|run| {
            let run = run.filter(|run| run.len() >= shortest)?;
            let cut = usize::from(run.len() > 3);
            let steady = readings.get(run.start + cut..run.end - cut).unwrap_or_default();
            let mut values: Vec<f64> = steady.iter().map(|reading| reading.1).collect();
            let level = median(&mut values)?;
            scatters |= values.iter().any(|value| *value != level);
            Some((level, run.len()))
        })
        .collect();
    // Runs too short to be a hand's, and shorter than any answer, are what the debounce must swallow.
    let answers = plateaus.iter().flatten().map(|(_, length)| *length).min().unwrap_or(1);
    let glitch =
        runs.iter().map(std::ops::Range::len).filter(|length| *length <= 3 && *length < answers).max();
    let debounce = u32::try_from(glitch.unwrap_or(1) + 1).unwrap_or(2).min(4);
    // Where an answer is two readings long, a second one is asked for only if glitches were seen.
    let debounce = if answers <= 2 && glitch.is_none() { 1 } else { debounce };
    let Resting { idle, sigma, silent_s, .. } = resting;
    #[allow(clippy::cast_possible_truncation)]
    let largest = largest as i64;
    Some(Part {
        column,
        value,
        idle,
        sigma,
        silent_s,
        scatters,
        returns,
        largest,
        period_s,
        debounce,
        plateaus,
    })
}

/// Stretches of readings that are away from idle, none with a longer pause in it, seconds.
fn runs(readings: &[(f64, f64)], away: &dyn Fn(f64) -> bool, pause: f64) -> Vec<std::ops::Range<usize>> {
    let mut runs: Vec<std::ops::Range<usize>> = Vec::new();
    let mut before = None;
    for (i, (t, value)) in readings.iter().enumerate() {
        if !away(*value) {
            before = None;
            continue;
        }
        match runs.last_mut().filter(|_| before.is_some_and(|before| t - before <= pause)) {
            Some(run) => run.end = i + 1,
            None => runs.push(i..i + 1),
        }
        before = Some(*t);
    }
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
        answer.is_some_and(|(part, value)| predicted(&by_key, part, value, window.key) == Some(window.key))
    });
    let score = share(right.count(), windows.len());
    let ladders = parts.iter().enumerate().map(|(i, part)| ladder(i, part, &by_key)).collect();
    let scatters = parts.iter().any(|part| part.scatters)
        || by_key.values().any(|values| values.iter().any(|value| Some(value) != values.first()));
    let returns = parts.iter().map(|part| part.returns).fold(0.0, f64::max);
    (score > 0.0).then_some(Readings { group, line, ladders, score, returns, scatters })
}

/// The key whose other presses lie nearest.
fn predicted(by_key: &BTreeMap<(Key, usize), Vec<f64>>, part: usize, value: f64, own: Key) -> Option<Key> {
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
        idle: part.idle.map(f64::round),
        idle_scatter: part.sigma,
        silent_s: part.silent_s,
        largest: part.largest,
        period_s: part.period_s,
        debounce: part.debounce,
        keys,
    }
}

impl Readings {
    /// What is compared between ways to read a table.
    fn worth(&self) -> f64 {
        self.score - 0.05 * self.returns.clamp(0.0, 4.0)
    }

    /// Whether the numbers are a converter's rather than codes: several lines are read in turn, a held key scatters, a word
    /// says so, or the line rests at the end of a scale that codes hardly fill.
    #[allow(clippy::cast_precision_loss)]
    pub(super) fn is_analog(&self, group: Option<&Group>) -> bool {
        const WORDS: [&str; 9] = ["adc", "sar", "saradc", "keyadc", "volt", "mv", "ain", "level", "ladder"];
        let words = group.map(shape::fixed_words).unwrap_or_default();
        let says = |word: &String| WORDS.contains(&word.trim_end_matches(|c: char| c.is_ascii_digit()));
        let rests_high = |ladder: &Ladder| {
            let full = ladder.full_scale();
            let below = ladder.keys.iter().all(|key| key.counts < ladder.resting());
            full >= 1_023 && below && ladder.idle.is_some_and(|idle| idle >= 0.97 * full as f64)
        };
        let lines = self.line.is_some() && self.ladders.iter().all(|ladder| ladder.idle.is_some());
        lines || self.scatters || words.iter().any(says) || self.ladders.iter().any(rests_high)
    }
}

impl Ladder {
    /// Full scale of the converter: the least of 6, 8, 10, 12, 14 or 16 bits that holds the largest reading.
    #[allow(clippy::cast_precision_loss, clippy::cast_possible_truncation)]
    pub(super) fn full_scale(&self) -> i64 {
        // Where only keys are read, nothing is at the top of the scale, and a small scale would refuse what a fault reads.
        let least =
            if self.idle.is_some() { self.largest as f64 } else { 255f64.max(1.1 * self.largest as f64) };
        let full = FULL_SCALES.into_iter().find(|full| *full >= least);
        full.map_or((1 << 20) - 1, |full| full as i64)
    }

    /// Reading with no key pressed: as printed, else the full scale, to which the pull-up goes.
    #[allow(clippy::cast_precision_loss)]
    pub(super) fn resting(&self) -> f64 {
        self.idle.unwrap_or(self.full_scale() as f64)
    }

    /// Distance from a key's reading to the nearest border halfway to its neighbours.
    pub(super) fn margin(&self, key: &KeyReading) -> f64 {
        let others = self.keys.iter().filter(|other| other.key != key.key).map(|other| other.counts);
        let nearest = others.chain(std::iter::once(self.resting())).map(|other| (other - key.counts).abs());
        nearest.fold(f64::INFINITY, f64::min) / 2.0
    }
}
