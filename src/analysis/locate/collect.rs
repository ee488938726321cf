//! From the events of a job's stages to readings per line and condition, and to fits.
//!
//! What the line says depends on what was plugged and pressed, so that each stage is told what its step was. A
//! repair changes the circuit: only what was read before the first repair tells what was wrong.

use std::collections::BTreeMap;

use crate::analysis::ladder::keycheck::{self, Asked, Checked};
use crate::analysis::ladder::{Condition, Fit, Gatherer, Network, Reading, Windows, fit};
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
    repaired: bool,
    /// Whether something stands in place of the key board whose value is not known.
    unknown: bool,
    hands_off: bool,
    asked: Vec<Asked>,
}

#[derive(Debug)]
struct Line {
    network: Network,
    windows: Windows,
    /// Levels of the present hands-off capture, by the key that they mean.
    levels: BTreeMap<Option<Key>, Gatherer>,
    /// Readings and presses of the present key check.
    checked: Vec<(Nanoseconds, u32)>,
    seen: Vec<(Nanoseconds, Key)>,
    resting: Vec<Reading>,
    keys: Vec<Reading>,
    hum: Hum,
}

impl Collector {
    /// For the lines of a chassis.
    pub fn new(networks: Vec<Network>) -> Self {
        let line = |network: Network| Line {
            windows: Windows::of(&network),
            network,
            levels: BTreeMap::new(),
            checked: Vec::new(),
            seen: Vec::new(),
            resting: Vec::new(),
            keys: Vec::new(),
            hum: Hum::default(),
        };
        Self {
            lines: networks.into_iter().map(line).collect(),
            plug: Condition::Idle,
            repaired: false,
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
            (StepKind::Repair, _) => self.repaired = true,
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
        let open = !self.repaired && !self.unknown;
        self.lines.iter_mut().find(|line| open && line.network.name == name)
    }

    /// Closes the present capture: its readings become those of a condition.
    fn end_capture(&mut self) {
        for line in &mut self.lines {
            if self.hands_off {
                line.resting.extend(line.rest(&self.plug));
                line.hum.close(&self.plug);
            } else if !self.asked.is_empty() && self.plug == Condition::Idle {
                let checked = Checked { asked: &self.asked, readings: &line.checked, seen: &line.seen };
                line.keys.extend(keycheck::readings(&line.network, &checked));
                line.hum.checked(&checked, &line.windows);
            }
            line.levels.clear();
            line.checked.clear();
            line.seen.clear();
        }
        self.asked.clear();
    }

    /// The readings per line, for the fit.
    ///
    /// Several readings of one condition stand side by side. Key readings are left out when the line rested
    /// elsewhere during the key check than in the soak: the fault was away, and they belong to another circuit.
    pub fn readings(&mut self) -> Vec<(Network, Vec<Reading>)> {
        self.end_capture();
        self.lines.iter().map(|line| (line.network.clone(), line.joined())).collect()
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

impl Line {
    fn fitted(&self) -> Option<Fit> {
        let readings = self.joined();
        if readings.is_empty() {
            return None;
        }
        let fitted = fit(&self.network, &readings).with_ripples(&self.hum.ripples());
        Some(match self.hum.period() {
            Some(period) => fitted.with_scan(period, &[]),
            None => fitted,
        })
    }

    /// The resting level of a hands-off capture. A fault that comes and goes shows two levels; the one that means
    /// a key is the fault's.
    fn rest(&self, plug: &Condition) -> Option<Reading> {
        let enough = |entry: &(&Option<Key>, &Gatherer)| entry.1.n() >= FEWEST;
        let most = |key: bool| {
            let levels = self.levels.iter().filter(|(k, _)| k.is_some() == key).filter(enough);
            levels.max_by_key(|(_, gatherer)| gatherer.n()).map(|(_, gatherer)| gatherer)
        };
        most(true).or(most(false))?.reading(plug.clone(), self.network.full_scale)
    }

    fn joined(&self) -> Vec<Reading> {
        let mut all = self.resting.clone();
        let idle = |r: &&Reading| r.condition == Condition::Idle;
        let same = match (all.iter().find(idle), self.keys.iter().find(idle)) {
            (Some(soak), Some(check)) => {
                (soak.counts - check.counts).abs() <= 4.0 + 3.0 * soak.spread.max(check.spread)
            }
            _ => true,
        };
        if same {
            all.extend(self.keys.iter().cloned());
        }
        all
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
