//! Channels of a logic or analog capture, each to the decoder of its signal.

use std::collections::BTreeMap;
use std::sync::Arc;

use super::keypad_line::KeypadLine;
use super::protocols::Protocols;
use super::text_stage::TextStage;
use super::watch::Watch;
use super::wire::{Signal, Wire};
use crate::base::{ControlPath, Error, Event, EventKind, Name, Nanoseconds, Result};
use crate::decode::report::Report;
use crate::decode::{cec, infrared};
use crate::signal::carrier::Infrared;
use crate::signal::edge::{EdgeFinder, Hysteresis};
use crate::signal::pulse::Polarity;
use crate::signal::uart::{Framing, Receiver, UartSpec};
use crate::signal::{Character, Edge, Pulse};
use crate::source::{Change, Channel};

/// Events of different wires are put in order of time within this stretch: longer than any frame, press or
/// line that is reported late.
const SETTLE: Nanoseconds = Nanoseconds(3_000_000_000);
/// Events that wait for a channel that is still finding its rate or chassis, at most.
const MOST_WAITING: usize = 100_000;
/// A pause between two characters after which a line without end is handed on.
const LINE_PAUSE: Nanoseconds = Nanoseconds(200_000_000);
/// Longest piece of a line that is gathered before it is handed on.
const LONGEST_PIECE: usize = 4096;

enum Pipe {
    Uart(Box<UartPipe>),
    Infrared { line: Infrared, pulses: Vec<Pulse>, decoder: Box<infrared::Decoder> },
    Cec(Box<cec::Decoder>),
    Keypad(Box<KeypadLine>),
}

struct Wired {
    finder: EdgeFinder,
    edges: Vec<Edge>,
    pipe: Pipe,
    signal: Signal,
    channel: Name,
    /// Why nothing more is read from this channel.
    failed: Option<Error>,
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
    ) -> Result<Self> {
        if wires.is_empty() {
            return Err(Error::usage("it is not known which channel carries which signal").remedy(format!(
                "say it with --wire CHANNEL=SIGNAL, for example --wire {}=uart; the channels are {}",
                channels.first().map_or("CH0", |channel| channel.name.as_str()),
                names(channels)
            )));
        }
        let mut of_channel = vec![None; channels.len()];
        let mut built = Vec::with_capacity(wires.len());
        for wire in wires {
            let index = find(channels, &wire.channel).ok_or_else(|| {
                Error::usage(format!("there is no channel \"{}\"", wire.channel))
                    .remedy(format!("the channels are {}", names(channels)))
            })?;
            if of_channel[index].is_some() {
                return Err(Error::usage(format!("channel {} carries two signals", channels[index].name))
                    .remedy("give each channel one --wire"));
            }
            of_channel[index] = Some(built.len());
            built.push(Wired {
                finder: EdgeFinder::new(Hysteresis::default(), Nanoseconds::ZERO),
                edges: Vec::new(),
                pipe: pipe(&wire.signal, protocols, chassis, capture)?,
                signal: wire.signal.clone(),
                channel: channels[index].name.as_str().into(),
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
        })
    }

    /// Takes changes in order of time; appends events that are settled, in order of time.
    ///
    /// # Errors
    /// `Input` when the text on every UART channel is of no known chassis and there is no other channel. One such
    /// channel among others is told as a fault and not read further.
    pub fn push(&mut self, changes: &[Change], out: &mut Vec<Event>) -> Result<()> {
        for change in changes {
            let wire = self.of_channel.get(usize::from(change.channel)).copied().flatten();
            if let Some(wire) = wire.and_then(|wire| self.wires.get_mut(wire)) {
                wire.take(change.t, &mut self.fresh, |wire, out| wire.push(*change, out));
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
            wire.finder.finish(end, &mut wire.edges);
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
            _ => false,
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
    pub fn remarks(&self) -> Vec<String> {
        let mut remarks = Vec::new();
        for wire in &self.wires {
            if let Some(error) = &wire.failed {
                remarks.push(format!("{}: {error}", wire.channel));
                continue;
            }
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
                }
            }
        }
        remarks
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

fn names(channels: &[Channel]) -> String {
    channels.iter().map(|channel| channel.name.as_str()).collect::<Vec<_>>().join(", ")
}

fn find(channels: &[Channel], name: &str) -> Option<usize> {
    channels
        .iter()
        .position(|channel| channel.name == name)
        .or_else(|| channels.iter().position(|channel| channel.name.eq_ignore_ascii_case(name.trim())))
        .or_else(|| {
            // A dump names its signals with their scopes; the last part is enough where only one has it.
            let mut same = channels.iter().enumerate().filter(|(_, channel)| {
                channel.name.rsplit('.').next().is_some_and(|last| last.eq_ignore_ascii_case(name.trim()))
            });
            same.next().filter(|_| same.next().is_none()).map(|(index, _)| index)
        })
        .or_else(|| name.parse().ok().filter(|index| *index < channels.len()))
}

fn pipe(signal: &Signal, protocols: &Protocols, chassis: Option<&str>, capture: &Name) -> Result<Pipe> {
    Ok(match signal {
        Signal::Uart(rate) => {
            let mut text =
                TextStage::new(Arc::clone(&protocols.library), chassis, Arc::clone(capture), false)?;
            text.keep_reports();
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
                    .remedy("name the chassis with --chassis; its protocol file holds the ladder"));
            };
            let chassis = protocols.library.chassis(name)?;
            Pipe::Keypad(Box::new(KeypadLine::new(&chassis, line, Arc::clone(capture))?))
        }
    })
}

impl Wired {
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
        if let Err(error) = work(self, out) {
            let mut event = Event::new(t, ControlPath::System, EventKind::Fault);
            event.note = Some(format!("this channel is not read further: {}", error.what()).into());
            out.push(event);
            self.failed = Some(error);
        }
        for event in &mut out[from..] {
            event.channel = Some(Arc::clone(&self.channel));
        }
    }

    fn push(&mut self, change: Change, out: &mut Vec<Event>) -> Result<()> {
        if let Pipe::Keypad(line) = &mut self.pipe {
            line.push(change, out);
            return Ok(());
        }
        self.finder.push(change, &mut self.edges);
        self.drain(out)
    }

    fn drain(&mut self, out: &mut Vec<Event>) -> Result<()> {
        for edge in self.edges.drain(..) {
            match &mut self.pipe {
                Pipe::Uart(pipe) => pipe.push(edge, out)?,
                Pipe::Infrared { line, pulses, decoder } => {
                    line.push(edge, pulses);
                    for pulse in pulses.drain(..) {
                        decoder.push(pulse, out);
                    }
                }
                Pipe::Cec(decoder) => decoder.push(edge, out),
                // Volts, not edges: taken before.
                Pipe::Keypad(_) => {}
            }
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

struct UartPipe {
    receiver: Receiver,
    characters: Vec<Character>,
    text: TextStage,
    capture: Name,
    line: Vec<u8>,
    /// Time and place of the first character of the line, and the last one's.
    first: Option<(Nanoseconds, u64)>,
    last: Option<(Nanoseconds, u64)>,
    /// A run of faulty characters with the same fault.
    faulty: Option<(Nanoseconds, u64, &'static str, u64)>,
    faults: u64,
    total: u64,
}

impl UartPipe {
    fn new(rate: Option<f64>, text: TextStage, capture: Name) -> Self {
        Self {
            // Who names a rate means 8N1, the trade's default: a faulty stop bit must stay a fault and not
            // become the ninth data bit of a framing that would explain it. Without a rate all is found.
            receiver: Receiver::new(UartSpec {
                rate_hz: rate,
                framing: rate.map(|_| Framing::default()),
                inverted: None,
            }),
            characters: Vec::new(),
            text,
            capture,
            line: Vec::new(),
            first: None,
            last: None,
            faulty: None,
            faults: 0,
            total: 0,
        }
    }

    fn push(&mut self, edge: Edge, out: &mut Vec<Event>) -> Result<()> {
        self.receiver.push(edge, &mut self.characters);
        self.take(out)
    }

    fn take(&mut self, out: &mut Vec<Event>) -> Result<()> {
        let mut characters = std::mem::take(&mut self.characters);
        for character in characters.drain(..) {
            self.character(&character, out)?;
        }
        self.characters = characters;
        Ok(())
    }

    fn character(&mut self, character: &Character, out: &mut Vec<Event>) -> Result<()> {
        self.total += 1;
        if self.last.is_some_and(|(t, _)| character.t - t > LINE_PAUSE) {
            self.hand_on(out)?;
        }
        match character.fault {
            Some(fault) => {
                self.faults += 1;
                match &mut self.faulty {
                    Some((_, _, same, count)) if *same == fault => *count += 1,
                    _ => {
                        self.end_faults(out);
                        self.faulty = Some((character.t, character.offset, fault, 1));
                    }
                }
            }
            None => self.end_faults(out),
        }
        let place = (character.t, character.offset);
        self.first.get_or_insert(place);
        self.last = Some(place);
        // A faulty character stays in its line: the line is damaged there, not shorter.
        let byte = if character.fault.is_some() { 0xff } else { (character.value & 0xff) as u8 };
        self.line.push(byte);
        if byte == b'\n' || self.line.len() >= LONGEST_PIECE {
            self.hand_on(out)?;
        }
        Ok(())
    }

    fn end_faults(&mut self, out: &mut Vec<Event>) {
        if let Some((t, offset, fault, count)) = self.faulty.take() {
            let mut event = Event::new(t, ControlPath::System, EventKind::Fault);
            event.note = Some(if count == 1 {
                Name::from(fault)
            } else {
                format!("{fault}, {count} characters in a row").into()
            });
            event.capture = Some(Arc::clone(&self.capture));
            event.offset = Some(offset);
            event.decoder = Some("uart".into());
            out.push(event);
        }
    }

    /// Hands the line on; its events stand where its characters stand in the capture.
    fn hand_on(&mut self, out: &mut Vec<Event>) -> Result<()> {
        let (Some((t, offset)), Some((_, last))) = (self.first.take(), self.last.take()) else {
            return Ok(());
        };
        let from = out.len();
        self.text.push(Some(t), offset, &self.line, out)?;
        self.line.clear();
        for event in out.iter_mut().skip(from).filter(|event| event.t >= t) {
            event.offset = Some(offset);
            event.length = u32::try_from(last.saturating_sub(offset)).ok();
        }
        Ok(())
    }

    fn finish(&mut self, end: Nanoseconds, out: &mut Vec<Event>) -> Result<()> {
        self.receiver.finish(end, &mut self.characters);
        self.take(out)?;
        self.end_faults(out);
        self.hand_on(out)?;
        self.text.finish(out)
    }

    fn remark(&self, channel: &str) -> String {
        match self.receiver.found() {
            Some(found) => format!(
                "{channel}: uart at {:.0} baud{}, {}{}, certainty {:.0} %; {} characters, {} faulty",
                found.usual_hz.unwrap_or(found.rate_hz),
                if found.usual_hz.is_some() { "" } else { " (no usual rate)" },
                found.framing,
                if found.inverted { ", inverted" } else { "" },
                100.0 * found.certainty,
                self.total,
                self.faults
            ),
            None => format!("{channel}: no UART characters could be read from this channel"),
        }
    }
}
