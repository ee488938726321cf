//! From the events and the evidence of a job's stages to readings per line and condition, and to fits.
//!
//! What the line says depends on what was plugged and pressed, so that each stage is told what its step was. A fault that
//! comes and goes makes two lines of one: what was read while it showed, and what the line reads at rest. A repair changes the
//! circuit: the last one that was not sound is asked.

use std::collections::BTreeMap;

use crate::analysis::ladder::keycheck::{self, Asked, Checked};
use crate::analysis::ladder::{Condition, Fit, Gatherer, Network, Reading, Windows, fit};
use crate::analysis::ledger::{Ledger, Level, PathId};
use crate::base::{Event, EventKind, Key, Nanoseconds};

use crate::analysis::locate::evidence::StepKind;
use crate::analysis::locate::faults::FaultTree;
use crate::analysis::locate::hum::Hum;

/// Most readings that a key check keeps for one line; at 20 a second that is an hour.
const MOST_CHECKED: usize = 100_000;

/// Readings that a level must have before it counts as a state of the line.
const FEWEST: u64 = 5;

/// Gathers the readings of a job, stage by stage, at bounded memory.
#[derive(Debug)]
pub struct Collector {
    lines: Vec<Line>,
    plug: Condition,
    /// Whether something stands in place of the key board whose value is not known.
    unknown: bool,
    hands_off: bool,
    asked: Vec<Asked>,
}

#[derive(Debug)]
struct Line {
    network: Network,
    windows: Windows,
    /// Levels of the present hands-off capture, by the key that they mean: where no ledger has them all.
    levels: BTreeMap<Option<Key>, Gatherer>,
    /// Levels of the present capture from its ledger.
    known: Vec<Level>,
    /// Readings and presses of the present key check.
    checked: Vec<(Nanoseconds, u32)>,
    seen: Vec<(Nanoseconds, Key)>,
    now: Circuit,
    /// Before the last repair, if the line was not sound then.
    before: Option<Circuit>,
    hum: Hum,
}

/// What was read of one circuit: between two repairs.
#[derive(Clone, Debug, Default)]
struct Circuit {
    /// With hands off and no key seen, the known resistor aside.
    rest: Vec<Reading>,
    /// With hands off, while the line stood elsewhere than at rest.
    shows: Vec<Reading>,
    /// In key checks.
    keys: Vec<Reading>,
}

impl Circuit {
    fn is_sound(&self, network: &Network) -> bool {
        let healthy = network.solve(&Condition::Idle, &[]).map_or(0.0, |volts| network.counts(volts));
        let idle = self.rest.iter().filter(|r| r.condition == Condition::Idle);
        let full = f64::from(network.full_scale);
        let off = |r: &Reading| (r.counts - healthy.min(full)).abs() > full / 100.0 + 3.0 * r.spread;
        self.shows.is_empty() && !idle.clone().any(off)
    }
}

impl Collector {
    /// For the lines of a chassis.
    pub fn new(networks: Vec<Network>) -> Self {
        let line = |network: Network| Line {
            windows: Windows::of(&network),
            network,
            levels: BTreeMap::new(),
            known: Vec::new(),
            checked: Vec::new(),
            seen: Vec::new(),
            now: Circuit::default(),
            before: None,
            hum: Hum::default(),
        };
        Self {
            lines: networks.into_iter().map(line).collect(),
            plug: Condition::Idle,
            unknown: false,
            hands_off: true,
            asked: Vec::new(),
        }
    }

    /// A step was done and a new stage begins.
    pub fn stage(&mut self, tree: &FaultTree, kind: StepKind, text: &str, parts: &[String]) {
        self.end_capture();
        let name = tree.recognise(text, parts).map(|t| t.name.as_str());
        match (kind, name) {
            (StepKind::Repair, _) => self.lines.iter_mut().for_each(Line::repaired),
            (StepKind::Isolate, Some("unplug-key-board")) => self.plug = Condition::Unplugged,
            (StepKind::Isolate, Some("unplug-cable-at-key-board")) => self.plug = Condition::CableOnly,
            (StepKind::Isolate, Some("substitute-known-resistor")) => {
                self.plug = resistance(text).map_or(Condition::Unplugged, Condition::Substituted);
                // Without its value the reading belongs to no condition that can be computed.
                self.unknown = resistance(text).is_none();
                return;
            }
            // Whatever was undone, the key board is taken to be back: a step that leaves it out says so.
            (StepKind::Restore, _) => self.plug = Condition::Idle,
            (StepKind::Isolate, _) => return,
        }
        self.unknown = false;
    }

    /// A capture begins: whether nobody touches the controls, and which keys were asked for when.
    pub fn capture(&mut self, hands_off: bool, asked: &[Asked]) {
        self.end_capture();
        self.hands_off = hands_off;
        self.asked = asked.to_vec();
    }

    /// Takes the evidence of the present capture: its levels are of all readings, and the events only of some.
    pub fn ledger(&mut self, ledger: &Ledger) {
        for line in &mut self.lines {
            let path = ledger.path(&PathId::line(line.network.name.as_str()));
            line.known = path.map(|path| path.levels.clone()).unwrap_or_default();
        }
    }

    /// What the known resistor that stands in place of the key board reads as: no stray.
    pub fn imitated(&self, line: &str) -> Option<Key> {
        let line = self.lines.iter().find(|own| own.network.name == line)?;
        let volts = line.network.solve(&self.plug, &[])?;
        matches!(self.plug, Condition::Substituted(_))
            .then(|| line.windows.key(line.network.counts(volts) + 0.5))?
    }

    /// Takes an event of the present capture: a reading or a press; the two may come one after the other or mixed,
    /// each in order of time.
    pub fn event(&mut self, event: &Event) {
        match (event.kind, event.line.as_deref(), event.counts, event.key) {
            (EventKind::Reading, Some(line), Some(counts), _) => self.reading(line, event.t, counts),
            (EventKind::Press, Some(line), _, Some(key)) => {
                if let Some(line) = self.line(line).filter(|line| line.seen.len() < MOST_CHECKED) {
                    line.seen.push((event.t, key));
                }
            }
            _ => {}
        }
    }

    /// Takes a reading of the present capture.
    pub fn reading(&mut self, line: &str, t: Nanoseconds, counts: u32) {
        let hands_off = self.hands_off;
        let Some(line) = self.line(line) else { return };
        if hands_off {
            let key = line.windows.key(f64::from(counts));
            line.levels.entry(key).or_default().push(counts);
            line.hum.push(key, t, counts);
        } else if line.checked.len() < MOST_CHECKED {
            line.checked.push((t, counts));
        }
    }

    /// The line of that name while its readings tell of the fault.
    fn line(&mut self, name: &str) -> Option<&mut Line> {
        let open = !self.unknown;
        self.lines.iter_mut().find(|line| open && line.network.name == name)
    }

    /// Closes the present capture: its readings become those of a condition.
    fn end_capture(&mut self) {
        for line in &mut self.lines {
            if self.hands_off && !self.unknown {
                line.close(&self.plug);
                line.hum.close(&self.plug);
            } else if !self.asked.is_empty() && self.plug == Condition::Idle {
                let checked = Checked { asked: &self.asked, readings: &line.checked, seen: &line.seen };
                let readings = keycheck::readings(&line.network, &checked);
                let whole = |reading| whole(reading, &line.known, line.network.full_scale);
                line.now.keys.extend(readings.into_iter().map(whole));
                line.hum.checked(&checked, &line.windows);
            }
            line.levels.clear();
            line.known.clear();
            line.checked.clear();
            line.seen.clear();
        }
        self.asked.clear();
    }

    /// The readings per line, for the fit: those that came while the fault showed, and those of the line at rest where they
    /// are of another circuit.
    ///
    /// Several readings of one condition stand side by side.
    pub fn readings(&mut self) -> Vec<(Network, Vec<Reading>, Vec<Reading>)> {
        self.end_capture();
        let of = |line: &Line| {
            let (shows, rest) = line.joined();
            (line.network.clone(), shows, rest)
        };
        self.lines.iter().map(of).collect()
    }

    /// One fit a line that has readings.
    pub fn fits(&mut self) -> Vec<Fit> {
        self.fits_of(|_| true)
    }

    /// One fit for each wanted line that has readings, with the hum that was found on them and what their rate
    /// would hide.
    pub fn fits_of(&mut self, wanted: impl Fn(&str) -> bool) -> Vec<Fit> {
        self.end_capture();
        let lines = self.lines.iter().filter(|line| wanted(&line.network.name));
        lines.filter_map(Line::fitted).collect()
    }
}

/// A reading of a key check with all the readings of its level; the events hold only some.
fn whole(reading: Reading, known: &[Level], full_scale: u32) -> Reading {
    let levels = known.iter().filter(|level| &*level.state != "between").flat_map(modes);
    // A level that is of several keys is wider than one key's noise.
    let near = |level: &&Level| {
        (level.mean - reading.counts).abs() <= 1.5 + 2.0 * reading.spread
            && level.variance.sqrt() <= 1.0 + 2.0 * reading.spread
    };
    match levels.filter(near).max_by_key(|level| level.n) {
        Some(level) if level.n > reading.n => Reading::of_level(reading.condition, level, full_scale),
        _ => reading,
    }
}

/// The levels of one state of the line.
fn modes(level: &Level) -> impl Iterator<Item = &Level> {
    let whole = level.modes.is_empty().then_some(level);
    whole.into_iter().chain(&level.modes)
}

impl Line {
    fn fitted(&self) -> Option<Fit> {
        let (readings, rest) = self.joined();
        if readings.is_empty() {
            return None;
        }
        let mut fitted = fit(&self.network, &readings);
        if !rest.is_empty() {
            fitted = fitted.beside(&fit(&self.network, &rest));
        }
        let fitted = fitted.with_ripples(&self.hum.ripples());
        Some(match self.hum.period() {
            Some(period) => fitted.with_scan(period, &[]),
            None => fitted,
        })
    }

    fn repaired(&mut self) {
        let done = std::mem::take(&mut self.now);
        if self.before.is_none() || !done.is_sound(&self.network) {
            self.before = Some(done);
        }
    }

    /// The levels of a hands-off capture: of the line at rest, and of what showed beside it.
    fn close(&mut self, plug: &Condition) {
        let full = self.network.full_scale;
        // Each level with the key that it means, and how many readings it has.
        let mut list: Vec<(Option<Key>, Reading)> = if self.known.is_empty() {
            let reading = |(key, gathered): (&Option<Key>, &Gatherer)| {
                Some((*key, gathered.reading(plug.clone(), full)?))
            };
            self.levels.iter().filter_map(reading).collect()
        } else {
            let states = self.known.iter().filter(|level| &*level.state != "between");
            let reading =
                |level: &Level| (Key::from_name(&level.state), Reading::of_level(plug.clone(), level, full));
            states.flat_map(modes).map(reading).collect()
        };
        // Sums do not tell whether a level wanders; the thinned readings do.
        for (key, reading) in &mut list {
            let thinned = self.levels.get(key).and_then(|gathered| gathered.reading(plug.clone(), full));
            #[allow(clippy::cast_precision_loss)]
            let wanders = thinned.filter(|thinned| 2.0 * thinned.independent < thinned.n as f64);
            if let Some(thinned) = wanders {
                reading.independent = reading.independent.min(thinned.independent);
            }
        }
        list.retain(|(_, reading)| reading.n >= FEWEST);
        list.sort_by_key(|(_, reading)| std::cmp::Reverse(reading.n));
        let imitates = matches!(plug, Condition::Substituted(_));
        // A resistor on one line leaves the other one open.
        let expects = |plug: &Condition| {
            let volts = self.network.solve(plug, &[]);
            volts.map_or(f64::INFINITY, |volts| self.network.counts(volts).min(f64::from(full)))
        };
        let (open, held) = (expects(&Condition::Unplugged), expects(plug));
        for (_, reading) in list.iter_mut().filter(|_| imitates) {
            if (reading.counts - open).abs() < (reading.counts - held).abs() {
                reading.condition = Condition::Unplugged;
            }
        }
        let at = list.iter().position(|(key, _)| imitates || key.is_none());
        let rest = at.map(|at| list.remove(at).1);
        let other = list.iter().position(|(key, _)| key.is_some()).or((!list.is_empty()).then_some(0));
        self.now.shows.extend(other.map(|at| list.swap_remove(at).1));
        self.now.rest.extend(rest);
    }

    /// The readings while the fault showed, and those of the line at rest where they are of another circuit.
    fn joined(&self) -> (Vec<Reading>, Vec<Reading>) {
        let circuit = match &self.before {
            Some(before) if self.now.is_sound(&self.network) => before,
            _ => &self.now,
        };
        let idle = |r: &&Reading| r.condition == Condition::Idle;
        let like = |one: &Reading, other: &Reading| {
            (one.counts - other.counts).abs() <= 4.0 + 3.0 * one.spread.max(other.spread)
        };
        let (mut shows, mut rest) = (circuit.shows.clone(), circuit.rest.clone());
        let (shown, resting) = (shows.iter().find(idle).cloned(), rest.iter().find(idle).cloned());
        // A fault that is there all the time: all readings are of one circuit.
        if shown.is_some() && resting.is_none() {
            shows.append(&mut rest);
        }
        match (circuit.keys.iter().find(idle), &shown, &resting) {
            (Some(check), Some(shown), None) if like(check, shown) => {
                shows.extend(circuit.keys.iter().cloned())
            }
            (Some(check), _, Some(resting)) if like(check, resting) => {
                rest.extend(circuit.keys.iter().cloned())
            }
            (Some(check), Some(shown), _) if like(check, shown) => shows.extend(circuit.keys.iter().cloned()),
            // Of a line that is not read at rest, or was not watched, the key check is all.
            (None, None, None) | (Some(_), None, None) => rest.extend(circuit.keys.iter().cloned()),
            (None, ..) => rest.extend(circuit.keys.iter().cloned()),
            // The line rested elsewhere in the key check than in the soak: another circuit.
            (Some(_), ..) => {}
        }
        if shows.is_empty() { (rest, Vec::new()) } else { (shows, rest) }
    }
}

/// The resistance that a text names: `4.7k`, `4k7`, `4.7 kΩ`, `4700 ohm`.
///
/// Only a number with a unit counts, so that "step 2" is no resistance.
pub(super) fn resistance(text: &str) -> Option<f64> {
    let text = text.replace("ohms", "Ω").replace("ohm", "Ω").replace(',', ".");
    let is_number = |c: char| c.is_ascii_digit() || c == '.';
    let mut rest = text.as_str();
    while let Some(start) = rest.find(|c: char| c.is_ascii_digit()) {
        let tail = &rest[start..];
        let end = tail.find(|c| !is_number(c)).unwrap_or(tail.len());
        let (number, after) = tail.split_at(end);
        let unit = after.trim_start();
        let factor = match unit.chars().next() {
            Some('k' | 'K') => Some(1e3),
            Some('M') => Some(1e6),
            Some('Ω' | 'R') => Some(1.0),
            _ => None,
        };
        if let (Some(factor), Ok(value)) = (factor, number.trim_end_matches('.').parse::<f64>()) {
            // Digits after the letter are places: 4k7.
            let places: String = unit.chars().skip(1).take_while(char::is_ascii_digit).collect();
            let fraction = places.parse::<f64>().map_or(0.0, |d| d / 10f64.powi(places.len() as i32));
            let ohm = (value + fraction) * factor;
            return (ohm > 0.0 && ohm.is_finite()).then_some(ohm);
        }
        rest = &tail[end..];
    }
    None
}

#[cfg(test)]
mod tests {
    use super::resistance;

    #[test]
    fn resistances_are_read_as_technicians_write_them() {
        for (text, ohm) in [
            ("4.7k in place of the key board", 4_700.0),
            ("4k7 at the connector", 4_700.0),
            ("step 2: 4.7 kΩ substituted", 4_700.0),
            ("470 ohm", 470.0),
            ("1,5 kohm", 1_500.0),
            ("2M2", 2_200_000.0),
        ] {
            let got = resistance(text).unwrap();
            assert!((got / ohm - 1.0).abs() < 1e-12, "{text}: {got}");
        }
        assert_eq!(resistance("a known resistor"), None);
        assert_eq!(resistance("step 2"), None);
    }
}
