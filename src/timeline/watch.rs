//! What a decoding says beside its events: all that tells when an input would have been seen.

use std::sync::Arc;

use crate::base::{Event, Nanoseconds, Span};
use crate::decode::chassis::Chassis;
use crate::decode::report::Report;
use crate::source::Mark;
use crate::timeline::text_stage::TextStage;
use crate::timeline::unseen::UnseenWire;

/// Looks at a capture while it is decoded, live or from a file, in the same order.
pub trait Watch {
    /// Whether anybody looks: reports are made only for those who do.
    fn looks(&self) -> bool {
        true
    }
    /// The chassis is known from here on.
    fn chassis(&mut self, _chassis: &Arc<Chassis>) {}
    /// The recording has a record at this time.
    fn record(&mut self, _t: Nanoseconds) {}
    /// Bytes came; `None` when the source does not say when.
    fn bytes(&mut self, _t: Option<Nanoseconds>) {}
    /// Something happened to the capture itself.
    fn mark(&mut self, _mark: &Mark) {}
    /// A record of the set, or a reading in it, before anything is thinned.
    fn report(&mut self, _report: &Report) {}
    /// A decoded event.
    fn event(&mut self, _event: &Event) {}
    /// On this wire nothing could have been seen.
    fn unseen(&mut self, _wire: &UnseenWire) {}
    /// The capture is over.
    fn end(&mut self, _span: Option<Span>) {}
}

/// Nobody looks.
#[derive(Clone, Copy, Debug, Default)]
pub struct Unwatched;

impl Watch for Unwatched {
    fn looks(&self) -> bool {
        false
    }
}

/// Two who look at the same.
pub struct Both<'a>(pub &'a mut dyn Watch, pub &'a mut dyn Watch);

impl Both<'_> {
    fn each(&mut self, tell: &mut dyn FnMut(&mut dyn Watch)) {
        tell(self.0);
        tell(self.1);
    }
}

impl Watch for Both<'_> {
    fn looks(&self) -> bool {
        self.0.looks() || self.1.looks()
    }
    fn chassis(&mut self, chassis: &Arc<Chassis>) {
        self.each(&mut |watch| watch.chassis(chassis));
    }
    fn record(&mut self, t: Nanoseconds) {
        self.each(&mut |watch| watch.record(t));
    }
    fn bytes(&mut self, t: Option<Nanoseconds>) {
        self.each(&mut |watch| watch.bytes(t));
    }
    fn mark(&mut self, mark: &Mark) {
        self.each(&mut |watch| watch.mark(mark));
    }
    fn report(&mut self, report: &Report) {
        self.each(&mut |watch| watch.report(report));
    }
    fn event(&mut self, event: &Event) {
        self.each(&mut |watch| watch.event(event));
    }
    fn unseen(&mut self, wire: &UnseenWire) {
        self.each(&mut |watch| watch.unseen(wire));
    }
    fn end(&mut self, span: Option<Span>) {
        self.each(&mut |watch| watch.end(span));
    }
}

/// Hands on reports and events in order of time, reports first where they meet.
fn feed(watch: &mut dyn Watch, reports: &mut Vec<Report>, events: &[Event]) {
    let mut reports = reports.drain(..).peekable();
    for event in events {
        while let Some(report) = reports.next_if(|report| report.t <= event.t) {
            watch.report(&report);
        }
        watch.event(event);
    }
    reports.for_each(|report| watch.report(&report));
}

/// Joins a text stage with whoever watches it.
#[derive(Debug, Default)]
pub(super) struct Watched {
    reports: Vec<Report>,
    named: bool,
}

impl Watched {
    pub(super) fn new(stage: &mut TextStage, watch: &mut dyn Watch) -> Self {
        if watch.looks() {
            stage.keep_reports();
        }
        let mut watched = Self::default();
        watched.name(stage, watch);
        watched
    }

    fn name(&mut self, stage: &TextStage, watch: &mut dyn Watch) {
        if let Some(chassis) = stage.chassis().filter(|_| !self.named) {
            self.named = true;
            watch.chassis(chassis);
        }
    }

    pub(super) fn record(&self, t: Option<Nanoseconds>, watch: &mut dyn Watch) {
        if let Some(t) = t {
            watch.record(t);
        }
    }

    /// Hands on what one pull gave.
    pub(super) fn look(&mut self, stage: &mut TextStage, events: &[Event], watch: &mut dyn Watch) {
        if !watch.looks() {
            return;
        }
        self.name(stage, watch);
        stage.reports(events, &mut self.reports);
        feed(watch, &mut self.reports, events);
    }
}
