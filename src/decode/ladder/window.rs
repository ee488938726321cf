//! Which key a reading means: the four rules that firmware uses, as a table of windows.

use crate::base::{Error, Key, Result};
use crate::decode::ladder::{Line, WindowRule};

/// Largest full-scale reading for which windows are tabled (20 bits).
const LARGEST_FULL_SCALE: u32 = 1 << 20;

/// A run of readings that mean the same.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, schemars::JsonSchema)]
pub struct Window {
    /// The key; `None` when no key is down.
    pub key: Option<Key>,
    /// Lowest reading.
    pub low: u32,
    /// Highest reading.
    pub high: u32,
    /// Nominal reading of the key, or of the idle line; `None` for a gap between keys.
    pub nominal: Option<f64>,
}

/// The windows of one line, from the lowest reading to the highest, without gaps.
#[derive(Clone, Debug)]
pub struct Windows {
    line: Line,
    windows: Vec<Window>,
}

/// One candidate of a rule.
#[derive(Clone, Copy)]
struct Candidate {
    /// Index into the line's keys.
    index: usize,
    nominal: f64,
    low: f64,
}

impl Windows {
    /// Tables the windows of a line.
    ///
    /// # Errors
    /// `Input`: a key without resistor or counts, two keys that read the same, a rule whose numbers are
    /// missing, a full scale of 0 or beyond 20 bits.
    pub fn new(line: &Line) -> Result<Self> {
        if line.full_scale == 0 || line.full_scale > LARGEST_FULL_SCALE {
            return Err(Error::input(format!("line {} has a full scale of {}", line.name, line.full_scale))
                .help(format!(
                    "full_scale is the largest reading, 1 to {LARGEST_FULL_SCALE} (1023 for 10 bits)"
                )));
        }
        let candidates = candidates(line)?;
        let rule = Rule { line, candidates: &candidates, idle: line.idle_reading() };
        let mut windows: Vec<Window> = Vec::new();
        let mut last: Option<Meaning> = None;
        for counts in 0..=line.full_scale {
            let meaning = rule.meaning(f64::from(counts));
            match windows.last_mut() {
                Some(window) if last == Some(meaning) => window.high = counts,
                _ => windows.push(Window {
                    key: match meaning {
                        Meaning::Key(index) => line.key.get(index).map(|key| *key.name.get_ref()),
                        _ => None,
                    },
                    low: counts,
                    high: counts,
                    nominal: match meaning {
                        Meaning::Key(index) => {
                            candidates.iter().find(|c| c.index == index).map(|c| c.nominal)
                        }
                        Meaning::Idle => Some(rule.idle),
                        Meaning::Gap => None,
                    },
                }),
            }
            last = Some(meaning);
        }
        Ok(Self { line: line.clone(), windows })
    }

    /// The line as declared.
    pub fn line(&self) -> &Line {
        &self.line
    }

    /// The windows, lowest readings first; together they hold every reading once.
    pub fn all(&self) -> &[Window] {
        &self.windows
    }

    /// The window that holds a reading; readings above full scale belong to the highest one.
    #[inline]
    pub fn at(&self, counts: u32) -> Option<&Window> {
        let after = self.windows.partition_point(|window| window.low <= counts);
        self.windows.get(after.saturating_sub(1))
    }

    /// The key that a reading means.
    #[inline]
    pub fn key(&self, counts: u32) -> Option<Key> {
        self.at(counts).and_then(|window| window.key)
    }

    /// How far a reading is from the border of its window, 0 at the border, 1 at the nominal reading.
    ///
    /// # Formula
    /// Distance to the border on the reading's side of the nominal, over the nominal's distance to that border;
    /// 1 on a side that has no border (below the lowest window, above the highest).
    ///
    /// # Source
    /// Ours: it says how much further the reading may move before it means another key.
    pub fn quality(&self, counts: u32) -> Option<f32> {
        let window = self.at(counts)?;
        let nominal = window.nominal?;
        let c = f64::from(counts);
        let (border, open) = if c <= nominal {
            (f64::from(window.low) - 0.5, window.low == 0)
        } else {
            (f64::from(window.high) + 0.5, window.high >= self.line.full_scale)
        };
        let room = (nominal - border).abs();
        if open || room == 0.0 {
            return Some(1.0);
        }
        #[allow(clippy::cast_possible_truncation)]
        let quality = ((c - border).abs() / room).clamp(0.0, 1.0) as f32;
        // Two places: the readings behind it are whole numbers.
        Some((quality * 100.0).round() / 100.0)
    }
}

/// What a reading means under a rule.
#[derive(Clone, Copy, PartialEq)]
enum Meaning {
    Key(usize),
    Idle,
    /// No key, although it is not the idle line either.
    Gap,
}

/// Keys by nominal reading, lowest first.
fn candidates(line: &Line) -> Result<Vec<Candidate>> {
    let mut out = Vec::with_capacity(line.key.len());
    for (index, key) in line.key.iter().enumerate() {
        let name = key.name.get_ref();
        let by_threshold = line.window == WindowRule::Threshold;
        let nominal = line.key_reading(key).or(if by_threshold { key.low_counts } else { None });
        let Some(nominal) = nominal.filter(|n| n.is_finite()) else {
            return Err(Error::input(format!("key {name} of line {} has no nominal reading", line.name))
                .help("give the key `to_ground_ohm` and the line `pull_up_ohm`, or the key `counts`"));
        };
        let low = match (by_threshold, key.low_counts) {
            (true, None) => {
                return Err(Error::input(format!("key {name} of line {} has no `low_counts`", line.name))
                    .help("the rule `threshold` needs the lowest reading of every key"));
            }
            (_, low) => low.unwrap_or(nominal),
        };
        out.push(Candidate { index, nominal, low });
    }
    // Stable: keys that read the same keep their order in the file.
    out.sort_by(|a, b| a.nominal.total_cmp(&b.nominal));
    if line.window != WindowRule::Tolerance {
        for pair in out.windows(2) {
            if let [a, b] = pair
                && (a.nominal - b.nominal).abs() < 1e-9
            {
                let name = |c: &Candidate| line.key.get(c.index).map_or("", |k| k.name.get_ref().name());
                return Err(Error::input(format!(
                    "{} and {} of line {} both read {}",
                    name(a),
                    name(b),
                    line.name,
                    a.nominal
                ))
                .help("two keys that read the same cannot be told apart; check their resistors"));
            }
        }
    }
    if line.window == WindowRule::Tolerance && line.tolerance_counts.is_none() {
        return Err(Error::input(format!("line {} has no `tolerance_counts`", line.name))
            .help("the rule `tolerance` needs the half width of a window in counts"));
    }
    if line.window == WindowRule::Threshold && line.idle_low_counts.is_none() {
        return Err(Error::input(format!("line {} has no `idle_low_counts`", line.name))
            .help("the rule `threshold` needs the lowest reading of the idle line"));
    }
    Ok(out)
}

struct Rule<'a> {
    line: &'a Line,
    candidates: &'a [Candidate],
    idle: f64,
}

impl Rule<'_> {
    fn meaning(&self, c: f64) -> Meaning {
        match self.line.window {
            WindowRule::Midpoint => self.midpoint(c),
            WindowRule::Threshold => self.threshold(c),
            WindowRule::Nearest => self.nearest(c),
            WindowRule::Tolerance => self.tolerance(c),
        }
    }

    /// A reading on a border belongs to the upper neighbour.
    fn midpoint(&self, c: f64) -> Meaning {
        let mut stations: Vec<(f64, Meaning)> =
            self.candidates.iter().map(|k| (k.nominal, Meaning::Key(k.index))).collect();
        stations.push((self.idle, Meaning::Idle));
        stations.sort_by(|a, b| a.0.total_cmp(&b.0));
        let mut meaning = stations.first().map_or(Meaning::Idle, |s| s.1);
        for pair in stations.windows(2) {
            if let [below, above] = pair
                && c >= f64::midpoint(below.0, above.0)
            {
                meaning = above.1;
            }
        }
        meaning
    }

    fn threshold(&self, c: f64) -> Meaning {
        let idle_low = self.line.idle_low_counts.unwrap_or(self.idle);
        if c >= idle_low {
            return Meaning::Idle;
        }
        self.candidates
            .iter()
            .filter(|k| c >= k.low)
            .max_by(|a, b| a.low.total_cmp(&b.low))
            .map_or(Meaning::Gap, |k| Meaning::Key(k.index))
    }

    /// The first listed key wins a tie between keys; a key wins a tie with the idle line.
    fn nearest(&self, c: f64) -> Meaning {
        let best = self.candidates.iter().min_by(|a, b| {
            (a.nominal - c).abs().total_cmp(&(b.nominal - c).abs()).then(a.index.cmp(&b.index))
        });
        match best {
            Some(key) if (key.nominal - c).abs() <= (self.idle - c).abs() => Meaning::Key(key.index),
            _ => Meaning::Idle,
        }
    }

    /// The first listed key whose nominal reading is near enough.
    fn tolerance(&self, c: f64) -> Meaning {
        let reach = self.line.tolerance_counts.unwrap_or(0.0);
        let best = self.candidates.iter().filter(|k| (k.nominal - c).abs() <= reach).min_by_key(|k| k.index);
        match best {
            Some(key) => Meaning::Key(key.index),
            None if (self.idle - c).abs() <= reach => Meaning::Idle,
            None => Meaning::Gap,
        }
    }
}
