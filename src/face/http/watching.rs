//! What the recording of a port hears while it runs.

use std::sync::Arc;

use crate::base::{Event, Nanoseconds};
use crate::bench::SoakRun;
use crate::decode::chassis::Chassis;
use crate::decode::report::Report;
use crate::source::Mark;
use crate::timeline::Watch;

/// What one pull says beside its events: to the soak, and marks for the port's state.
pub(super) struct Watching<'a> {
    pub(super) soak: Option<&'a mut SoakRun>,
    pub(super) marks: &'a mut Vec<Mark>,
}

impl Watch for Watching<'_> {
    fn chassis(&mut self, chassis: &Arc<Chassis>) {
        self.soak.iter_mut().for_each(|soak| soak.chassis(chassis));
    }

    fn record(&mut self, t: Nanoseconds) {
        self.soak.iter_mut().for_each(|soak| soak.record(t));
    }

    fn bytes(&mut self, t: Option<Nanoseconds>) {
        self.soak.iter_mut().for_each(|soak| soak.bytes(t));
    }

    fn mark(&mut self, mark: &Mark) {
        self.marks.push(mark.clone());
        self.soak.iter_mut().for_each(|soak| soak.mark(mark));
    }

    fn report(&mut self, report: &Report) {
        self.soak.iter_mut().for_each(|soak| soak.report(report));
    }

    fn event(&mut self, event: &Event) {
        self.soak.iter_mut().for_each(|soak| soak.event(event));
    }
}
