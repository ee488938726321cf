//! An analog keypad line: volts to readings at the firmware's scan period, readings to keys.

use std::sync::Arc;

use crate::base::{Error, Event, Name, Nanoseconds, Result, Volts};
use crate::decode::Counters;
use crate::decode::chassis::Chassis;
use crate::decode::ladder::Tracker;
use crate::decode::report::{Report, Reported};
use crate::signal::level::{LevelReader, LevelSpec, Reading, Ripple};
use crate::source::{Change, Value};

/// Scan period where the chassis file gives none: 20 ms. Common practice, no source.
const PERIOD: Nanoseconds = Nanoseconds(20_000_000);

/// A sample beyond the converter's range by more than this share of it is told: ripple and the tolerance of the
/// supply stay below. Common practice, no source.
const BEYOND: f64 = 0.1;
/// By more than this many times the range, it is no voltage of the line.
const WRONG_UNIT: f64 = 9.0;

fn is_beyond(volts: f64, reference: f64) -> bool {
    (volts - reference).max(-volts) > BEYOND * reference
}

/// One analog line of a chassis.
pub struct KeypadLine {
    reader: LevelReader,
    tracker: Tracker,
    readings: Vec<Reading>,
    /// What was met, where somebody asks for it.
    reports: Option<Vec<Report>>,
    counters: Counters,
    /// The strongest of all blocks.
    ripple: Option<Ripple>,
    capture: Name,
    decoder: Name,
    /// Voltage of the full-scale reading.
    reference: f64,
    /// Samples beyond what the converter reads, and how far they go.
    beyond: u64,
    lowest: f64,
    highest: f64,
    /// The last reading was beyond it.
    away: bool,
}

impl KeypadLine {
    /// The line with this name on this chassis.
    ///
    /// # Errors
    /// `Usage` when the chassis has no such line; names those that it has.
    pub fn new(chassis: &Arc<Chassis>, line: &str, capture: Name) -> Result<Self> {
        let Some(windows) = chassis.line(line) else {
            let names: Vec<&str> = chassis.lines().map(|(name, _)| &**name).collect();
            return Err(Error::usage(format!("chassis {} has no keypad line {line}", chassis.name()))
                .help(format!("its lines are {}", names.join(", "))));
        };
        let declared = windows.line();
        let spec = LevelSpec {
            full_scale: declared.full_scale,
            reference: Volts(declared.reference()),
            period: declared.period_s.map_or(PERIOD, Nanoseconds::from_seconds),
        };
        Ok(Self {
            reader: LevelReader::new(spec),
            tracker: Tracker::new(Name::from(line), Some(Arc::clone(windows))),
            readings: Vec::new(),
            reports: None,
            counters: Counters::default(),
            ripple: None,
            capture,
            decoder: Arc::clone(chassis.decoder()),
            reference: spec.reference.0,
            beyond: 0,
            lowest: 0.0,
            highest: spec.reference.0,
            away: false,
        })
    }

    /// Takes one sample.
    ///
    /// # Errors
    /// `Input` for a voltage that no control path has: the column holds another unit.
    pub fn push(&mut self, change: Change, out: &mut Vec<Event>) -> Result<()> {
        if let Value::Volts(volts) = change.value {
            let volts = f64::from(volts);
            let beyond = (volts - self.reference).max(-volts);
            if beyond > WRONG_UNIT * self.reference {
                return Err(Error::input(format!(
                    "{volts} V on a keypad line of {} V: the column does not hold volts",
                    self.reference
                ))
                .help("name the unit of the column in its header, as `KEY1 (mV)`"));
            }
            if is_beyond(volts, self.reference) {
                self.beyond += 1;
                self.lowest = self.lowest.min(volts);
                self.highest = self.highest.max(volts);
            }
        }
        self.reader.push(change, &mut self.readings);
        self.take(out);
        Ok(())
    }

    /// The capture ended at `end`.
    pub fn finish(&mut self, end: Nanoseconds, out: &mut Vec<Event>) {
        self.reader.finish(end, &mut self.readings);
        self.take(out);
    }

    fn take(&mut self, out: &mut Vec<Event>) {
        for reading in self.readings.drain(..) {
            self.counters.records += 1;
            self.counters.decoded += 1;
            if let Some(ripple) = reading.ripple
                && self.ripple.as_ref().is_none_or(|strongest| strongest.rms.0 < ripple.rms.0)
            {
                self.ripple = Some(ripple);
            }
            let from = out.len();
            self.tracker.push(reading.t, reading.counts.0, out);
            let (line, counts) = (Arc::clone(self.tracker.name()), reading.counts.0);
            let what = if is_beyond(reading.volts.0, self.reference) {
                Reported::Away { line }
            } else {
                Reported::Reading { line, counts, state: self.tracker.state() }
            };
            self.away = matches!(what, Reported::Away { .. });
            if let Some(reports) = &mut self.reports {
                reports.push(Report { t: reading.t, what });
            }
            for event in out.iter_mut().skip(from) {
                event.capture = Some(Arc::clone(&self.capture));
                event.decoder = Some(Arc::clone(&self.decoder));
                event.offset = Some(reading.offset);
            }
        }
        if let (Some(t), Some(reports)) = (self.reader.skipped(), &mut self.reports) {
            let line = Arc::clone(self.tracker.name());
            let what = if self.away { Reported::Away { line } } else { Reported::Same { line } };
            reports.push(Report { t, what });
        }
    }

    /// Asks for reports from now on.
    pub fn keep_reports(&mut self) {
        self.reports.get_or_insert_default();
    }

    /// Appends all readings since the last call; nothing without [`KeypadLine::keep_reports`].
    pub fn reports(&mut self, out: &mut Vec<Report>) {
        if let Some(reports) = &mut self.reports {
            out.append(reports);
        }
    }

    /// Scans so far.
    pub fn counters(&self) -> Counters {
        self.counters
    }

    /// How far the line goes beyond what the converter reads, in words.
    pub fn beyond(&self) -> Option<String> {
        (self.beyond > 0).then(|| {
            format!(
                "{} samples lie beyond the range of the ladder, 0 to {} V: {:.2} to {:.2} V; they were read as its \
                 ends. Is the unit right, and the probe on the line?",
                self.beyond, self.reference, self.lowest, self.highest
            )
        })
    }

    /// The strongest ripple on the line, in words.
    pub fn remark(&self) -> Option<String> {
        self.ripple.as_ref().map(|ripple| {
            let frequency =
                ripple.frequency_hz.map_or(String::new(), |hz| format!(", most of it at {hz:.1} Hz"));
            format!(
                "ripple at its strongest {:.1} mV rms, {:.1} mV peak to peak{frequency}",
                1e3 * ripple.rms.0,
                1e3 * ripple.peak_to_peak.0
            )
        })
    }
}
