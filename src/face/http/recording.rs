//! A capture that runs on a port: bytes to the journal and to events, events to subscribers, the soak's verdict.

use std::sync::Arc;
use std::time::{Duration, Instant};

use serde::Serialize;

use crate::base::{Anchor, Event, Kind, Name, Nanoseconds};
use crate::bench::{KeyRun, KeyState, SoakRun, Turn};
use crate::face::http::app::AppState;
use crate::face::http::clock::JobClock;
use crate::face::http::error::{Answer, ApiError};
use crate::face::http::jobs::Held;
use crate::face::http::port::Begin;
use crate::face::http::provoking::{ProvokeOrder, Provoking};
use crate::face::http::types::{
    EventsMessage, LaneEvent, LiveProvoke, LiveSoak, PortLevel, PortState, round,
};
use crate::face::http::watching::Watching;
use crate::journal::RecordingState;
use crate::source::serial::{Console, Nudge, PortSpec, SerialPort};
use crate::source::{ByteSource, Mark, What};
use crate::timeline::Watch;
use crate::timeline::job::{CaptureOptions, Hands, Prompt};
use crate::timeline::live::{Progress, Session};

/// Nothing for so long: the port is silent.
const SILENT: Nanoseconds = Nanoseconds(10_000_000_000);
/// Verdicts of a quiet soak are reported so often at most.
const SOAK_EVERY: Duration = Duration::from_millis(250);
/// A port's state is reported so often while bytes flow.
const PORT_EVERY: Duration = Duration::from_secs(1);
/// A key of a key check is waited for so long, seconds; the analysis counts an answer within ten.
const PATIENCE_S: f64 = 10.0;
/// Most events in one message.
const MOST_EVENTS: usize = 512;

struct Running {
    run: SoakRun,
    reported: Instant,
}

/// A capture that runs.
pub(super) struct Recording {
    session: Session,
    console: Console,
    nudge: Nudge,
    held: Held,
    capture: Name,
    stage: usize,
    base_s: f64,
    hands: Hands,
    anchor: Anchor,
    soak: Option<Running>,
    check: Option<KeyRun>,
    provoke: Option<Provoking>,
    events: Vec<Event>,
    marks: Vec<Mark>,
    seen: u64,
    gaps: u64,
    gone: bool,
    trouble: Option<String>,
    lost_by_port: u64,
    rate: Rate,
    reported: Instant,
    /// Bytes read, and those of them that were safe.
    reported_bytes: (u64, u64),
    level: PortLevel,
}

/// Who looks at what comes.
fn watching<'a>(
    soak: &'a mut Option<Running>,
    provoke: &'a mut Option<Provoking>,
    marks: &'a mut Vec<Mark>,
) -> Watching<'a> {
    let run: Option<&mut dyn Watch> = match soak {
        Some(running) => Some(&mut running.run),
        None => provoke.as_mut().map(Provoking::watch),
    };
    Watching { run, marks }
}

/// Bytes a second over the last seconds.
struct Rate {
    at: Instant,
    bytes: u64,
    per_s: f64,
}

impl Recording {
    /// Opens the port and begins the capture.
    pub(super) fn begin(
        begin: &Begin,
        spec: &PortSpec,
        chassis: Option<&str>,
        bench: &AppState,
    ) -> Answer<Self> {
        let entry = bench.jobs.find(&begin.job)?;
        let held = entry.hold()?;
        let protocols = bench.protocols();
        entry.with(|job| {
            if job.closed().is_some() {
                return Err(ApiError::conflict("the job is closed; nothing can be added"));
            }
            if job.cautions_read().is_none() {
                return Err(ApiError::conflict("the cautions of this job have not been read")
                    .help("read them, and confirm them"));
            }
            Ok(())
        })?;
        // Before the port is opened: what it says meanwhile would have to wait.
        let loaded = entry.loaded(&protocols)?;
        let prepare =
            |plan| Answer::Ok(Running { run: SoakRun::prepare(&loaded, plan)?, reported: Instant::now() });
        let mut soak = begin.soak.map(prepare).transpose()?;
        let clock = JobClock::of(&loaded.job, |capture| loaded.span(capture));
        drop(loaded);
        let port = SerialPort::open(spec)?;
        let (console, nudge) = (port.console(), port.nudge());
        let anchor = port.anchor().unwrap_or_else(Anchor::now);
        let options = CaptureOptions {
            name: Some(begin.word.to_owned()),
            hands: begin.hands,
            ..CaptureOptions::default()
        };
        let words = spec.words();
        let origin = serde_json::to_value(spec).unwrap_or_default();
        let (recorder, own, stage, base_s, provoke) = entry.with(|job| {
            let own =
                begin.chassis.as_deref().or(chassis).or(job.info().chassis.as_deref()).map(str::to_owned);
            let recorder = job.begin_capture_in(&bench.group, &options, &words, &origin, anchor)?;
            let now = JobClock::of(job, |capture| clock.find(&capture.name).map(|placed| placed.span));
            let placed = now.find(recorder.name());
            let plan = begin.provoke.as_ref();
            let provoke = plan.map(|plan| Provoking::begin(plan, recorder.name(), job)).transpose()?;
            Ok((
                recorder,
                own,
                job.stages().len(),
                placed.map_or_else(|| clock.end_s(), |placed| placed.base_s),
                provoke,
            ))
        })?;
        let capture = Name::from(recorder.name());
        let mut session = Session::new(Box::new(port), Some(recorder), &protocols, own.as_deref())?;
        let mut events = Vec::new();
        if let Some(running) = &mut soak {
            running.run.announce(&mut session, &mut events)?;
        }
        let mut check = begin.check.clone().map(|keys| KeyRun::new(keys, PATIENCE_S));
        let known = check.as_mut().zip(own.as_deref());
        let trouble = known.and_then(|(check, name)| check.chassis(name, &protocols).err());
        bench.job_changed(&entry);
        let now = Instant::now();
        Ok(Self {
            session,
            console,
            nudge,
            held,
            capture,
            stage,
            base_s: round(base_s),
            hands: begin.hands,
            anchor,
            soak,
            check,
            provoke,
            events,
            marks: Vec::new(),
            seen: 0,
            gaps: 0,
            gone: false,
            trouble: trouble.map(|error| error.sentence()),
            lost_by_port: 0,
            rate: Rate { at: now, bytes: 0, per_s: 0.0 },
            reported: now,
            reported_bytes: (0, 0),
            level: PortLevel::Open,
        })
    }

    /// The way to end its wait for bytes.
    pub(super) fn nudge(&self) -> Nudge {
        self.nudge.clone()
    }

    /// Name of the job.
    pub(super) fn job(&self) -> &Arc<str> {
        &self.held.entry().name
    }

    /// Name of the capture.
    pub(super) fn capture(&self) -> &str {
        &self.capture
    }

    /// Whether hands are on the set.
    pub(super) fn hands(&self) -> Hands {
        self.hands
    }

    /// Now on the capture's clock.
    pub(super) fn now(&self) -> Nanoseconds {
        self.session.now()
    }

    /// One pull; `false` when the capture is to be ended.
    pub(super) fn pull(&mut self, port: &str, bench: &AppState) -> Answer<bool> {
        let mut watching = watching(&mut self.soak, &mut self.provoke, &mut self.marks);
        let going = match self.session.step(&mut watching, &mut self.events) {
            Ok(Progress::Going(_)) => true,
            Ok(Progress::Ended) => false,
            // The bytes are recorded all the same; they mean nothing to us.
            Err(error) if error.kind() == Kind::Input => {
                tracing::warn!(port, job = %self.job(), "{}", error.sentence());
                self.trouble = Some(error.sentence());
                true
            }
            Err(error) => return Err(error.into()),
        };
        self.take(port, bench);
        Ok(going && !self.is_enough())
    }

    /// Looks at the events of a pull and tells them.
    fn take(&mut self, port: &str, bench: &AppState) {
        for mark in self.marks.drain(..) {
            match mark.what {
                What::PortGone => {
                    (self.gone, self.gaps) = (true, self.gaps + 1);
                    tracing::warn!(port, job = %self.held.entry().name, "the port is gone; looking for it again");
                }
                What::PortBack { .. } => {
                    self.gone = false;
                    tracing::info!(port, job = %self.held.entry().name, "{}", mark.what);
                }
                What::BytesLost { bytes } => self.lost_by_port += bytes,
                What::Overrun { .. } => {
                    tracing::warn!(port, job = %self.held.entry().name, "{}", mark.what);
                }
                _ => {}
            }
        }
        self.seen += self.events.len() as u64;
        self.send_events(port, bench);
        self.send_soak(port, bench);
        self.ask(port, bench);
        self.go_on(port, bench);
        self.events.clear();
    }

    fn send_events(&self, port: &str, bench: &AppState) {
        let given = |event: &Event| {
            self.hands == Hands::On && self.provoke.is_none()
                || self.soak.as_ref().is_some_and(|soak| soak.run.is_answer(event))
        };
        let job = self.job();
        for events in self.events.chunks(MOST_EVENTS) {
            let message = EventsMessage {
                job,
                port,
                capture: &self.capture,
                stage: self.stage,
                base_s: self.base_s,
                events: events
                    .iter()
                    .map(|event| LaneEvent::new(event, self.base_s, given(event), &self.capture))
                    .collect(),
            };
            bench.replay.send("events", Some(Arc::clone(job)), &message);
        }
    }

    fn send_soak(&mut self, port: &str, bench: &AppState) {
        let now = self.session.now();
        let Some(running) = &mut self.soak else { return };
        if self.events.is_empty() && running.reported.elapsed() < SOAK_EVERY {
            return;
        }
        running.run.tick(now);
        let asked = running.run.proceed();
        if !running.run.has_news() && asked.is_none() && running.reported.elapsed() < SOAK_EVERY {
            return;
        }
        running.reported = Instant::now();
        let job = Arc::clone(self.job());
        if let Some(asked) = asked {
            self.prompted(port, Prompt { t: now, key: asked.key });
        }
        if let Some(soak) = self.soak() {
            send(port, bench, &job, "soak", &soak);
        }
    }

    /// Goes on with the key check, and tells what it asks for.
    fn ask(&mut self, port: &str, bench: &AppState) {
        let (now, heard) = (self.session.now(), self.session.last_byte().is_some());
        let Some(check) = &mut self.check else { return };
        let before = KeyState { left_s: None, ..check.state() };
        if let Some(choice) = self.session.choice().filter(|_| check.is_waiting_for_chassis())
            && let Err(error) = check.chassis(&choice.name, &bench.protocols())
        {
            self.trouble = Some(error.sentence());
        }
        let turn = check.step(now, &self.events, heard);
        let state = check.state();
        if let Turn::Ask(key) = turn {
            // On the record before it is shown, so that no answer comes before its question.
            self.prompted(port, Prompt { t: now, key });
        }
        if before != (KeyState { left_s: None, ..state.clone() }) {
            send(port, bench, self.job(), "check", &state);
        }
    }

    fn prompted(&self, port: &str, prompt: Prompt) {
        if let Err(why) = self.held.entry().with(|job| Ok(job.add_prompt(&self.capture, prompt)?)) {
            tracing::error!(port, job = %self.job(), "a prompt could not be noted: {}", why.what());
        }
    }

    /// Goes on with the provocation, and tells what it asks for.
    fn go_on(&mut self, port: &str, bench: &AppState) {
        let now = self.session.now();
        let Some(provoke) = &mut self.provoke else { return };
        match provoke.step(now, self.gone, self.held.entry()) {
            Ok(false) => {}
            Ok(true) => send(port, bench, self.job(), "provoke", &self.provoked()),
            Err(why) => {
                tracing::error!(port, job = %self.job(), "a block could not be noted: {}", why.what());
                self.trouble = Some(why.what().to_owned());
            }
        }
    }

    fn provoked(&self) -> Option<LiveProvoke> {
        self.provoke.as_ref().map(Provoking::live)
    }

    /// Tells the provocation that runs what the technician says.
    pub(super) fn tell(&mut self, order: &ProvokeOrder, port: &str, bench: &AppState) -> Answer<LiveProvoke> {
        let now = self.session.now();
        let provoke = self.provoke.as_mut().filter(|provoke| !provoke.is_over());
        let provoke = provoke.ok_or_else(|| ApiError::conflict("no provocation runs on this port"))?;
        provoke.tell(now, order, self.held.entry())?;
        let live = provoke.live();
        if !matches!(order, ProvokeOrder::Look) {
            send(port, bench, self.job(), "provoke", &live);
        }
        Ok(live)
    }

    /// Whether a provocation runs, which makes way for nothing.
    pub(super) fn is_provoking(&self) -> bool {
        self.provoke.is_some()
    }

    /// Goes on without an answer; `false` when no key check runs.
    pub(super) fn skip(&mut self) -> bool {
        self.check.iter_mut().for_each(KeyRun::skip);
        self.check.is_some()
    }

    /// The soak as it stands.
    pub(super) fn soak(&self) -> Option<LiveSoak> {
        self.soak.as_ref().map(|running| LiveSoak::of(&running.run))
    }

    fn is_enough(&self) -> bool {
        self.soak.as_ref().is_some_and(|running| running.run.is_over())
            || self.check.as_ref().is_some_and(|check| check.state().over)
            || self.provoke.as_ref().is_some_and(Provoking::is_over)
    }

    /// Writes to the set; what is written is a remark in the recording before it is sent.
    pub(super) fn send(&mut self, text: &[u8], port: &str, bench: &AppState) -> Answer<usize> {
        let shown = String::from_utf8_lossy(text);
        let what = What::Command { text: crate::face::out::safe(shown.trim_end()).to_string() };
        tracing::warn!(port, job = %self.job(), "{what}");
        self.mark(what)?;
        let sent = self.console.send(text);
        if let Err(error) = &sent {
            self.mark(What::remark(format!("the command failed: {}", error.what())))?;
        }
        self.take(port, bench);
        Ok(sent?)
    }

    fn mark(&mut self, what: What) -> Answer<()> {
        let mut watching = watching(&mut self.soak, &mut self.provoke, &mut self.marks);
        Ok(self.session.mark(what, &mut watching, &mut self.events)?)
    }

    /// Fills in what the port's state says; `true` when it is to be reported.
    pub(super) fn show(&mut self, state: &mut PortState) -> bool {
        let elapsed = self.rate.at.elapsed();
        if elapsed >= PORT_EVERY {
            let bytes = self.session.bytes();
            #[allow(clippy::cast_precision_loss)]
            let per_s = (bytes - self.rate.bytes) as f64 / elapsed.as_secs_f64();
            self.rate = Rate { at: Instant::now(), bytes, per_s: (per_s * 10.0).round() / 10.0 };
        }
        let now = self.session.now();
        let last = self.session.last_byte();
        let written = self.session.recorder().map(crate::timeline::job::CaptureWriter::recording_state);
        let stopped = match written {
            Some(RecordingState::Stopped { why, .. }) => Some(why),
            _ => None,
        };
        let silent = now - last.unwrap_or_default() > SILENT;
        let (level, why) = match (&stopped, self.gone, silent) {
            (Some(why), _, _) => {
                (PortLevel::Failed, Some(format!("the disk does not take the recording: {why}")))
            }
            (_, true, _) => (PortLevel::Gone, Some("unplugged; it is looked for again and again".to_owned())),
            (_, _, true) => {
                (PortLevel::Silent, Some("no byte for ten seconds: a silent port is no quiet set".to_owned()))
            }
            _ => (PortLevel::Open, self.trouble.clone()),
        };
        let choice = self.session.choice();
        let changed = state.state != level
            || state.why != why
            || state.capture.as_deref() != Some(&*self.capture)
            || state.chassis.as_deref()
                != choice.map(|choice| choice.name.as_str()).or(state.chassis.as_deref())
            || self.level != level;
        self.level = level;
        (state.state, state.why) = (level, why);
        state.job = Some(self.job().to_string());
        state.capture = Some(self.capture.to_string());
        state.stage = Some(self.stage);
        state.hands = Some(if self.hands == Hands::Off { "off" } else { "on" });
        if let Some(choice) = choice {
            state.chassis = Some(choice.name.clone());
            state.recognised = (!choice.given).then(|| choice.because.clone());
        }
        state.bytes = self.session.bytes();
        state.safe_bytes = self.session.recorder().map_or(0, |recorder| recorder.acknowledged().captured);
        state.events = self.seen;
        state.bytes_per_s = self.rate.per_s;
        state.last_byte_s_ago = last.map(|last| round((now - last).seconds().max(0.0)));
        let lost = self.session.recorder().map_or(0, crate::timeline::job::CaptureWriter::lost);
        state.lost_bytes = self.lost_by_port + lost;
        state.gaps = self.gaps;
        state.since = self.anchor.wall(Nanoseconds::ZERO);
        state.soak = self.soak();
        state.check = self.check.as_ref().map(KeyRun::state);
        state.provoke = self.provoke.as_ref().map(Provoking::now);
        let bytes = (state.bytes, state.safe_bytes);
        let flowing = bytes != self.reported_bytes && self.reported.elapsed() >= PORT_EVERY;
        if changed || flowing {
            (self.reported, self.reported_bytes) = (Instant::now(), bytes);
        }
        changed || flowing
    }

    /// Ends the capture in good order; gives the soak that it was, as it stood at the end.
    pub(super) fn end(mut self, port: &str, bench: &AppState) -> (Option<LiveSoak>, Answer<()>) {
        let before = self.session.now();
        let mut last = Vec::new();
        let mut watching = watching(&mut self.soak, &mut self.provoke, &mut self.marks);
        let ended = self.session.finish(&mut watching, &mut last).map_err(ApiError::from);
        let end = ended.as_ref().map_or(before, |(end, _)| *end);
        let soak = self.soak.as_mut().map(|Running { run, .. }| {
            run.tick(end);
            LiveSoak::of(run)
        });
        let job = &self.held.entry().name;
        if let Some(soak) = &soak {
            send(port, bench, job, "soak", soak);
        }
        if let Some(provoke) = &mut self.provoke {
            provoke.end(end);
            send(port, bench, job, "provoke", &provoke.live());
        }
        let entry = Arc::clone(self.held.entry());
        let done = ended.and_then(|(_, recorder)| match recorder {
            Some(recorder) => entry.with(|job| Ok(job.end_capture(recorder).map(|_| ())?)),
            None => Ok(()),
        });
        drop(self.held);
        bench.job_changed(&entry);
        match &done {
            Ok(()) => tracing::info!(port, job = %entry.name, capture = %self.capture, "capture ended"),
            Err(why) => {
                tracing::error!(port, job = %entry.name, capture = %self.capture, "capture ended badly: {}", why.what());
            }
        }
        (soak, done)
    }
}

/// Tells subscribers how what runs stands.
fn send(port: &str, bench: &AppState, job: &Arc<str>, what: &'static str, state: &impl Serialize) {
    let message = serde_json::json!({ "job": &**job, "port": port, what: state });
    bench.replay.send(what, Some(Arc::clone(job)), &message);
}
