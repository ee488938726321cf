//! What the recording of a port hears while it runs.

use std::sync::Arc;

use crate::base::{Event, Nanoseconds};
use crate::decode::chassis::Chassis;
use crate::decode::report::Report;
use crate::source::Mark;
use crate::timeline::Watch;

/// What one pull says beside its events: to the soak or the provocation that runs, and marks for the port's state.
pub(super) struct Watching<'a> {
    pub(super) run: Option<&'a mut dyn Watch>,
    pub(super) marks: &'a mut Vec<Mark>,
}

impl Watch for Watching<'_> {
    fn looks(&self) -> bool {
        self.run.is_some()
    }

    fn chassis(&mut self, chassis: &Arc<Chassis>) {
        self.run.iter_mut().for_each(|run| run.chassis(chassis));
    }

    fn record(&mut self, t: Nanoseconds) {
        self.run.iter_mut().for_each(|run| run.record(t));
    }

    fn bytes(&mut self, t: Option<Nanoseconds>) {
        self.run.iter_mut().for_each(|run| run.bytes(t));
    }

    fn mark(&mut self, mark: &Mark) {
        self.marks.push(mark.clone());
        self.run.iter_mut().for_each(|run| run.mark(mark));
    }

    fn report(&mut self, report: &Report) {
        self.run.iter_mut().for_each(|run| run.report(report));
    }

    fn event(&mut self, event: &Event) {
        self.run.iter_mut().for_each(|run| run.event(event));
    }
}
