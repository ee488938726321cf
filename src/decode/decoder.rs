//! What a decoder of a set's debug bytes is, for dialects that no protocol file can describe.
//!
//! A protocol file describes records one by one. A set whose records lean on earlier ones (differences, compressed or
//! scrambled text) needs a program. Such a decoder stands behind a chassis file, which keeps the identity, the ladder
//! and the menu: `Chassis::decoded_by` joins the two, and from there on captures, jobs and findings take its events
//! as any others. `docs/own-decoder.md` walks through a complete one.

use crate::base::{Event, Nanoseconds};
use crate::decode::Counters;
pub use crate::decode::chassis::Begin;
use crate::decode::report::{self, Report};
use crate::decode::set_clock::TimeBasis;

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

    /// Bytes are missing between those that came and those that will: what was begun does not go on.
    fn cut(&mut self, _out: &mut Vec<Event>) {}

    /// Nothing more will come.
    fn finish(&mut self, out: &mut Vec<Event>);

    /// Arrivals are whole multiples of `quantum`, rounded down.
    fn coarse(&mut self, _quantum: Nanoseconds) {}

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
