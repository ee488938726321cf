//! A capture file in, events out.

use std::fs::File;
use std::io::Read;
use std::path::Path;
use std::sync::Arc;

use crate::base::{Anchor, Cause, Error, Event, Kind, Name, Nanoseconds, Result, Span};
use crate::decode::Counters;
use crate::decode::set_clock::TimeBasis;
use crate::journal::{Reader, Recovered};
use crate::source::csv::{CsvOptions, CsvSource};
use crate::source::text::{Stamp, TextLog};
use crate::source::vcd::{VcdOptions, VcdSource};
use crate::source::{ByteSource, FileKind, Pulled, SampleSource, open_wired, table_channels, text_remark};
use crate::timeline::channels::MOST_NAMES;
use crate::timeline::protocols::Protocols;
use crate::timeline::text_stage::{Choice, SAMPLE, TextStage};
use crate::timeline::unseen::UnseenWire;
use crate::timeline::watch::{Unwatched, Watch, Watched};
use crate::timeline::wire::Wire;
use crate::timeline::wired::{Sampling, Wiring};

/// Takes the events one by one; an error ends the decoding.
pub type Sink<'a> = dyn FnMut(Event) -> Result<()> + 'a;

/// How a capture is to be read.
#[derive(Clone, Debug, Default)]
pub struct Options {
    /// Chassis; recognised when absent.
    pub chassis: Option<String>,
    /// Channels of a logic or analog capture.
    pub wires: Vec<Wire>,
    /// Samples a second, for tables without a time column.
    pub sample_rate_hz: Option<f64>,
    /// Threshold of analog channels in volts; found from their levels when absent.
    pub threshold: Option<f64>,
    /// Tells how far the decoding is: bytes of the capture read so far.
    pub progress: Option<Progress>,
}

/// Shared count of bytes read, for a progress display.
pub type Progress = Arc<std::sync::atomic::AtomicU64>;

/// What was read.
#[derive(Clone, Debug, PartialEq, serde::Serialize)]
pub struct Summary {
    /// Name of the capture.
    pub capture: String,
    /// Kind of file, in words.
    pub kind: &'static str,
    /// The chassis, when there was text to recognise one from.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub chassis: Option<Choice>,
    /// Records of the text.
    pub counters: Counters,
    /// Events given to the sink.
    pub events: u64,
    /// First and last instant of the capture; `None` when nothing tells the time.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub span: Option<Span>,
    /// Whether the times can be trusted for rates and periods.
    pub timed: bool,
    /// What the times rest on, in words.
    pub time_basis: &'static str,
    /// Wall time at capture time zero, RFC 3339.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub started: Option<String>,
    /// What a reader of the results should know.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub remarks: Vec<String>,
    /// Wires on which nothing could have been seen.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub unseen: Vec<UnseenWire>,
    /// The chassis that fits the beginning better than the one that was named.
    #[serde(skip)]
    pub other_chassis: Option<String>,
    /// The anchor behind `started`.
    #[serde(skip)]
    pub anchor: Option<Anchor>,
}

/// Decodes a file; `-` is standard input.
///
/// # Errors
/// `Input` for a file that is missing or cannot be understood, `Usage` for wires that do not fit, `System`
/// when reading fails. Events before the damage have been given to the sink.
pub fn decode_path(
    path: &Path,
    protocols: &Protocols,
    options: &Options,
    sink: &mut Sink<'_>,
) -> Result<Summary> {
    decode_watched(path, protocols, options, &mut Unwatched, sink)
}

/// The same under the eyes of somebody who asks when an input would have been seen.
///
/// # Errors
/// As [`decode_path`].
pub fn decode_watched(
    path: &Path,
    protocols: &Protocols,
    options: &Options,
    watch: &mut dyn Watch,
    sink: &mut Sink<'_>,
) -> Result<Summary> {
    if path.as_os_str() == "-" {
        return read(("standard input", Box::new(std::io::stdin())), protocols, options, watch, sink);
    }
    let name =
        path.file_name().map_or_else(|| path.display().to_string(), |n| n.to_string_lossy().into_owned());
    if path.is_dir() {
        let Ok(mut segments) = Reader::open(path) else {
            return Err(Error::input("this is a folder, not a capture file").at(path));
        };
        let mut summary = empty(&name, FileKind::Journal);
        journal(&mut segments, protocols, options, watch, sink, &mut summary)?;
        watch.end(summary.span);
        return Ok(summary);
    }
    let file = File::open(path).map_err(|error| Error::io("cannot open the capture", path, error))?;
    read((&name, Box::new(file)), protocols, options, watch, sink).map_err(|error| {
        if error.place().path.is_none() && error.exit_status() != 2 { error.at(path) } else { error }
    })
}

/// Decodes what a reader gives; the kind is found from its content.
///
/// # Errors
/// As [`decode_path`].
pub fn decode_reader(
    name: &str,
    reader: Box<dyn Read + Send>,
    protocols: &Protocols,
    options: &Options,
    sink: &mut Sink<'_>,
) -> Result<Summary> {
    read((name, reader), protocols, options, &mut Unwatched, sink)
}

fn read(
    (name, reader): (&str, Box<dyn Read + Send>),
    protocols: &Protocols,
    options: &Options,
    watch: &mut dyn Watch,
    sink: &mut Sink<'_>,
) -> Result<Summary> {
    let counted: Box<dyn Read + Send> = match &options.progress {
        Some(progress) => Box::new(Counted { reader, progress: Arc::clone(progress) }),
        None => reader,
    };
    let (kind, reader, head) = open_wired(counted, !options.wires.is_empty())?;
    let capture = Name::from(name);
    let mut summary = empty(name, kind);
    match kind {
        FileKind::Empty => return Err(Error::input("the capture is empty").help("was anything recorded?")),
        FileKind::Gzip => return Err(Error::input("the compressed file cannot be opened")),
        FileKind::Text => {
            let library = &protocols.library;
            let mut log =
                TextLog::fitting(reader, &mut |lines| library.fitting(options.chassis.as_deref(), lines))?;
            let stamp = log.stamp();
            text((&mut log, false), &capture, protocols, options, watch, sink, &mut summary)
                .map_err(|error| stamps_off(table_instead(error, &head, options), stamp))?;
            if summary.counters.decoded == 0 && summary.counters.records > 0 && stamp != Stamp::None {
                summary.remarks.push(format!("stamp taken off the line: {stamp}"));
            }
            let chosen = summary.chassis.as_ref().and_then(|choice| library.chassis(&choice.name).ok());
            // A set that speaks frames is not asked to look like text.
            if chosen.is_none_or(|chassis| chassis.file().frame.is_none()) {
                summary.remarks.splice(0..0, text_remark(&head));
            }
        }
        FileKind::Journal => {
            journal(&mut Reader::new(reader)?, protocols, options, watch, sink, &mut summary)?;
        }
        FileKind::Csv => {
            let mut table = CsvSource::new(reader, CsvOptions { sample_rate_hz: options.sample_rate_hz })?;
            samples(&mut table, &capture, protocols, options, watch, sink, &mut summary)?;
        }
        FileKind::Vcd => {
            let wanted = options.wires.iter().map(|wire| wire.channel.clone()).collect();
            let mut dump = VcdSource::new(reader, VcdOptions { wanted })?;
            samples(&mut dump, &capture, protocols, options, watch, sink, &mut summary)?;
        }
    }
    if let Some(days) =
        summary.span.map(|span| span.length().seconds() / 86_400.0).filter(|days| *days > LONGEST_DAYS)
    {
        summary.remarks.push(format!("it would last {days:.0} days: is the unit of its times right?"));
    }
    watch.end(summary.span);
    Ok(summary)
}

/// Text of no chassis that may be a table: which channel is which has to be said.
fn table_instead(error: Error, head: &[u8], options: &Options) -> Error {
    match table_channels(head) {
        Some(channels) if options.chassis.is_none() && error.kind() == Kind::Input => {
            Error::input("this looks like a table of samples, and no channel is named").help(if channels.is_empty() {
                "say which channel carries which signal, for example --wire A=uart".to_owned()
            } else {
                let first = channels.first().map_or("A", String::as_str);
                format!(
                    "say which channel carries which signal, for example --wire {first}=uart; the channels are {}",
                    channels.iter().take(MOST_NAMES).map(String::as_str).collect::<Vec<_>>().join(", ")
                )
            })
        }
        _ => error,
    }
}

/// Of a text of no chassis what was taken off its lines.
fn stamps_off(error: Error, stamp: Stamp) -> Error {
    if error.cause() != Some(Cause::ChassisUnknown) || stamp == Stamp::None {
        return error;
    }
    let help = error.help_text().unwrap_or_default();
    let help = format!("{help}; stamp taken off the line: {stamp}");
    error.help(help)
}

/// Days beyond which a capture's times are doubted: a soak lasts weeks at most.
const LONGEST_DAYS: f64 = 366.0;

/// Nothing read yet.
fn empty(name: &str, kind: FileKind) -> Summary {
    Summary {
        capture: name.to_owned(),
        kind: kind.words(),
        chassis: None,
        counters: Counters::default(),
        events: 0,
        span: None,
        timed: false,
        time_basis: "nothing",
        started: None,
        remarks: Vec::new(),
        unseen: Vec::new(),
        other_chassis: None,
        anchor: None,
    }
}

/// A journal: one file or a folder of segments.
fn journal(
    journal: &mut Reader,
    protocols: &Protocols,
    options: &Options,
    watch: &mut dyn Watch,
    sink: &mut Sink<'_>,
    summary: &mut Summary,
) -> Result<()> {
    let capture = Name::from(summary.capture.as_str());
    text((journal, true), &capture, protocols, options, watch, sink, summary)?;
    // A journal knows when it began and ended, even if no line of it could be read.
    summary.span = Some(Span { start: Nanoseconds::ZERO, end: journal.now() });
    summary.timed = true;
    if let Some(recovered) = journal.recovered() {
        summary.remarks.extend(remark(recovered));
    }
    Ok(())
}

/// Reads the bytes of a set; `recorded` says that the source is a journal of ours, whose records tell when it was alive.
fn text(
    (source, recorded): (&mut dyn ByteSource, bool),
    capture: &Name,
    protocols: &Protocols,
    options: &Options,
    watch: &mut dyn Watch,
    sink: &mut Sink<'_>,
    summary: &mut Summary,
) -> Result<()> {
    let library = Arc::clone(&protocols.library);
    let mut stage =
        TextStage::new(Arc::clone(&library), options.chassis.as_deref(), Arc::clone(capture), false)?;
    let quantum = source.quantum();
    stage.coarse(quantum);
    let mut watched = Watched::new(&mut stage, watch);
    let mut events = Vec::with_capacity(4096);
    // Of a chassis that was named, not recognised: what it can be checked by.
    let mut sample = Vec::new();
    loop {
        match source.pull()? {
            Pulled::Chunk(chunk) => {
                if options.chassis.is_some() && sample.len() < SAMPLE {
                    sample.extend_from_slice(chunk.bytes);
                }
                watched.record(chunk.arrival.filter(|_| recorded), watch);
                watch.bytes(chunk.arrival);
                stage.push(chunk.arrival, chunk.offset, chunk.bytes, &mut events)?;
            }
            Pulled::Mark(mark) => {
                watched.record(Some(mark.t).filter(|_| recorded), watch);
                watch.mark(&mark);
                stage.mark(mark, &mut events);
            }
            Pulled::Quiet(now) => {
                watched.record(Some(now).filter(|_| recorded), watch);
                stage.tick(now, &mut events);
            }
            Pulled::End => break,
        }
        watched.look(&mut stage, &events, watch);
        give(&mut events, sink, summary)?;
    }
    stage.finish(&mut events)?;
    watched.look(&mut stage, &events, watch);
    give(&mut events, sink, summary)?;
    summary.anchor = source.anchor();
    summary.started = summary.anchor.and_then(|anchor| anchor.wall(Nanoseconds::ZERO));
    summary.chassis = stage.choice().cloned();
    summary.counters = stage.counters();
    let known = if recorded { TimeBasis::Arrival } else { stage.time_basis() };
    basis(known, summary);
    if summary.timed && !recorded {
        summary.span = stage.now().map(|end| Span { start: Nanoseconds::ZERO, end });
    }
    let Counters { records, decoded, .. } = summary.counters;
    let name = summary.chassis.as_ref().map_or("the chassis", |choice| choice.name.as_str());
    let other = library.better(&sample, name);
    if let Some(other) = &other {
        summary.remarks.push(format!(
            "{decoded} of the {records} lines are records of {name}; {other} fits better: leave --chassis out, or name {other}"
        ));
    } else if records > 0 && decoded == 0 {
        summary.remarks.push(format!(
            "none of the {records} lines is a record of {name}: is this the right chassis? What its file lacks is shown by \
             straykey protocol check {name}.toml --capture FILE; to describe another set: straykey protocol learn FILE"
        ));
    }
    summary.other_chassis = other;
    Ok(())
}

/// What a reader should know of a journal that was not closed.
fn remark(recovered: Recovered) -> Option<String> {
    (recovered.cut > 0 || recovered.holes > 0).then(|| {
        format!(
            "the journal was not closed: {} bytes are whole, a torn tail of {} bytes was left out, {} damaged \
             stretches ({} bytes) were passed over",
            recovered.kept, recovered.cut, recovered.holes, recovered.damaged
        )
    })
}

fn basis(basis: TimeBasis, summary: &mut Summary) {
    let (timed, words) = match basis {
        TimeBasis::Arrival => (true, "arrival times of the capture"),
        TimeBasis::SetUptime => (true, "the set's own uptime stamps"),
        TimeBasis::NominalPeriod => (true, "the nominal print period of the chassis"),
        TimeBasis::None => (false, "nothing"),
    };
    summary.timed = timed;
    summary.time_basis = words;
    match basis {
        TimeBasis::NominalPeriod => summary.remarks.push(
            "the set prints no stamps: times are counted from its nominal print period, lost lines shift them"
                .to_owned(),
        ),
        TimeBasis::None if summary.counters.records > 0 => summary.remarks.push(
            "nothing tells the time in this capture: order is known, rates and periods are not; record with \
             straykey watch, or with a terminal that stamps each line"
                .to_owned(),
        ),
        _ => {}
    }
}

fn samples(
    source: &mut dyn SampleSource,
    capture: &Name,
    protocols: &Protocols,
    options: &Options,
    watch: &mut dyn Watch,
    sink: &mut Sink<'_>,
    summary: &mut Summary,
) -> Result<()> {
    let channels = source.channels().to_vec();
    #[allow(clippy::cast_possible_truncation)]
    let sampling = Sampling {
        step: source.step(),
        threshold: options.threshold.map(|volts| volts as f32),
        assumed: source.is_assumed(),
    };
    let chassis = options.chassis.as_deref();
    let mut wiring = Wiring::new(&channels, &options.wires, protocols, chassis, capture, sampling)?;
    if watch.looks() {
        wiring.keep_reports();
    }
    let mut changes = Vec::with_capacity(1 << 15);
    let mut events = Vec::with_capacity(4096);
    loop {
        changes.clear();
        let more = source.pull(&mut changes);
        wiring.push(&changes, &mut events)?;
        wiring.look(&events, watch);
        give(&mut events, sink, summary)?;
        match more {
            Ok(true) => {}
            Ok(false) => break,
            Err(error) => {
                // What came before the damage is decoded to its end, then the damage is told.
                let end = changes.last().map(|change| change.t).or(source.span().map(|span| span.end));
                wiring.finish(end.unwrap_or(Nanoseconds::ZERO), &mut events)?;
                give(&mut events, sink, summary)?;
                return Err(error);
            }
        }
    }
    summary.span = source.span();
    let end = summary.span.map_or(Nanoseconds::ZERO, |span| span.end);
    wiring.finish(end, &mut events)?;
    wiring.look(&events, watch);
    give(&mut events, sink, summary)?;
    summary.anchor = source.anchor();
    summary.started = summary.anchor.and_then(|anchor| anchor.wall(Nanoseconds::ZERO));
    summary.timed = summary.span.is_some();
    summary.time_basis = "the sample times of the capture";
    if let Some(text) = wiring.text() {
        summary.chassis = text.choice().cloned();
    }
    for counters in wiring.counters().values() {
        summary.counters.records += counters.records;
        summary.counters.decoded += counters.decoded;
        summary.counters.damaged += counters.damaged;
        summary.counters.not_mine += counters.not_mine;
    }
    summary.unseen = wiring.unseen(source.tick());
    summary.unseen.iter().for_each(|wire| watch.unseen(wire));
    summary.remarks.extend(source.remarks());
    summary.remarks.extend(wiring.remarks(source.tick()));
    Ok(())
}

fn give(events: &mut Vec<Event>, sink: &mut Sink<'_>, summary: &mut Summary) -> Result<()> {
    summary.events += events.len() as u64;
    for event in events.drain(..) {
        sink(event)?;
    }
    Ok(())
}

struct Counted {
    reader: Box<dyn Read + Send>,
    progress: Progress,
}

impl Read for Counted {
    fn read(&mut self, buffer: &mut [u8]) -> std::io::Result<usize> {
        let count = self.reader.read(buffer)?;
        self.progress.fetch_add(count as u64, std::sync::atomic::Ordering::Relaxed);
        Ok(count)
    }
}
