//! The ledger of one capture, built while its records and events come. Memory is bounded; nothing here reads a clock.

use std::collections::BTreeMap;
use std::sync::Arc;

use crate::analysis::ledger::cadence::{Cadence, Reporter};
use crate::analysis::ledger::unreadable::Windows;
use crate::analysis::ledger::{Blind, Intervals, Ledger, PathId, Prompted, StateLevels};
use crate::analysis::level::Excursions;
use crate::analysis::power::Power;
use crate::base::{ControlPath, Event, EventKind, Key, Name, Nanoseconds, Span};
use crate::decode::chassis::Chassis;
use crate::decode::report::{LineState, Report, Reported};
use crate::source::{Mark, What};
use crate::timeline::{Signal, Unseen, UnseenWire, Watch};

/// An answer to a prompt is waited for so long: 60 s. A rule of our own.
pub const PATIENCE: Nanoseconds = Nanoseconds(60_000_000_000);
/// Hands count as on until so long after a release.
const HANDS_LEAVE: Nanoseconds = Nanoseconds::SECOND;
/// So many intervals in which anything came are kept: they tell only why a path was not observed.
const MOST_HEARD: usize = 2000;
/// Most paths of a capture.
const MOST_PATHS: usize = 64;
/// A recording that runs has a record every ten seconds at least, and is late by less than one.
const LONGEST_PAUSE: Nanoseconds = Nanoseconds::from_millis(11_000);
/// Pauses in what came at all that are no pause: half a second.
pub(super) const HEARD: Nanoseconds = Nanoseconds::from_millis(500);

/// What a chassis file says of one keypad line.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Expected {
    /// Name.
    pub line: String,
    /// Time between two readings, seconds, where the set prints at a fixed rate.
    pub period_s: Option<f64>,
    /// The set prints readings only while a key is down.
    pub silent: bool,
    /// Equal readings in a row that make a key.
    pub debounce: u32,
}

#[derive(Clone, Debug, Default)]
pub(super) struct Path {
    pub(super) reporter: Reporter,
    pub(super) first: Option<Nanoseconds>,
    pub(super) last: Option<Nanoseconds>,
    /// Reports only while a key is down, so silence says nothing.
    pub(super) by_events: bool,
    pub(super) debounce: u32,
    pub(super) events: u64,
    pub(super) down: Option<Nanoseconds>,
    pub(super) held: Vec<Span>,
    /// When its probe was not on the line.
    pub(super) away: Vec<Span>,
    pub(super) levels: BTreeMap<LineState, StateLevels>,
    pub(super) excursions: Excursions,
    /// Nothing on it could be seen, for this reason.
    pub(super) unseen: Option<Lasting>,
    /// What is kept as sums.
    pub(super) past: Option<Past>,
}

/// The older part of a path, of which only sums are kept.
#[derive(Clone, Debug)]
pub(super) struct Past {
    /// It ends here.
    pub(super) until: Nanoseconds,
    pub(super) observed: Nanoseconds,
    /// What of it waits for a sign of life.
    pub(super) pending: Nanoseconds,
    /// Held within what was observed.
    pub(super) held: Nanoseconds,
    /// Why the rest was not observed, for the most part.
    pub(super) why: Option<Blind>,
}

impl Path {
    fn sign(&mut self, t: Nanoseconds) {
        // Time between two signs is observed.
        if let Some(past) = &mut self.past {
            past.observed = past.observed + std::mem::take(&mut past.pending);
        }
        self.first.get_or_insert(t);
        self.last = Some(self.last.map_or(t, |last| last.max(t)));
    }

    pub(super) fn cadence(&self) -> Option<Cadence> {
        if self.by_events { None } else { self.reporter.cadence() }
    }
}

/// A reason that lasts until something ends it.
#[derive(Clone, Debug)]
pub(super) struct Lasting {
    pub(super) from: Nanoseconds,
    pub(super) why: Blind,
}

/// Builds the ledger of one capture.
#[derive(Clone, Debug, Default)]
pub struct Builder {
    expected: Vec<Expected>,
    known: BTreeMap<PathId, Cadence>,
    pub(super) paths: BTreeMap<PathId, Path>,
    pub(super) troubles: Vec<(Span, Blind)>,
    /// Until the port is back.
    pub(super) gone: Option<Lasting>,
    /// When the port was gone before.
    gaps: Vec<Span>,
    /// Until the next bytes.
    pub(super) hole: Option<Lasting>,
    pub(super) asleep: Option<Nanoseconds>,
    pub(super) prompts: Vec<Prompted>,
    /// Prompts that are not due yet, the next one last.
    queued: Vec<(Nanoseconds, Key)>,
    pub(super) windows: Windows,
    pub(super) heard: Vec<Span>,
    planned_s: Option<f64>,
    /// How long the set had been on at time zero.
    age: Option<Nanoseconds>,
    /// The same as the technician says.
    told_age: Option<Nanoseconds>,
    /// The last time that anything came.
    heard_at: Nanoseconds,
    /// The last record of the journal.
    recorded: Option<Nanoseconds>,
    now: Nanoseconds,
}

impl Builder {
    /// For one capture. `known` are the cadences that earlier captures of the job have taught.
    pub fn new(known: BTreeMap<PathId, Cadence>) -> Self {
        Self { known, ..Self::default() }
    }

    /// Takes what the chassis file says of the keypad lines.
    pub fn expect(&mut self, lines: Vec<Expected>) {
        for line in lines {
            self.path(&PathId::line(line.line.as_str()));
            let id = PathId::line(line.line.as_str());
            if let Some(path) = self.paths.get_mut(&id) {
                path.reporter = Reporter::new(line.period_s, self.known.get(&id).copied(), false);
                path.by_events = line.silent;
                path.debounce = line.debounce.max(1);
            }
            self.expected.push(line);
        }
    }

    fn path(&mut self, id: &PathId) -> Option<&mut Path> {
        if !self.paths.contains_key(id) {
            if self.paths.len() >= MOST_PATHS {
                return None;
            }
            let polls = id.path == ControlPath::Cec;
            let reporter = Reporter::new(None, self.known.get(id).copied(), polls);
            let path = Path { reporter, debounce: 1, ..Path::default() };
            self.paths.insert(id.clone(), path);
        }
        self.paths.get_mut(id)
    }

    fn hear(&mut self, t: Nanoseconds) {
        self.heard_at = self.heard_at.max(t);
        self.now = self.now.max(t);
        if let Some(hole) = self.hole.take() {
            self.trouble(Span { start: hole.from, end: t.max(hole.from) }, hole.why);
        }
        match self.heard.last_mut() {
            Some(run) if t - run.end <= HEARD => run.end = run.end.max(t),
            _ => self.heard.push(Span { start: t, end: t }),
        }
        if self.heard.len() > 2 * MOST_HEARD {
            self.heard.drain(..MOST_HEARD);
        }
        self.fold();
    }

    fn trouble(&mut self, span: Span, why: Blind) {
        self.troubles.push((span, why));
    }

    /// A mark at `t` says why there was no record up to then: the program ran.
    fn is_explained(&mut self, t: Nanoseconds) {
        let inferred = |(span, why): &mut (Span, Blind)| span.end == t && *why == Blind::ProcessStopped;
        self.troubles.pop_if(inferred);
    }

    fn happened(&mut self, mark: &Mark) {
        let blind = |why| mark.span().map(|span| (span, why));
        match &mark.what {
            What::PortGone => {
                self.gone.get_or_insert(Lasting { from: mark.t, why: Blind::PortGone });
            }
            What::PortBack { .. } => {
                if let Some(gone) = self.gone.take() {
                    let gap = Span { start: gone.from, end: mark.t.max(gone.from) };
                    self.gaps.push(gap);
                    self.trouble(gap, gone.why);
                }
            }
            What::BytesLost { bytes } => {
                let from = self.heard_at.min(mark.t);
                self.hole.get_or_insert(Lasting { from, why: Blind::BytesLost { bytes: Some(*bytes) } });
            }
            What::NotRecorded { bytes, .. } => {
                self.is_explained(mark.t);
                let span = mark.span().unwrap_or(Span { start: mark.t, end: mark.t });
                let start = span.start.min(self.heard_at);
                self.trouble(Span { start, end: span.end }, Blind::NotRecorded { bytes: *bytes });
                self.hole
                    .get_or_insert(Lasting { from: span.end, why: Blind::NotRecorded { bytes: *bytes } });
            }
            What::Overrun { .. } => self.troubles.extend(blind(Blind::BytesLost { bytes: None })),
            What::Stopped { .. } => self.troubles.extend(blind(Blind::ProcessStopped)),
            What::Slept { .. } => {
                self.is_explained(mark.t);
                self.troubles.extend(blind(Blind::Slept));
            }
            What::Removed { .. } | What::Damaged { .. } => {
                self.hole.get_or_insert(Lasting { from: self.heard_at.min(mark.t), why: Blind::Removed });
            }
            What::ClockBack { .. } => {
                self.hole.get_or_insert(Lasting { from: self.heard_at, why: Blind::NoTime });
            }
            What::SwitchedOn { ns } => self.told_age = Some(Nanoseconds(*ns) - mark.t),
            What::Planned { ns } => self.planned_s = Some(Nanoseconds(*ns).seconds()),
            What::Command { .. } | What::Remark { .. } => {}
        }
        self.now = self.now.max(mark.t);
    }

    fn met(&mut self, report: &Report) {
        self.hear(report.t);
        match &report.what {
            Reported::Reading { line, counts, state } => {
                self.ask_due(report.t);
                let hands = self.hands_are_on(report.t);
                let id = PathId { path: ControlPath::Keypad, line: Some(Name::clone(line)) };
                if let Some(path) = self.path(&id) {
                    path.reporter.push(report.t, *counts);
                    path.sign(report.t);
                    path.levels.entry(*state).or_default().push(*counts);
                    path.excursions.push(report.t, *counts, *state == LineState::Rest);
                    path.excursions.asked(hands);
                }
            }
            Reported::Same { line } => {
                let id = PathId { path: ControlPath::Keypad, line: Some(Name::clone(line)) };
                if let Some(path) = self.path(&id) {
                    path.reporter.hold(report.t);
                    path.excursions.same();
                    path.sign(report.t);
                }
            }
            Reported::Away { line } => {
                let id = PathId { path: ControlPath::Keypad, line: Some(Name::clone(line)) };
                if let Some(path) = self.path(&id) {
                    let from = path.last.unwrap_or(report.t);
                    match path.away.last_mut() {
                        Some(away) if away.end >= from => away.end = report.t,
                        _ => path.away.push(Span { start: from, end: report.t }),
                    }
                }
            }
            Reported::Uptime(uptime) => {
                self.age.get_or_insert(*uptime - report.t);
            }
            Reported::Good | Reported::Foreign => self.windows.push(report.t, false),
            Reported::Bad => self.windows.push(report.t, true),
        }
    }

    /// Says which keys will be asked for, and when, in any order.
    pub fn expect_prompts(&mut self, prompts: impl IntoIterator<Item = (Nanoseconds, Key)>) {
        self.queued.extend(prompts);
        self.queued.sort_by_key(|(t, key)| (std::cmp::Reverse(*t), key.code()));
    }

    fn ask_due(&mut self, now: Nanoseconds) {
        while let Some((t, key)) = self.queued.pop_if(|(t, _)| *t <= now) {
            self.prompt(t, key);
        }
    }

    /// A key is asked for.
    pub fn prompt(&mut self, t: Nanoseconds, key: Key) {
        if let Some(last) = self.prompts.last_mut() {
            last.until = last.until.min(t);
        }
        self.prompts.push(Prompted { t, key, answered: None, until: t + PATIENCE });
    }

    /// Whether an event that was taken answers a prompt: such an input is nobody's stray.
    pub fn is_answer(&self, event: &Event) -> bool {
        self.prompts.iter().any(|asked| asked.is_answered_by(event))
    }

    /// Takes a decoded event. Gives whether it answers a prompt: such an input is nobody's stray.
    pub fn take(&mut self, event: &Event) -> bool {
        self.ask_due(event.t);
        self.now = self.now.max(event.t);
        match Power::of(event) {
            Some(Power::Standby) => {
                self.asleep.get_or_insert(event.t);
            }
            Some(_) => {
                let slept = self.asleep.take().map(|from| Span { start: from, end: event.t });
                slept.into_iter().for_each(|span| self.trouble(span, Blind::Standby));
            }
            None => {}
        }
        if event.path == ControlPath::System || matches!(event.kind, EventKind::Noise | EventKind::Fault) {
            return false;
        }
        let answer = self.answers(event);
        let Some(path) = self.path(&PathId::of(event)).filter(|_| event.kind != EventKind::Reading) else {
            return answer;
        };
        // A release by time-out came from no record of the set, so it is no sign of life.
        if event.kind != EventKind::Release || event.offset.is_some() {
            path.sign(event.t);
        }
        match event.kind {
            EventKind::Frame if event.path == ControlPath::Cec && event.opcode.is_none() => {
                path.reporter.push(event.t, 0);
            }
            EventKind::Press | EventKind::Repeat | EventKind::Change => path.events += 1,
            _ => {}
        }
        if event.kind == EventKind::Press {
            path.excursions.press(answer);
        }
        match event.kind {
            EventKind::Press | EventKind::Repeat if !answer => {
                path.down.get_or_insert(event.t);
            }
            EventKind::Release => {
                if let Some(start) = path.down.take() {
                    path.held.push(Span { start, end: event.t.max(start) });
                }
            }
            _ => {}
        }
        answer
    }

    fn answers(&mut self, event: &Event) -> bool {
        let Some(asked) = self.prompts.last_mut() else { return false };
        let fits = asked.is_answered_by(event);
        if fits && event.comes_in() {
            asked.answered.get_or_insert_with(|| PathId::of(event));
            asked.until = match event.kind {
                EventKind::Press => event.t + PATIENCE,
                _ => event.t + HANDS_LEAVE,
            };
        }
        fits
    }

    /// Now, on the capture clock: nothing came up to then.
    pub fn tick(&mut self, now: Nanoseconds) {
        self.now = self.now.max(now);
    }

    /// The last prompt, while it waits for its answer.
    pub fn open_prompt(&self) -> Option<&Prompted> {
        self.prompts.last().filter(|asked| asked.answered.is_none() && self.now < asked.until)
    }

    /// How long up to `now` hands were on, or the port was gone: that is no time of a soak.
    pub fn paused(&self, now: Nanoseconds) -> Nanoseconds {
        let hands = self.prompts.iter().map(|asked| Span { start: asked.t, end: asked.until.min(now) });
        let gone = self.gone_since().map(|from| Span { start: from, end: now.max(from) });
        hands.chain(self.gaps.iter().copied()).chain(gone).collect::<Intervals>().length()
    }

    /// Since when the port is gone; nothing while it is there.
    pub fn gone_since(&self) -> Option<Nanoseconds> {
        self.gone.as_ref().map(|gone| gone.from)
    }

    /// Whether hands are on at this instant.
    pub fn hands_are_on(&self, now: Nanoseconds) -> bool {
        self.prompts.last().is_some_and(|asked| now < asked.until)
    }

    /// Whether a path gave a sign of life at or after `since`.
    pub fn signed(&self, id: &PathId, since: Nanoseconds) -> bool {
        self.paths.get(id).and_then(|path| path.last).is_some_and(|last| last >= since)
    }

    /// Whether time on this path waits for a sign of life.
    pub fn is_pending(&self, id: &PathId, span: Span) -> bool {
        let Some(path) = self.paths.get(id) else { return true };
        path.cadence().is_none() && path.last.is_none_or(|last| last < span.end)
    }

    /// The ledger as it stands. `span` is the capture's; `None` when nothing tells the time.
    pub fn ledger(&self, span: Option<Span>) -> Ledger {
        let paths = |span| self.paths.iter().map(|(id, path)| self.path_ledger(id, path, span)).collect();
        Ledger {
            span,
            paths: span.map_or_else(Vec::new, paths),
            prompts: self.prompts.clone(),
            heard: self.heard.last().map(|run| run.end),
            planned_s: self.planned_s,
            // A clock that the set prints is surer than a memory.
            age: self.age.or(self.told_age),
        }
    }
}

impl Watch for Builder {
    fn chassis(&mut self, chassis: &Arc<Chassis>) {
        let line = |(_, windows): (&Name, &Arc<crate::decode::ladder::Windows>)| {
            let line = windows.line();
            Expected {
                line: line.name.clone(),
                period_s: line.period_s,
                silent: line.silent_s.is_some(),
                debounce: line.debounce.unwrap_or(1),
            }
        };
        if chassis.prints_readings() {
            self.expect(chassis.lines().map(line).collect());
        }
    }

    /// A sound recording has a record every ten seconds at least.
    fn record(&mut self, t: Nanoseconds) {
        let last = self.recorded.replace(t).unwrap_or_default();
        // A piece that is not there tells why there is no record.
        if t - last > LONGEST_PAUSE && self.hole.is_none() {
            self.trouble(Span { start: last, end: t }, Blind::ProcessStopped);
        }
    }

    fn bytes(&mut self, t: Option<Nanoseconds>) {
        self.hear(t.unwrap_or(self.heard_at));
    }

    fn mark(&mut self, mark: &Mark) {
        self.happened(mark);
    }

    fn report(&mut self, report: &Report) {
        self.met(report);
    }

    fn event(&mut self, event: &Event) {
        self.take(event);
    }

    fn unseen(&mut self, wire: &UnseenWire) {
        let id = match &wire.signal {
            Signal::Infrared => PathId::whole(ControlPath::Infrared),
            Signal::Cec => PathId::whole(ControlPath::Cec),
            Signal::Keypad(line) => PathId::line(line.as_str()),
            Signal::Uart(_) => return,
        };
        let why = match wire.why {
            Unseen::NoCrossing { low, high } => Blind::NoCrossing { low, high },
            Unseen::TooCoarse { sample_s, shortest_s } => Blind::TooCoarse { sample_s, shortest_s },
            // A wire at rest, or not connected: a sign of life would tell.
            Unseen::Flat { .. } | Unseen::NoSample => Blind::NoSign { last: None },
        };
        let lasting = Lasting { from: Nanoseconds(i64::MIN / 2), why };
        if let Some(path) = self.path(&id) {
            path.unseen = Some(lasting);
        }
    }

    fn end(&mut self, _span: Option<Span>) {
        self.ask_due(Nanoseconds(i64::MAX));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(t: f64, what: What) -> Mark {
        Mark { t: Nanoseconds::from_seconds(t), what }
    }

    fn span(start: f64, end: f64) -> Span {
        Span { start: Nanoseconds::from_seconds(start), end: Nanoseconds::from_seconds(end) }
    }

    /// The kernel withholds for a second what follows the overruns that it notes.
    #[test]
    fn where_the_adapter_lost_bytes_nothing_is_observed() {
        let mut builder = Builder::default();
        builder.mark(&at(10.0, What::Overrun { times: 2, from: Nanoseconds::from_seconds(9.0).0 }));
        assert_eq!(builder.troubles, [(span(9.0, 11.0), Blind::BytesLost { bytes: None })]);
    }
}
