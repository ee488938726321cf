//! What a decoder of a set's debug bytes is, for dialects that no protocol file can describe.
//!
//! A protocol file describes records one by one. A set whose records lean on earlier ones (differences, compressed or
//! scrambled text) needs a program. Such a decoder stands behind a chassis file, which keeps the identity, the ladder
//! and the menu: [`Chassis::decoded_by`] joins the two, and from there on captures, jobs and findings take its events
//! as any others. `protocols/OWN_DECODER.md` walks through a complete one.

use std::sync::Arc;

use crate::base::{Event, Name, Nanoseconds};
use crate::decode::Counters;
use crate::decode::chassis::Chassis;
use crate::decode::report::{self, Report};
use crate::decode::set_clock::TimeBasis;
use crate::decode::text::TextDecoder;

/// Bytes of one capture to events.
///
/// A pure function of its bytes: the same bytes give the same events on any chunking, no clock is read and no file
/// opened. Events leave in time order, each with `capture`, `offset` and `length` of the raw bytes it came from.
/// Memory does not grow with the capture.
pub trait Decoder: Send {
    /// Takes bytes as they come. `arrival` is when the first byte came, on the capture's clock, where that is known;
    /// `offset` is its place in the raw capture. Appends events to `out`.
    fn push(&mut self, arrival: Option<Nanoseconds>, offset: u64, bytes: &[u8], out: &mut Vec<Event>);

    /// Tells a live decoder the time, on the capture's clock.
    fn tick(&mut self, now: Nanoseconds, out: &mut Vec<Event>);

    /// Nothing more will come.
    fn finish(&mut self, out: &mut Vec<Event>);

    /// What became of the records so far.
    fn counters(&self) -> Counters;

    /// What the events' times rest on.
    fn time_basis(&self) -> TimeBasis;

    /// Time of the last record on the capture's clock; zero before the first.
    fn now(&self) -> Nanoseconds;

    /// Appends what was met since the last call, before anything was thinned; `fresh` are the events since then. The
    /// ledger of evidence is made from it. A decoder that keeps no such account lets its events speak.
    fn reports(&mut self, fresh: &[Event], out: &mut Vec<Report>) {
        report::of_events(fresh, out);
    }

    /// Asks for reports from now on; without, none are kept.
    fn keep_reports(&mut self) {}
}

/// Makes a decoder for one capture, whose name the events carry.
pub type Begin = fn(&Arc<Chassis>, Name) -> Box<dyn Decoder>;

impl Decoder for TextDecoder {
    fn push(&mut self, arrival: Option<Nanoseconds>, offset: u64, bytes: &[u8], out: &mut Vec<Event>) {
        Self::push(self, arrival, offset, bytes, out);
    }

    fn tick(&mut self, now: Nanoseconds, out: &mut Vec<Event>) {
        Self::tick(self, now, out);
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

impl Chassis {
    /// Has the bytes of this chassis decoded by a program instead of by the records of its file. Such a chassis is
    /// not recognised from a capture; it is named.
    pub fn decoded_by(mut self, begin: Begin) -> Self {
        self.own = Some(begin);
        self
    }

    /// A decoder for one capture: by the program behind the file where there is one, else by the file's records.
    pub fn begin(self: &Arc<Self>, capture: Name) -> Box<dyn Decoder> {
        match self.own {
            Some(begin) => begin(self, capture),
            None => Box::new(TextDecoder::new(Arc::clone(self), capture)),
        }
    }
}
