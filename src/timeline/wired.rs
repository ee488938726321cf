//! Channels of a logic or analog capture, each to the decoder of its signal.

use std::collections::BTreeMap;
use std::sync::Arc;

use crate::base::{ControlPath, Error, Event, EventKind, Name, Nanoseconds, Result};
use crate::decode::report::Report;
use crate::decode::{cec, infrared};
use crate::signal::carrier::Infrared;
use crate::signal::edge::Hysteresis;
use crate::signal::pulse::Polarity;
use crate::signal::threshold::Splitter;
use crate::signal::{Edge, Pulse};
use crate::source::{Change, Channel, Value};
use crate::timeline::channels::{find, names, nearest};
use crate::timeline::keypad_line::KeypadLine;
use crate::timeline::protocols::Protocols;
use crate::timeline::text_stage::TextStage;
use crate::timeline::uart_pipe::UartPipe;
use crate::timeline::unseen::{Unseen, UnseenWire};
use crate::timeline::watch::Watch;
use crate::timeline::wire::{Signal, Wire};

/// Events of different wires are put in order of time within this stretch: longer than any frame, press or
/// line that is reported late.
const SETTLE: Nanoseconds = Nanoseconds(3_000_000_000);
/// Events that wait for a channel that is still finding its rate or chassis, at most.
const MOST_WAITING: usize = 100_000;

enum Pipe {
    Uart(Box<UartPipe>),
    Infrared { line: Infrared, pulses: Vec<Pulse>, decoder: Box<infrared::Decoder> },
    Cec(Box<cec::Decoder>),
    Keypad(Box<KeypadLine>),
}

struct Wired {
    splitter: Splitter,
    edges: Vec<Edge>,
    pipe: Pipe,
    signal: Signal,
    channel: Name,
    /// The only level that a channel of levels has had so far, and whether it had another.
    level: Option<Value>,
    moved: bool,
    /// How far the channel is read.
    t: Nanoseconds,
    /// Why nothing more is read from this channel.
    failed: Option<Error>,
}

/// How the samples of a capture are to be taken.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Sampling {
    /// Time between two samples, where it is steady; otherwise values hold until the next.
    pub step: Option<Nanoseconds>,
    /// Threshold in volts, where it was given.
    pub threshold: Option<f32>,
    /// Whether the times were taken as seconds though nothing says so.
    pub assumed: bool,
}

/// All wires of one capture.
pub struct Wiring {
    /// Index of the channel to index of the wire.
    of_channel: Vec<Option<usize>>,
    wires: Vec<Wired>,
    waiting: Vec<Event>,
    fresh: Vec<Event>,
    reports: Vec<Report>,
    named: bool,
    sampling: Sampling,
}

impl Wiring {
    /// Joins channels and signals.
    ///
    /// # Errors
    /// `Usage` when no wire was given or a channel does not exist; both name the channels that do.
    pub fn new(
        channels: &[Channel],
        wires: &[Wire],
        protocols: &Protocols,
        chassis: Option<&str>,
        capture: &Name,
        sampling: Sampling,
    ) -> Result<Self> {
        if wires.is_empty() {
            return Err(Error::usage("it is not known which channel carries which signal").help(format!(
                "say it with --wire CHANNEL=SIGNAL, for example --wire {}=uart; the channels are {}",
                channels.first().map_or("A", |channel| channel.name.as_str()),
                names(channels)
            )));
        }
        let mut of_channel = vec![None; channels.len()];
        let mut built = Vec::with_capacity(wires.len());
        for wire in wires {
            let index = find(channels, &wire.channel).ok_or_else(|| {
                Error::usage(format!("there is no channel \"{}\"", wire.channel))
                    .help(nearest(channels, &wire.channel))
            })??;
            if of_channel[index].is_some() {
                return Err(Error::usage(format!("channel {} carries two signals", channels[index].name))
                    .help("give each channel one --wire"));
            }
            if let Signal::Keypad(line) = &wire.signal
                && !channels[index].analog
            {
                let name = &channels[index].name;
                return Err(Error::usage(format!(
                    "channel {name} holds levels, and keypad line {line} needs voltages"
                ))
                .help(format!("if the column holds volts, name its unit in the header: `{name} (V)`")));
            }
            if let Some(step) = sampling.step
                && let Some(Unseen::TooCoarse { .. }) = too_coarse(step, &wire.signal)
                && sampling.assumed
            {
                return Err(Error::input(format!(
                    "the time column names no unit, and in seconds its rows are {step} s apart, too far for {}",
                    wire.signal
                ))
                .help("write the unit into the header of the time column, as `Time [ms]`, or `Time [s]`"));
            }
            of_channel[index] = Some(built.len());
            built.push(Wired {
                splitter: Splitter::new(sampling.threshold, sampling.step.is_none()),
                edges: Vec::new(),
                pipe: pipe(&wire.signal, protocols, chassis, capture)?,
                signal: wire.signal.clone(),
                channel: channels[index].name.as_str().into(),
                level: None,
                moved: false,
                t: Nanoseconds::ZERO,
                failed: None,
            });
        }
        Ok(Self {
            of_channel,
            wires: built,
            waiting: Vec::new(),
            fresh: Vec::new(),
            reports: Vec::new(),
            named: false,
            sampling,
        })
    }

    /// Asks the wires to keep what they meet for [`Wiring::look`].
    pub fn keep_reports(&mut self) {
        for wire in &mut self.wires {
            match &mut wire.pipe {
                Pipe::Uart(pipe) => pipe.text.keep_reports(),
                Pipe::Keypad(line) => line.keep_reports(),
                Pipe::Infrared { .. } | Pipe::Cec(_) => {}
            }
        }
    }

    /// Takes changes in order of time; appends events that are settled, in order of time.
    ///
    /// # Errors
    /// `Input` when the text on every UART channel is of no known chassis and there is no other channel. One such
    /// channel among others is told as a fault and not read further.
    pub fn push(&mut self, changes: &[Change], out: &mut Vec<Event>) -> Result<()> {
        // Levels of one channel are taken together, samples in volts one by one.
        let together = |a: &Change, b: &Change| a.channel == b.channel && !matches!(b.value, Value::Volts(_));
        for run in changes.chunk_by(together) {
            let Some(first) = run.first() else { continue };
            let wire = self.of_channel.get(usize::from(first.channel)).copied().flatten();
            if let Some(wire) = wire.and_then(|wire| self.wires.get_mut(wire)) {
                wire.take(first.t, &mut self.fresh, |wire, out| wire.push(run, out));
            }
        }
        self.judge()?;
        if let Some(last) = changes.last()
            && (!self.is_finding() || self.waiting.len() + self.fresh.len() > MOST_WAITING)
        {
            self.settle(last.t - SETTLE, out);
        }
        Ok(())
    }

    /// Hands on what the wires met; `events` are those that have settled since the last call.
    pub fn look(&mut self, events: &[Event], watch: &mut dyn Watch) {
        if !watch.looks() {
            return;
        }
        if let Some(chassis) = self.text().and_then(TextStage::chassis).filter(|_| !self.named) {
            let chassis = Arc::clone(chassis);
            self.named = true;
            watch.chassis(&chassis);
        }
        for wire in &mut self.wires {
            match &mut wire.pipe {
                Pipe::Uart(pipe) => pipe.text.reports(&[], &mut self.reports),
                Pipe::Keypad(line) => line.reports(&mut self.reports),
                Pipe::Infrared { .. } | Pipe::Cec(_) => {}
            }
        }
        self.reports.drain(..).for_each(|report| watch.report(&report));
        events.iter().for_each(|event| watch.event(event));
    }

    /// The capture ended at `end`.
    ///
    /// # Errors
    /// As [`Wiring::push`].
    pub fn finish(&mut self, end: Nanoseconds, out: &mut Vec<Event>) -> Result<()> {
        for wire in &mut self.wires {
            wire.splitter.finish(end, &mut wire.edges);
            wire.take(end, &mut self.fresh, |wire, out| {
                wire.drain(out)?;
                wire.finish(end, out)
            });
        }
        self.judge()?;
        self.settle(Nanoseconds(i64::MAX), out);
        Ok(())
    }

    /// Fails when no channel can be read any more.
    fn judge(&mut self) -> Result<()> {
        if self.wires.iter().any(|wire| wire.failed.is_none()) {
            return Ok(());
        }
        self.wires.iter_mut().find_map(|wire| wire.failed.take()).map_or(Ok(()), Err)
    }

    /// Whether a channel is still finding its rate or its chassis: its first events will be late.
    fn is_finding(&self) -> bool {
        self.wires.iter().filter(|wire| wire.failed.is_none()).any(|wire| match &wire.pipe {
            Pipe::Uart(pipe) => pipe.receiver.found().is_none() || pipe.text.choice().is_none(),
            _ => wire.splitter.is_finding(),
        })
    }

    fn settle(&mut self, until: Nanoseconds, out: &mut Vec<Event>) {
        if self.fresh.is_empty() && self.waiting.first().is_none_or(|event| event.t >= until) {
            return;
        }
        self.waiting.append(&mut self.fresh);
        self.waiting.sort_by_key(|event| event.t);
        let settled = self.waiting.partition_point(|event| event.t < until);
        out.extend(self.waiting.drain(..settled));
    }

    /// The text of the first UART channel whose chassis is known.
    pub fn text(&self) -> Option<&TextStage> {
        self.wires.iter().filter(|wire| wire.failed.is_none()).find_map(|wire| match &wire.pipe {
            Pipe::Uart(pipe) => Some(&pipe.text),
            _ => None,
        })
    }

    /// What a reader of the results should know of the wires, in plain words.
    pub fn remarks(&self, tick: Option<Nanoseconds>) -> Vec<String> {
        let mut remarks = Vec::new();
        for wire in &self.wires {
            if let Some(error) = &wire.failed {
                remarks.push(format!("{}: {error}", wire.channel));
                continue;
            }
            remarks.extend(wire.remark(self.sampling.step.or(tick)));
            match &wire.pipe {
                Pipe::Uart(pipe) => remarks.push(pipe.remark(&wire.channel)),
                Pipe::Infrared { decoder, line, .. } => {
                    let counters = decoder.counters();
                    let polarity = match line.polarity() {
                        Some(Polarity::MarkLow) => "mark low",
                        Some(Polarity::MarkHigh) => "mark high",
                        None => "polarity unknown",
                    };
                    let carrier = line.carrier().map_or(String::new(), |carrier| {
                        format!(", carrier {:.1} kHz taken off{}", carrier.hz / 1000.0, carrier.remark())
                    });
                    remarks.push(format!(
                        "{}: infrared, {polarity}{carrier}, {} frames, {} damaged",
                        wire.channel, counters.decoded, counters.damaged
                    ));
                }
                Pipe::Cec(_) => remarks.push(format!("{}: {}", wire.channel, wire.signal)),
                Pipe::Keypad(line) => {
                    let ripple = line.remark().unwrap_or_else(|| "too short for its ripple".to_owned());
                    remarks.push(format!("{}: {}, {ripple}", wire.channel, wire.signal));
                    remarks.extend(line.beyond().map(|beyond| format!("{}: {beyond}", wire.channel)));
                }
            }
        }
        remarks
    }

    /// The wires that could not have shown their signal, and why; `tick` is the unit of the capture's times.
    pub fn unseen(&self, tick: Option<Nanoseconds>) -> Vec<UnseenWire> {
        self.wires
            .iter()
            .filter_map(|wire| {
                let why = wire.unseen(self.sampling.step.or(tick))?;
                Some(UnseenWire { channel: Arc::clone(&wire.channel), signal: wire.signal.clone(), why })
            })
            .collect()
    }

    /// Records of all wires together.
    pub fn counters(&self) -> BTreeMap<String, crate::decode::Counters> {
        self.wires
            .iter()
            .map(|wire| {
                let counters = match &wire.pipe {
                    Pipe::Uart(pipe) => pipe.text.counters(),
                    Pipe::Infrared { decoder, .. } => decoder.counters(),
                    Pipe::Cec(decoder) => decoder.counters(),
                    Pipe::Keypad(line) => line.counters(),
                };
                (wire.channel.to_string(), counters)
            })
            .collect()
    }
}

fn pipe(signal: &Signal, protocols: &Protocols, chassis: Option<&str>, capture: &Name) -> Result<Pipe> {
    Ok(match signal {
        Signal::Uart(rate) => {
            let text = TextStage::new(Arc::clone(&protocols.library), chassis, Arc::clone(capture), false)?;
            Pipe::Uart(Box::new(UartPipe::new(*rate, text, Arc::clone(capture))))
        }
        Signal::Infrared => Pipe::Infrared {
            line: Infrared::new(None),
            pulses: Vec::new(),
            decoder: Box::new(infrared::Decoder::new(Arc::clone(&protocols.formats), Arc::clone(capture))),
        },
        Signal::Cec => Pipe::Cec(Box::new(cec::Decoder::new(Arc::clone(capture))?)),
        Signal::Keypad(line) => {
            let Some(name) = chassis else {
                return Err(Error::usage(format!("the windows of keypad line {line} are not known"))
                    .help("name the chassis with --chassis; its protocol file holds the ladder"));
            };
            let chassis = protocols.library.chassis(name)?;
            Pipe::Keypad(Box::new(KeypadLine::new(&chassis, line, Arc::clone(capture))?))
        }
    })
}

/// Whether samples so far apart miss elements of the signal.
fn too_coarse(step: Nanoseconds, signal: &Signal) -> Option<Unseen> {
    let shortest_s = signal.shortest_s()?;
    (2.0 * step.seconds() > shortest_s).then(|| Unseen::TooCoarse { sample_s: step.seconds(), shortest_s })
}

impl Wired {
    /// Why this wire could not have shown its signal.
    fn unseen(&self, step: Option<Nanoseconds>) -> Option<Unseen> {
        if let Some(coarse) = step.and_then(|step| too_coarse(step, &self.signal)) {
            return Some(coarse);
        }
        if matches!(self.pipe, Pipe::Keypad(_)) {
            return None;
        }
        match (self.splitter.range(), self.level) {
            (Some((low, high)), _) => {
                let split = self.splitter.split();
                let crossed =
                    split.is_some_and(|split| low <= split.thresholds.low && high >= split.thresholds.high);
                (!crossed).then(|| Unseen::NoCrossing { low: f64::from(low), high: f64::from(high) })
            }
            (None, Some(level)) if !self.moved => Some(Unseen::Flat { high: level == Value::High }),
            (None, Some(_)) => None,
            (None, None) => Some(Unseen::NoSample),
        }
    }

    /// What is to be known of the levels of this wire.
    fn remark(&self, step: Option<Nanoseconds>) -> Option<String> {
        if let Some(why) = self.unseen(step) {
            return Some(format!("{}: {why}", self.channel));
        }
        let split = self.splitter.split()?;
        let (low, high) = split.levels?;
        (split.thresholds != Hysteresis::default()).then(|| {
            format!(
                "{}: levels {low:.2} and {high:.2} V; thresholds {:.2} and {:.2} V were found from them",
                self.channel, split.thresholds.low, split.thresholds.high
            )
        })
    }

    /// Lets the wire work until it fails; its events say which channel they are from.
    fn take(
        &mut self,
        t: Nanoseconds,
        out: &mut Vec<Event>,
        work: impl FnOnce(&mut Self, &mut Vec<Event>) -> Result<()>,
    ) {
        if self.failed.is_some() {
            self.edges.clear();
            return;
        }
        let from = out.len();
        self.t = t;
        if let Err(error) = work(self, out) {
            let mut event = Event::new(self.t, ControlPath::System, EventKind::Fault);
            event.note = Some(format!("this channel is not read further: {}", error.what()).into());
            out.push(event);
            self.failed = Some(error);
        }
        for event in &mut out[from..] {
            event.channel = Some(Arc::clone(&self.channel));
        }
    }

    fn push(&mut self, run: &[Change], out: &mut Vec<Event>) -> Result<()> {
        if let Pipe::Keypad(line) = &mut self.pipe {
            return run.iter().try_for_each(|change| line.push(*change, out));
        }
        for change in run {
            if !self.moved && !matches!(change.value, Value::Volts(_) | Value::Unknown) {
                self.moved = self.level.is_some_and(|level| level != change.value);
                self.level = Some(change.value);
            }
            self.splitter.push(*change, &mut self.edges);
        }
        self.drain(out)
    }

    fn drain(&mut self, out: &mut Vec<Event>) -> Result<()> {
        let edges = self.edges.drain(..);
        match &mut self.pipe {
            Pipe::Uart(pipe) => {
                for edge in edges {
                    pipe.push(edge, out).inspect_err(|_| self.t = self.t.max(edge.t))?;
                }
            }
            Pipe::Infrared { line, pulses, decoder } => {
                for edge in edges {
                    line.push(edge, pulses);
                }
                for pulse in pulses.drain(..) {
                    decoder.push(pulse, out);
                }
            }
            Pipe::Cec(decoder) => {
                for edge in edges {
                    decoder.push(edge, out);
                }
            }
            // Volts, not edges: taken before.
            Pipe::Keypad(_) => {}
        }
        Ok(())
    }

    fn finish(&mut self, end: Nanoseconds, out: &mut Vec<Event>) -> Result<()> {
        match &mut self.pipe {
            Pipe::Uart(pipe) => pipe.finish(end, out)?,
            Pipe::Infrared { line, pulses, decoder } => {
                line.finish(end, pulses);
                for pulse in pulses.drain(..) {
                    decoder.push(pulse, out);
                }
                decoder.finish(end, out);
            }
            Pipe::Cec(decoder) => decoder.finish(end, out),
            Pipe::Keypad(line) => line.finish(end, out),
        }
        Ok(())
    }
}
