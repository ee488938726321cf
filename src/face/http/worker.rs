//! The thread of one port: it owns the port and what is recorded from it. It sleeps while nothing runs.

use std::sync::mpsc::{Receiver, RecvTimeoutError};
use std::sync::{Arc, Weak};
use std::time::{Duration, Instant};

use crate::base::Cause;
use crate::face::http::app::AppState;
use crate::face::http::config::PortConfig;
use crate::face::http::error::{Answer, ApiError};
use crate::face::http::port::{Begin, Order, Port, Reply};
use crate::face::http::recording::Recording;
use crate::face::http::types::{LiveSoak, PortLevel, PortState};
use crate::source::serial::{self, Try};
use crate::timeline::job::Hands;

/// A port that is not there is looked for so often.
const RETRY: Duration = Duration::from_secs(1);

enum Doing {
    Nothing,
    /// The port is not there yet, or the job is not free.
    Waiting(Begin, Instant),
    Recording(Box<Recording>),
}

/// The thread's own.
pub(super) struct Worker {
    port: Weak<Port>,
    bench: Arc<AppState>,
    orders: Receiver<Order>,
    config: PortConfig,
    state: PortState,
    doing: Doing,
    stop: bool,
}

impl Worker {
    pub(super) fn new(port: Weak<Port>, bench: Arc<AppState>, orders: Receiver<Order>) -> Self {
        let (config, state) = match port.upgrade() {
            Some(port) => (port.config(), port.state()),
            // The handle is gone before the thread began: the first order fails and ends it.
            None => (empty(), PortState::default()),
        };
        let mut worker = Self { port, bench, orders, config, state, doing: Doing::Nothing, stop: false };
        if let Some(job) = worker.config.job.clone() {
            let begin =
                Begin { job, word: "watch", hands: worker.config.hands, patient: true, ..Begin::default() };
            worker.doing = Doing::Waiting(begin, Instant::now());
        }
        worker
    }

    pub(super) fn run(mut self) {
        while !self.stop {
            match &mut self.doing {
                Doing::Nothing => match self.orders.recv() {
                    Ok(order) => self.take(order),
                    Err(_) => break,
                },
                Doing::Waiting(_, next) => {
                    let wait = next.saturating_duration_since(Instant::now());
                    match self.orders.recv_timeout(wait) {
                        Ok(order) => self.take(order),
                        Err(RecvTimeoutError::Timeout) => self.try_again(),
                        Err(RecvTimeoutError::Disconnected) => break,
                    }
                }
                Doing::Recording(recording) => {
                    let going = recording.pull(&self.config.name, &self.bench);
                    match going {
                        Ok(true) => {
                            if recording.show(&mut self.state) {
                                self.tell();
                            } else {
                                self.keep();
                            }
                        }
                        Ok(false) => {
                            let _ = self.end(PortLevel::Off, None);
                        }
                        Err(why) => {
                            let _ = self.end(PortLevel::Failed, Some(why.what().to_owned()));
                        }
                    }
                    while let Ok(order) = self.orders.try_recv() {
                        self.take(order);
                    }
                }
            }
        }
        if matches!(self.doing, Doing::Recording(_)) {
            let _ = self.end(PortLevel::Off, Some("the daemon is being stopped".to_owned()));
        }
    }

    fn take(&mut self, order: Order) {
        match order {
            Order::Begin(begin, reply) => {
                let answer = self.begin(begin);
                let _ = reply.send(answer);
            }
            Order::End(capture, reply) => self.end_asked(capture.as_deref(), reply),
            Order::Find(time, reply) => {
                let answer = self.find(time);
                let _ = reply.send(answer);
            }
            Order::Send(text, reply) => {
                let answer = match &mut self.doing {
                    Doing::Recording(recording) => recording.send(&text, &self.config.name, &self.bench),
                    _ => Err(ApiError::conflict("nothing is recorded from this port")
                        .help("open it into a job first: what is written to a set is recorded")),
                };
                let _ = reply.send(answer);
            }
            Order::Now(reply) => {
                let answer = match &self.doing {
                    Doing::Recording(recording) => {
                        Ok((recording.job().to_string(), recording.capture().to_owned(), recording.now()))
                    }
                    _ => Err(ApiError::conflict("nothing is recorded from this port")),
                };
                let _ = reply.send(answer);
            }
            Order::Skip(reply) => {
                let skipped = match &mut self.doing {
                    Doing::Recording(recording) => recording.skip(),
                    _ => false,
                };
                let answer =
                    if skipped { Ok(()) } else { Err(ApiError::conflict("no key check runs on this port")) };
                let _ = reply.send(answer);
            }
            Order::Provoke(order, reply) => {
                let answer = match &mut self.doing {
                    Doing::Recording(recording) => recording.tell(&order, &self.config.name, &self.bench),
                    _ => Err(ApiError::conflict("no provocation runs on this port")),
                };
                let _ = reply.send(answer);
            }
            Order::Settings(config) => {
                // A recording goes on as it is; the next one takes the new settings.
                self.config = config;
                if !matches!(self.doing, Doing::Recording(_)) {
                    self.settle(PortLevel::Off, None);
                }
            }
            Order::Stop => self.stop = true,
        }
    }

    fn end_asked(&mut self, capture: Option<&str>, reply: Reply<Option<LiveSoak>>) {
        let answer = match &self.doing {
            Doing::Recording(recording) if capture.is_some_and(|capture| capture != recording.capture()) => {
                Err(ApiError::conflict("another capture is recorded from this port"))
            }
            Doing::Recording(_) => self.end(PortLevel::Off, None),
            Doing::Waiting(..) if capture.is_none() => {
                self.doing = Doing::Nothing;
                self.settle(PortLevel::Off, None);
                Ok(None)
            }
            // What is named has ended by itself.
            Doing::Waiting(..) | Doing::Nothing => Ok(None),
        };
        let _ = reply.send(answer);
    }

    fn begin(&mut self, begin: Begin) -> Answer<PortState> {
        if let Doing::Recording(recording) = &self.doing {
            let makes_way = (begin.soak.is_some() || begin.check.is_some() || begin.provoke.is_some())
                && recording.hands() == Hands::On
                && !recording.is_provoking()
                && **recording.job() == *begin.job;
            if !makes_way {
                return Err(ApiError::conflict(format!(
                    "{} is being recorded from this port in the job {}",
                    recording.capture(),
                    recording.job()
                ))
                .help("end that first"));
            }
            self.end(PortLevel::Off, None)?;
        }
        match self.open(&begin) {
            Ok(()) => Ok(self.state.clone()),
            Err(why) if begin.patient => {
                self.wait(begin, &why);
                Ok(self.state.clone())
            }
            Err(why) => {
                self.doing = Doing::Nothing;
                let level = level_of(&why);
                self.settle(level, Some(why.what().to_owned()));
                Err(why)
            }
        }
    }

    fn open(&mut self, begin: &Begin) -> Answer<()> {
        let spec = self.config.spec()?;
        let recording = Recording::begin(begin, &spec, self.config.chassis.as_deref(), &self.bench)?;
        tracing::info!(port = %self.config.name, job = %begin.job, capture = recording.capture(), "capture begun");
        if let Some(port) = self.port.upgrade() {
            port.set_nudge(recording.nudge());
        }
        self.state = self.blank();
        self.doing = Doing::Recording(Box::new(recording));
        if let Doing::Recording(recording) = &mut self.doing {
            recording.show(&mut self.state);
        }
        self.tell();
        Ok(())
    }

    fn wait(&mut self, begin: Begin, why: &ApiError) {
        let first = !matches!(self.doing, Doing::Waiting(..)) || self.state.state == PortLevel::Off;
        if first {
            tracing::warn!(port = %self.config.name, job = %begin.job, "waits: {}", why.what());
        }
        let level = level_of(why);
        if self.state.state != level || self.state.why.as_deref() != Some(why.what()) {
            self.state = self.blank();
            (self.state.state, self.state.why) = (level, Some(why.what().to_owned()));
            self.state.job = Some(begin.job.clone());
            self.tell();
        }
        self.doing = Doing::Waiting(begin, Instant::now() + RETRY);
    }

    fn try_again(&mut self) {
        let Doing::Waiting(begin, _) = &self.doing else { return };
        let begin = begin.clone();
        if let Err(why) = self.open(&begin) {
            self.wait(begin, &why);
        }
    }

    /// Ends what is recorded.
    fn end(&mut self, level: PortLevel, why: Option<String>) -> Answer<Option<LiveSoak>> {
        let Doing::Recording(recording) = std::mem::replace(&mut self.doing, Doing::Nothing) else {
            return Ok(None);
        };
        let (soak, done) = recording.end(&self.config.name, &self.bench);
        let (level, why) = match &done {
            Err(error) => (PortLevel::Failed, Some(error.what().to_owned())),
            Ok(()) => (level, why),
        };
        self.settle(level, why);
        // What a program asked for last is what it wants to know: the soak stays to be seen until the next begins.
        self.state.soak = soak.clone();
        self.keep();
        done.map(|()| soak)
    }

    fn find(&mut self, time: Duration) -> Answer<Vec<Try>> {
        if !matches!(self.doing, Doing::Nothing) {
            return Err(ApiError::conflict("rates are tried only while nothing is recorded from this port"));
        }
        let spec = self.config.spec()?;
        let protocols = self.bench.protocols();
        let judge = |bytes: &[u8]| protocols.library.recognise(bytes).choice;
        Ok(serial::find(&spec, time, &judge)?)
    }

    fn blank(&self) -> PortState {
        PortState {
            name: self.config.name.clone(),
            device: self.config.binding.to_string(),
            baud: self.config.baud,
            framing: self.config.framing.clone(),
            chassis: self.config.chassis.clone(),
            ..PortState::default()
        }
    }

    fn settle(&mut self, level: PortLevel, why: Option<String>) {
        self.state = self.blank();
        (self.state.state, self.state.why) = (level, why);
        self.tell();
    }

    fn keep(&self) {
        if let Some(port) = self.port.upgrade() {
            port.set_state(self.state.clone());
        }
    }

    fn tell(&self) {
        self.keep();
        self.bench.replay.send("port", None, &self.state);
    }
}

fn empty() -> PortConfig {
    PortConfig {
        name: String::new(),
        binding: serial::Binding::Device(std::path::PathBuf::new()),
        baud: 115_200,
        framing: "8N1".to_owned(),
        chassis: None,
        job: None,
        hands: Hands::On,
    }
}

/// What a failed opening makes of the port.
fn level_of(why: &ApiError) -> PortLevel {
    match why.cause() {
        Some(Cause::PortAbsent) => PortLevel::Gone,
        Some(Cause::PortBusy) => PortLevel::Busy,
        _ => PortLevel::Failed,
    }
}
