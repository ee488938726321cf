//! Debug output of a set to events, by a chassis file: lines, shapes and records, or binary frames.
//!
//! What enters: bytes in any pieces, each piece with its place in the raw capture and, when known, its arrival.
//! What leaves: events in time order. A line's arrival is that of the piece that brought its first byte.
//!
//! - A line ends at LF, CR or both, and at the file's `line_end`. The last line of a capture may lack its end; if its shape ends in a
//!   placeholder, its events say so in `note`, since the number or word may be cut.
//! - A line longer than the chassis allows becomes one noise event and is skipped up to its end.
//! - Control characters and terminal escape sequences are taken away when a line has no shape with them.
//! - A line that begins like a record but has not its shape is damaged: one noise event.
//! - A line of something else is counted and gives no event.
//!
//! Time, best first: arrival and uptime together (see [`SetClock`]), arrival, uptime from the first stamp on,
//! the nominal period of reading records. [`TextDecoder::time_basis`] says which.

pub(super) mod clean;
mod fields;
mod framed;
mod held;
mod names;
mod parts;
mod record;

use std::sync::Arc;

use crate::base::{ControlPath, Event, EventKind, Name, Nanoseconds};
use crate::decode::Counters;
use crate::decode::chassis::Chassis;
use crate::decode::decoder::Decoder;
use crate::decode::frame::Framer;
use crate::decode::report::{self, Report, Reported};
use crate::decode::set_clock::{SetClock, TimeBasis};
use crate::decode::shape::Scratch;
use fields::Fields;
use record::Records;

/// How long after a key's time-out a live decoder waits for lines that are still on their way.
const IN_FLIGHT: Nanoseconds = Nanoseconds(250_000_000);

/// Where a line stands in the raw capture.
#[derive(Clone, Copy, Debug)]
pub(super) struct Origin {
    pub(super) arrival: Option<Nanoseconds>,
    pub(super) offset: u64,
    pub(super) length: u32,
}

/// Decodes the debug text of one capture.
#[derive(Debug)]
pub struct TextDecoder {
    chassis: Arc<Chassis>,
    capture: Name,
    whole: Scratch,
    heads: Scratch,
    pending: Vec<u8>,
    pending_from: Option<(u64, Option<Nanoseconds>)>,
    /// Length so far of a line that is too long.
    overlong: Option<u64>,
    /// Bytes are missing before the line that is read: its start may be missing.
    headless: bool,
    cleaned: Vec<u8>,
    /// The pattern of the last record, if no other can take a line of its shape: most lines are like the last.
    likely: Option<usize>,
    /// Cuts the bytes of a set that speaks binary frames.
    framer: Option<Framer>,
    clock: SetClock,
    counters: Counters,
    records: Records,
    overlong_note: Name,
    foreign_note: Name,
}

impl TextDecoder {
    /// A decoder for one capture, whose name the events carry.
    pub fn new(chassis: Arc<Chassis>, capture: Name) -> Self {
        let longest = chassis.file.text.longest_line;
        Self {
            records: Records::new(&chassis),
            framer: chassis.frames.as_ref().map(|frames| Framer::new(frames.layout.clone())),
            chassis,
            capture,
            whole: Scratch::default(),
            heads: Scratch::default(),
            pending: Vec::new(),
            pending_from: None,
            overlong: None,
            headless: false,
            cleaned: Vec::new(),
            likely: None,
            clock: SetClock::new(),
            counters: Counters::default(),
            overlong_note: format!("a line of more than {longest} bytes").into(),
            foreign_note: "not a record, on a set that prints nothing else".into(),
        }
    }

    /// Takes bytes as they come; `offset` is where the first stands in the raw capture. Appends events to `out`.
    pub fn push(&mut self, arrival: Option<Nanoseconds>, offset: u64, bytes: &[u8], out: &mut Vec<Event>) {
        if self.framer.is_some() {
            self.push_framed(arrival, offset, bytes, out);
            return;
        }
        let chassis = Arc::clone(&self.chassis);
        let mut rest = bytes;
        let mut at = offset;
        // ASCII, as the file's check wants it.
        let own_end = chassis.file.text.line_end as u8;
        while let Some(end) = memchr::memchr3(b'\n', b'\r', own_end, rest) {
            let (line, after) = rest.split_at(end);
            if self.pending_from.is_none() {
                self.whole_line(
                    &chassis,
                    Origin { arrival, offset: at, length: length(line.len() as u64) },
                    line,
                    out,
                );
            } else {
                self.keep(arrival, at, line);
                self.end_line(&chassis, true, out);
            }
            self.headless = false;
            rest = after.get(1..).unwrap_or_default();
            at += line.len() as u64 + 1;
        }
        if !rest.is_empty() {
            self.keep(arrival, at, rest);
        }
    }

    /// Tells a live decoder the time, so that keys whose release the set never prints are released.
    ///
    /// What comes out is what decoding the same bytes from a file gives, only sooner.
    pub fn tick(&mut self, now: Nanoseconds, out: &mut Vec<Event>) {
        let first = out.len();
        let silent = self.records.expire(now - IN_FLIGHT, out);
        self.sign(first, silent, None, out);
    }

    /// Says that bytes are missing here: a line or frame that was begun is damaged, and so is the rest of a line
    /// that could be read without its start.
    pub fn cut(&mut self, out: &mut Vec<Event>) {
        if self.framer.is_some() {
            self.finish_framed(out);
            return;
        }
        self.headless = true;
        let Some((offset, arrival)) = self.pending_from.take() else { return };
        let total = self.overlong.take().unwrap_or(self.pending.len() as u64);
        self.pending.clear();
        self.counters.records += 1;
        self.counters.damaged += 1;
        let note = "bytes are missing here: the line's end".into();
        self.noise(Origin { arrival, offset, length: length(total) }, note, out);
    }

    /// Says that nothing more will come: reads a last line that lacks its end.
    ///
    /// Keys that are still down stay so; when they would go up is not known.
    pub fn finish(&mut self, out: &mut Vec<Event>) {
        if self.framer.is_some() {
            self.finish_framed(out);
        }
        if self.pending_from.is_some() {
            let chassis = Arc::clone(&self.chassis);
            self.end_line(&chassis, false, out);
        }
    }

    /// What became of the lines so far. Empty lines are not counted.
    pub fn counters(&self) -> Counters {
        self.counters
    }

    /// What the events' times rest on.
    pub fn time_basis(&self) -> TimeBasis {
        self.clock.basis()
    }

    /// The set's own uptime on the last line that carried one.
    pub fn set_time(&self) -> Option<Nanoseconds> {
        self.clock.uptime()
    }

    /// Time of the last line on the capture clock; zero before the first.
    pub fn now(&self) -> Nanoseconds {
        self.clock.now()
    }

    /// The chassis.
    pub fn chassis(&self) -> &Arc<Chassis> {
        &self.chassis
    }

    /// Bytes of an unfinished line that are held; never more than the chassis' longest line.
    pub fn held_bytes(&self) -> usize {
        self.pending.len() + self.framer.as_ref().map_or(0, Framer::held_bytes)
    }

    /// Bytes of a binary protocol that belonged to no frame.
    pub fn skipped_bytes(&self) -> u64 {
        self.framer.as_ref().map_or(0, Framer::skipped)
    }

    /// How many captured texts are kept for reuse; bounded.
    pub fn kept_names(&self) -> usize {
        self.records.kept_names()
    }

    /// Sum over the records of their shapes' fixed letters and digits, at most 8 each.
    pub(super) fn proof(&self) -> u64 {
        self.records.weight
    }

    /// Asks for reports from now on.
    pub fn keep_reports(&mut self) {
        self.records.reports.get_or_insert_default();
    }

    /// Appends what was met since the last call; nothing without [`TextDecoder::keep_reports`].
    pub fn take_reports(&mut self, out: &mut Vec<Report>) {
        if let Some(reports) = &mut self.records.reports {
            out.append(reports);
        }
    }

    #[inline]
    fn report(&mut self, t: Nanoseconds, what: Reported) {
        if let Some(reports) = &mut self.records.reports {
            reports.push(Report { t, what });
        }
    }

    fn keep(&mut self, arrival: Option<Nanoseconds>, offset: u64, bytes: &[u8]) {
        if self.pending_from.is_none() {
            self.pending_from = Some((offset, arrival));
        }
        if let Some(length) = &mut self.overlong {
            *length = length.saturating_add(bytes.len() as u64);
        } else if self.pending.len() + bytes.len() > self.chassis.file.text.longest_line {
            self.overlong = Some(self.pending.len() as u64 + bytes.len() as u64);
            self.pending.clear();
        } else {
            self.pending.extend_from_slice(bytes);
        }
    }

    fn end_line(&mut self, chassis: &Chassis, ended: bool, out: &mut Vec<Event>) {
        let Some((offset, arrival)) = self.pending_from.take() else { return };
        let line = std::mem::take(&mut self.pending);
        let total = self.overlong.take().unwrap_or(line.len() as u64);
        let origin = Origin { arrival, offset, length: length(total) };
        if total > line.len() as u64 {
            self.overlong_line(origin, out);
        } else {
            let first = out.len();
            let open = self.read_line(chassis, origin, &line, out);
            if !ended && open {
                let note: Name = "the line's end is missing: it may be cut".into();
                for event in out.get_mut(first..).unwrap_or_default() {
                    event.note.get_or_insert_with(|| note.clone());
                }
            }
        }
        self.pending = line;
        self.pending.clear();
    }

    fn whole_line(&mut self, chassis: &Chassis, origin: Origin, line: &[u8], out: &mut Vec<Event>) {
        if line.len() > self.chassis.file.text.longest_line {
            self.overlong_line(origin, out);
        } else if !line.is_empty() {
            self.read_line(chassis, origin, line, out);
        }
    }

    fn overlong_line(&mut self, origin: Origin, out: &mut Vec<Event>) {
        self.counters.records += 1;
        self.counters.damaged += 1;
        let note = self.overlong_note.clone();
        self.noise(origin, note, out);
    }

    /// Reads one line; `true` when it was a record that ends in a placeholder.
    fn read_line(&mut self, chassis: &Chassis, origin: Origin, line: &[u8], out: &mut Vec<Event>) -> bool {
        if let Some(pattern) = self.likely.and_then(|index| chassis.patterns.get(index)) {
            let mut fields = Fields::new(pattern, line);
            if fields.read_whole() {
                return self.record_of(chassis, &fields, origin, out, Ok(()));
            }
        }
        if let Some(index) = chassis.engines().whole(&mut self.whole, line) {
            return self.record(chassis, index, origin, line, out);
        }
        let mut cleaned = std::mem::take(&mut self.cleaned);
        cleaned.clear();
        let mut line = line;
        let mut found = None;
        if clean::is_needed(line) {
            clean::clean(line, chassis.file.text.strip_escapes, &mut cleaned);
            line = &cleaned;
            found = chassis.engines().whole(&mut self.whole, line);
        }
        let open = match found {
            Some(index) => self.record(chassis, index, origin, line, out),
            None => {
                self.no_record(chassis, origin, line, out);
                false
            }
        };
        self.cleaned = cleaned;
        open
    }

    fn record(
        &mut self,
        chassis: &Chassis,
        index: usize,
        origin: Origin,
        line: &[u8],
        out: &mut Vec<Event>,
    ) -> bool {
        let Some(pattern) = chassis.patterns.get(index) else { return false };
        self.likely = chassis.engines().is_certain(index).then_some(index);
        let mut fields = Fields::new(pattern, line);
        let read = fields.read();
        self.record_of(chassis, &fields, origin, out, read)
    }

    /// Takes the fields of a line, if they could be read; `true` when the line's shape ends in a placeholder.
    fn record_of(
        &mut self,
        chassis: &Chassis,
        fields: &Fields<'_>,
        origin: Origin,
        out: &mut Vec<Event>,
        read: Result<(), Name>,
    ) -> bool {
        self.counters.records += 1;
        let first = out.len();
        let headless = self.headless && !fields.pattern().shape.begins_fixed();
        let read = if headless { Err("bytes are missing here: the line's start".into()) } else { read };
        let taken =
            read.and_then(|()| self.records.apply(chassis, fields, origin.arrival, &mut self.clock, out));
        self.sign(first, self.records.silent, Some(origin), out);
        match taken {
            Ok(()) => {
                self.counters.decoded += 1;
                self.report(self.clock.now(), Reported::Good);
            }
            Err(note) => {
                self.counters.damaged += 1;
                self.noise(origin, note, out);
            }
        }
        matches!(fields.pattern().shape.parts.last(), Some(crate::decode::shape::Part::Placeholder(_)))
    }

    fn no_record(&mut self, chassis: &Chassis, origin: Origin, line: &[u8], out: &mut Vec<Event>) {
        if line.iter().all(|b| matches!(b, b' ' | b'\t')) {
            return;
        }
        self.counters.records += 1;
        let head = chassis.engines().head(&mut self.heads, line);
        let pattern = head.and_then(|index| chassis.patterns.get(index));
        if let Some(pattern) = pattern {
            self.counters.damaged += 1;
            self.noise(origin, pattern.damaged.clone(), out);
        } else if chassis.file.text.only_records {
            self.counters.damaged += 1;
            let note = self.foreign_note.clone();
            self.noise(origin, note, out);
        } else {
            self.counters.not_mine += 1;
            if self.records.reports.is_some() {
                let t = origin.arrival.unwrap_or_default().max(self.clock.now());
                self.report(t, if report::is_noise(line) { Reported::Bad } else { Reported::Foreign });
            }
        }
    }

    fn noise(&mut self, origin: Origin, note: Name, out: &mut Vec<Event>) {
        // A damaged line took its time on the wire too.
        let step = self.chassis.period.filter(|_| self.chassis.file.text.only_records);
        let placed = self.clock.place(origin.arrival, None, step, false);
        let mut event = Event::new(placed.t, ControlPath::System, EventKind::Noise);
        event.note = Some(note);
        let first = out.len();
        let silent = self.records.expire(placed.t, out);
        self.report(placed.t, Reported::Bad);
        out.push(event);
        self.sign(first, silent, Some(origin), out);
    }

    /// Adds to the events from `first` on where they came from; the first `silent` of them came from no line.
    fn sign(&self, first: usize, silent: usize, origin: Option<Origin>, out: &mut [Event]) {
        for (i, event) in out.get_mut(first..).unwrap_or_default().iter_mut().enumerate() {
            event.capture = Some(self.capture.clone());
            event.decoder = Some(self.chassis.decoder.clone());
            if let Some(origin) = origin.filter(|_| i >= silent) {
                event.offset = Some(origin.offset);
                event.length = Some(origin.length);
            }
        }
    }
}

fn length(bytes: u64) -> u32 {
    u32::try_from(bytes).unwrap_or(u32::MAX)
}

impl Decoder for TextDecoder {
    fn coarse(&mut self, quantum: Nanoseconds) {
        self.clock.coarse(quantum);
    }

    fn push(&mut self, arrival: Option<Nanoseconds>, offset: u64, bytes: &[u8], out: &mut Vec<Event>) {
        Self::push(self, arrival, offset, bytes, out);
    }

    fn tick(&mut self, now: Nanoseconds, out: &mut Vec<Event>) {
        Self::tick(self, now, out);
    }

    fn cut(&mut self, out: &mut Vec<Event>) {
        Self::cut(self, out);
    }

    fn finish(&mut self, out: &mut Vec<Event>) {
        Self::finish(self, out);
    }

    fn counters(&self) -> Counters {
        Self::counters(self)
    }

    fn time_basis(&self) -> TimeBasis {
        Self::time_basis(self)
    }

    fn now(&self) -> Nanoseconds {
        Self::now(self)
    }

    fn reports(&mut self, _fresh: &[Event], out: &mut Vec<Report>) {
        self.take_reports(out);
    }

    fn keep_reports(&mut self) {
        Self::keep_reports(self);
    }
}
