//! A key check: keys were asked for one after the other; what did the converter and the set say?

use std::collections::BTreeMap;

use serde::Serialize;

use crate::base::{Key, Nanoseconds};
pub use crate::timeline::job::Prompt as Asked;

use crate::analysis::ladder::fault::Condition;
use crate::analysis::ladder::fit::Fit;
use crate::analysis::ladder::network::Network;
use crate::analysis::ladder::reading::{Gatherer, Reading};
use crate::analysis::ladder::windows::Windows;
use crate::analysis::ladder::words;

/// Longest time after a prompt that counts as its answer.
const ANSWER: Nanoseconds = Nanoseconds(10_000_000_000);

/// Counts from the idle level within which a reading still is the idle line, at least; twice the band below which
/// repeated readings are not reported.
const IDLE_BAND: u32 = 5;
/// Share of full scale within which the noise of the idle line is measured, one in so many: no band is wider.
const NEAR: u32 = 64;
/// A band is so many standard deviations of noise.
const DEVIATIONS: f64 = 5.0;

/// Counts within which the answers to one key lie, at least.
const LIKE: u32 = 8;

/// What became of one key.
#[derive(Clone, Debug, PartialEq, Serialize, schemars::JsonSchema)]
pub struct KeyRow {
    /// The key that was asked for.
    pub key: Key,
    /// How often it was asked for.
    pub asked: u32,
    /// What the set took it for, with how often; absent keys were never seen. `none` counts prompts without
    /// an answer.
    pub seen: BTreeMap<String, u32>,
    /// Nominal reading in counts.
    pub nominal: f64,
    /// Measured reading in counts; absent when the line never left its idle level.
    pub counts: Option<f64>,
    /// Spread of single readings in counts.
    pub spread: Option<f64>,
    /// Resistance from line to ground that the reading means with a healthy pull-up, ohms.
    pub ohm: Option<f64>,
    /// Ohms above what the nominal reading means: the resistance of the contact, if nothing else is wrong with the
    /// line. Below zero within the parts' tolerance on a good contact.
    pub contact_ohm: Option<f64>,
    /// Counts between the reading and the nearest border of the key's own window; negative is outside.
    pub margin: Option<f64>,
    /// Time from the first reading off idle to the first steady one, seconds.
    pub settle_s: Option<f64>,
    /// How often the reading fell back to idle before it was steady.
    pub bounces: u32,
    /// Keys whose windows the reading crossed on its way.
    pub crossed: Vec<Key>,
    /// Reading in counts that the fitted fault foresees.
    pub explained: Option<f64>,
    /// In a sentence.
    pub text: String,
}

/// A key check's outcome for one line.
#[derive(Clone, Debug, PartialEq, Serialize, schemars::JsonSchema)]
pub struct KeyCheck {
    /// The line.
    pub line: String,
    /// Reading of the idle line in counts, between the presses.
    pub idle: Option<f64>,
    /// Keys of the line in order of rising resistance.
    pub keys: Vec<KeyRow>,
    /// In sentences, the general first.
    pub text: Vec<String>,
}

/// What was measured in a key check: prompts, readings of one line, and the keys that the set saw, each in
/// order of time.
#[derive(Clone, Copy, Debug)]
pub struct Checked<'a> {
    /// The prompts.
    pub asked: &'a [Asked],
    /// Readings of the line: time and counts.
    pub readings: &'a [(Nanoseconds, u32)],
    /// Presses that the set reported.
    pub seen: &'a [(Nanoseconds, Key)],
}

impl Checked<'_> {
    /// The stretch that answers a prompt: up to the next one, ten seconds at most.
    fn answer(&self, i: usize) -> (Nanoseconds, Nanoseconds) {
        let start = self.asked[i].t;
        let end = self.asked.get(i + 1).map_or(start + ANSWER, |next| next.t.min(start + ANSWER));
        (start, end)
    }

    /// Readings within a stretch.
    fn within(&self, (start, end): (Nanoseconds, Nanoseconds)) -> &[(Nanoseconds, u32)] {
        let from = self.readings.partition_point(|r| r.0 < start);
        let to = self.readings.partition_point(|r| r.0 < end);
        &self.readings[from..to]
    }

    /// The idle line: the level that the readings say most, before the first prompt if there are any, and how far its
    /// noise goes. Of a line that then prints nothing only the noise is known, from one reading of an answer to the next.
    fn idle(&self, network: &Network) -> Option<Idle> {
        let full_scale = network.full_scale;
        let near = full_scale / NEAR;
        let band = |deviation: f64| ((DEVIATIONS * deviation).ceil() as u32).min(near).max(IDLE_BAND);
        if network.falls_silent {
            let answers = (0..self.asked.len()).map(|i| self.within(self.answer(i)));
            let mut steps: Vec<u32> =
                answers.flat_map(|a| a.windows(2).map(|pair| pair[0].1.abs_diff(pair[1].1))).collect();
            // The difference of two readings varies by the root of two more than one.
            let deviation = DEVIATION_OF_MEDIAN * f64::from(middle(&mut steps)) / std::f64::consts::SQRT_2;
            return Some(Idle { level: None, band: band(deviation) });
        }
        let mut all = Gatherer::default();
        let first = self.asked.first().map_or(Nanoseconds(i64::MAX), |a| a.t);
        let before: Vec<u32> = self.readings.iter().take_while(|r| r.0 < first).map(|r| r.1).collect();
        let chosen = if before.len() >= 5 { before } else { self.readings.iter().map(|r| r.1).collect() };
        chosen.into_iter().for_each(|c| all.push(c));
        let level = all.mode()?;
        let mut distances: Vec<u32> =
            self.readings.iter().map(|r| r.1.abs_diff(level)).filter(|distance| *distance <= near).collect();
        let deviation = DEVIATION_OF_MEDIAN * f64::from(middle(&mut distances));
        Some(Idle { level: Some(level), band: band(deviation) })
    }
}

/// The middle one of some numbers, 0 of none; sorts them.
fn middle(values: &mut [u32]) -> u32 {
    values.sort_unstable();
    values.get(values.len() / 2).copied().unwrap_or(0)
}

/// Standard deviations in a median absolute deviation of Gaussian noise: 1 / Φ⁻¹(3/4).
///
/// # Source
/// Rousseeuw and Croux, "Alternatives to the median absolute deviation", J. Am. Stat. Assoc. 88 (1993) 1273.
const DEVIATION_OF_MEDIAN: f64 = 1.4826;

/// The line with no key pressed.
#[derive(Clone, Copy)]
struct Idle {
    /// Its reading; `None` where it prints none.
    level: Option<u32>,
    band: u32,
}

impl Idle {
    fn holds(self, counts: u32) -> bool {
        self.level.is_some_and(|level| counts.abs_diff(level) <= self.band)
    }

    /// Whether a reading is of this steady level. The level, said most, may be at the edge of strong noise.
    fn is_steady(self, counts: u32, level: u32) -> bool {
        counts.abs_diff(level) <= if self.band > IDLE_BAND { self.band } else { 3 }
    }
}

/// One press as the readings show it.
struct Press {
    level: u32,
    settle: Nanoseconds,
    bounces: u32,
    crossed: Vec<Key>,
}

/// The readings per condition that a key check gives, for the fit: idle and each key that answered.
pub fn readings(network: &Network, checked: &Checked) -> Vec<Reading> {
    let Some(idle) = checked.idle(network) else { return Vec::new() };
    let mut list: Vec<Reading> = Vec::new();
    let mut resting = Gatherer::default();
    checked.readings.iter().filter(|r| idle.holds(r.1)).for_each(|r| resting.push(r.1));
    list.extend(resting.reading(Condition::Idle, network.full_scale));
    for k in &network.keys {
        list.extend(pressed(network, checked, idle, k.key));
    }
    list
}

/// The steady readings of all answers to one key.
fn pressed(network: &Network, checked: &Checked, idle: Idle, key: Key) -> Option<Reading> {
    let windows = Windows::of(network);
    let mut steady = Gatherer::default();
    let prompts = checked.asked.iter().enumerate().filter(|(_, a)| a.key == key);
    let answers = prompts.map(|(i, _)| checked.within(checked.answer(i)));
    let pressed: Vec<(&[(Nanoseconds, u32)], u32)> =
        answers.filter_map(|answer| Some((answer, press(answer, idle, &windows)?.level))).collect();
    // A stray in the answer to one prompt is no reading of the key.
    let usual = middle(&mut pressed.iter().map(|(_, level)| *level).collect::<Vec<_>>());
    let like = |level: u32| level.abs_diff(usual) <= idle.band.max(LIKE);
    for (answer, level) in pressed.into_iter().filter(|(_, level)| like(*level)) {
        answer.iter().filter(|r| idle.is_steady(r.1, level)).for_each(|r| steady.push(r.1));
    }
    steady.reading(Condition::Key(key), network.full_scale)
}

/// Finds the steady level of a press: the code off idle that was said most.
fn press(answer: &[(Nanoseconds, u32)], idle: Idle, windows: &Windows) -> Option<Press> {
    let mut off = Gatherer::default();
    answer.iter().filter(|r| !idle.holds(r.1)).for_each(|r| off.push(r.1));
    let level = off.mode()?;
    let start = answer.iter().position(|r| !idle.holds(r.1))?;
    let steady = (start..answer.len()).find(|i| idle.is_steady(answer[*i].1, level))?;
    let own = windows.key(f64::from(level));
    let mut crossed: Vec<Key> = Vec::new();
    for key in answer[start..steady].iter().filter_map(|r| windows.key(f64::from(r.1))) {
        if Some(key) != own && !crossed.contains(&key) {
            crossed.push(key);
        }
    }
    let is_idle = |i: usize| idle.holds(answer[i].1);
    let falls = (start + 1..steady).filter(|i| is_idle(*i) && !is_idle(i - 1)).count();
    Some(Press {
        level,
        settle: answer[steady].0 - answer[start].0,
        bounces: u32::try_from(falls).unwrap_or(u32::MAX),
        crossed,
    })
}

/// Analyses a key check of one line; `fit` is the fit that explains it, when there is one.
pub fn check(network: &Network, checked: &Checked, fit: Option<&Fit>) -> KeyCheck {
    let windows = Windows::of(network);
    let idle = checked.idle(network);
    let keys: Vec<KeyRow> = network
        .keys
        .iter()
        .filter(|k| checked.asked.iter().any(|a| a.key == k.key))
        .map(|k| row(network, &windows, checked, idle, k.key, fit))
        .collect();
    let level = idle.and_then(|idle| idle.level);
    let text = summary(network, &windows, level, &keys, fit);
    KeyCheck { line: network.name.clone(), idle: level.map(f64::from), keys, text }
}

fn row(
    network: &Network,
    windows: &Windows,
    checked: &Checked,
    idle: Option<Idle>,
    key: Key,
    fit: Option<&Fit>,
) -> KeyRow {
    let prompts: Vec<usize> = (0..checked.asked.len()).filter(|i| checked.asked[*i].key == key).collect();
    let mut seen: BTreeMap<String, u32> = BTreeMap::new();
    for i in &prompts {
        let (start, end) = checked.answer(*i);
        let first = checked.seen.iter().find(|(t, _)| *t >= start && *t < end);
        *seen.entry(first.map_or("none".into(), |(_, k)| k.name().to_owned())).or_default() += 1;
    }
    let presses: Vec<Press> =
        prompts.iter().filter_map(|i| press(checked.within(checked.answer(*i)), idle?, windows)).collect();
    let reading = idle.and_then(|idle| pressed(network, checked, idle, key));
    let window = windows.of_key(Some(key));
    let counts = reading.as_ref().map(|r| r.counts);
    let mut crossed: Vec<Key> = Vec::new();
    for k in presses.iter().flat_map(|p| &p.crossed) {
        if !crossed.contains(k) {
            crossed.push(*k);
        }
    }
    let mut row = KeyRow {
        key,
        asked: u32::try_from(prompts.len()).unwrap_or(u32::MAX),
        seen,
        nominal: window.and_then(|w| w.nominal).unwrap_or(0.0),
        counts,
        spread: reading.as_ref().map(|r| r.spread),
        ohm: counts.and_then(|c| resistance(network, c)),
        contact_ohm: window
            .and_then(|w| w.nominal)
            .and_then(|nominal| Some(resistance(network, counts?)? - resistance(network, nominal)?)),
        margin: counts.zip(window).map(|(c, w)| (c - w.low).min(w.high - c)),
        settle_s: presses.iter().map(|p| p.settle.seconds()).reduce(f64::max),
        bounces: presses.iter().map(|p| p.bounces).max().unwrap_or(0),
        crossed,
        explained: fit.and_then(|fit| explained(fit, key)),
        text: String::new(),
    };
    row.text = sentence(&row, windows);
    row
}

/// Resistance to ground that a reading means, `Rpu x / (1 - x)`; `None` near full scale, where a count is worth
/// megohms.
fn resistance(network: &Network, counts: f64) -> Option<f64> {
    let x = (counts + 0.5) / network.levels() * network.reference_volts / network.supply_volts;
    (x < 0.995).then(|| if counts < 0.5 { 0.0 } else { network.pull_up_ohm * x / (1.0 - x) })
}

fn explained(fit: &Fit, key: Key) -> Option<f64> {
    let leader = fit.leader(fit.verdicts.first()?);
    let probe = fit.probes.iter().position(|p| *p == Condition::Key(key))?;
    leader.foreseen.get(probe).copied().flatten().map(|(counts, _)| counts)
}

fn sentence(row: &KeyRow, windows: &Windows) -> String {
    let Some(counts) = row.counts else {
        return format!("{}: asked for {} time(s); the line did not move.", row.key.label(), row.asked);
    };
    let mut text = format!("{}: reads {counts:.0}, nominal {:.0}", row.key.label(), row.nominal);
    match windows.key(counts) {
        Some(other) if other == row.key => {}
        Some(other) => text.push_str(&format!("; that is the window of {}", other.label())),
        None => text.push_str("; that is no key's window"),
    }
    if let Some(ohm) = row.ohm {
        text.push_str(&format!(" ({} to ground)", words::ohms(ohm)));
    }
    if let Some(explained) = row.explained {
        text.push_str(&format!("; the fitted fault foresees {explained:.0}"));
    }
    if row.bounces > 0 {
        text.push_str(&format!("; the contact bounced {} time(s)", row.bounces));
    }
    if !row.crossed.is_empty() {
        let names: Vec<&str> = row.crossed.iter().map(|k| k.label()).collect();
        text.push_str(&format!(
            "; on its way it crossed {}: a slow contact, which a decoder that does not wait takes for those keys",
            names.join(", ")
        ));
    }
    text.push('.');
    text
}

fn summary(
    network: &Network,
    windows: &Windows,
    idle: Option<u32>,
    keys: &[KeyRow],
    fit: Option<&Fit>,
) -> Vec<String> {
    let mut text = Vec::new();
    if let Some(idle) = idle {
        text.push(match windows.key(f64::from(idle)) {
            Some(key) => format!(
                "{}: with no key pressed it reads {idle}, the window of {}. That does not make {} the bad key: any leak \
                 of this size reads so.",
                network.name,
                key.label(),
                key.label()
            ),
            None => format!("{}: with no key pressed it reads {idle}, which is no key.", network.name),
        });
    } else if network.falls_silent {
        text.push(format!(
            "{}: what it reads with no key pressed is not known: the set prints readings only while a key is down.",
            network.name
        ));
    }
    let confused: Vec<String> = keys
        .iter()
        .flat_map(|row| {
            row.seen.iter().filter(|(name, _)| *name != row.key.name()).map(|(name, n)| {
                let label = Key::from_name(name).map_or("nothing", Key::label);
                format!("{} seen as {label} {n} of {} time(s)", row.key.label(), row.asked)
            })
        })
        .collect();
    if !confused.is_empty() {
        text.push(format!("Confused: {}.", confused.join("; ")));
    }
    if let Some(fit) = fit.filter(|fit| fit.accepted) {
        text.push(fit.statement());
    }
    text.extend(keys.iter().map(|row| row.text.clone()));
    text
}
