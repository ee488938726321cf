//! `watch` and `soak`: live captures.

use std::io::IsTerminal;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use super::load::{Loaded, duration};
use super::status::{SoakLook, Status, WatchLook};
use super::{job, line, table, through};
use crate::analysis::Observation;
use crate::analysis::soak::{Soak, SoakState};
use crate::base::words::plural;
use crate::base::{Anchor, Error, Event, Nanoseconds, Result, write_event};
use crate::face::cli::args;
use crate::face::http::client::Client;
use crate::face::out::{Out, Outcome};
use crate::source::ByteSource;
use crate::source::serial::{PortSpec, SerialPort};
use crate::timeline::Protocols;
use crate::timeline::job::{CaptureOptions, Hands, Job, StepKind};
use crate::timeline::live::{Progress, Session};

/// Set by Ctrl-C and by a request to end.
pub(super) struct Stop(Arc<AtomicBool>);

impl Stop {
    /// Listens for Ctrl-C and for the request to end, on a thread of its own.
    pub(super) fn listen() -> Self {
        let flag = Arc::new(AtomicBool::new(false));
        let set = Arc::clone(&flag);
        let _ = std::thread::Builder::new().name("signals".to_owned()).spawn(move || {
            let Ok(runtime) = tokio::runtime::Builder::new_current_thread().enable_all().build() else {
                return;
            };
            runtime.block_on(async {
                use tokio::signal::unix::{SignalKind, signal};
                let Ok(mut end) = signal(SignalKind::terminate()) else { return };
                loop {
                    tokio::select! {
                        _ = tokio::signal::ctrl_c() => {}
                        _ = end.recv() => {}
                    }
                    if set.swap(true, Ordering::SeqCst) {
                        // Asked twice: do not wait for a port or a disk that hangs.
                        std::process::exit(130);
                    }
                }
            });
        });
        Self(flag)
    }

    pub(super) fn asked(&self) -> bool {
        self.0.load(Ordering::SeqCst)
    }
}

pub(super) fn open(port: &args::Port) -> Result<(SerialPort, PortSpec)> {
    let spec = PortSpec::new(&port.port, port.baud).framing(&port.framing)?;
    Ok((SerialPort::open(&spec)?, spec))
}

pub(super) fn words(spec: &PortSpec) -> String {
    format!("{} at {} baud {}", spec.path.display(), spec.baud, spec.framing_text())
}

/// Begins a live capture in a job.
pub(super) fn begin(
    job: &mut Job,
    source: &dyn ByteSource,
    spec: &PortSpec,
    name: &str,
    hands: Hands,
) -> Result<crate::timeline::job::CaptureWriter> {
    let options = CaptureOptions { name: Some(name.to_owned()), hands, ..CaptureOptions::default() };
    let origin = serde_json::to_value(spec).unwrap_or_default();
    let anchor = source.anchor().unwrap_or_else(Anchor::now);
    job.begin_capture(&options, &words(spec), &origin, anchor)
}

pub(super) fn watch(options: &args::Watch, protocols: &Protocols, out: &mut Out) -> Result<Outcome> {
    let mut job = options.job.as_deref().map(Job::open).transpose()?;
    match &mut job {
        Some(job) => job::cautions(job, options.cautions_read, out)?,
        None if std::io::stdin().is_terminal() => job::ask(options.cautions_read, out)?,
        None => out.note("Before you connect: mains inside, isolate, 3.3 V logic only; see straykey soak."),
    }
    let (port, spec) = open(&options.port)?;
    let port: Box<dyn ByteSource> = Box::new(port);
    let hands = if options.hands_off { Hands::Off } else { Hands::On };
    let recorder = job.as_mut().map(|job| begin(job, port.as_ref(), &spec, "watch", hands)).transpose()?;
    let chassis = options.chassis.clone().or_else(|| job.as_ref().and_then(|job| job.info().chassis.clone()));
    let mut session = Session::new(port, recorder, protocols, chassis.as_deref())?;
    let stop = Stop::listen();
    out.note(format!("Watching {}; Ctrl-C ends.", words(&spec)));
    let until = options.seconds.map(Nanoseconds::from_seconds);
    let json = out.json;
    let mut shown = Out::new(json);
    let mut display = Status::new();
    let mut look = WatchLook::default();
    let result = follow(&mut session, &stop, out, &mut |now, events, session| {
        look.take(events);
        if !events.is_empty() {
            display.aside(|| print(events, session.anchor(), &mut shown))?;
        }
        if display.is_due(now) {
            look.tick(now, session.last_byte(), session.bytes());
            display.in_place(now, &look);
        }
        Ok(until.is_some_and(|until| now >= until))
    });
    display.end();
    let ended = finish(session, job.as_mut(), out, true);
    result.and(ended)?;
    Ok(Outcome::Done)
}

/// Looks at what one pull gave; `true` ends the session.
pub(super) type Look<'a> = dyn FnMut(Nanoseconds, &[Event], &Session) -> Result<bool> + 'a;

/// Pulls, hands on to `look` and records, until the source ends, the user stops, or `look` says so.
pub(super) fn follow(session: &mut Session, stop: &Stop, out: &Out, look: &mut Look<'_>) -> Result<()> {
    let mut events = Vec::new();
    let mut recognised = session.choice().is_some();
    loop {
        let progress = session.step(&mut events)?;
        if !recognised && let Some(choice) = session.choice() {
            recognised = true;
            out.note(format!("Chassis {} recognised: {}", choice.name, choice.because));
        }
        let now = match progress {
            Progress::Going(now) => Some(now),
            Progress::Ended => None,
        };
        let enough = look(now.unwrap_or_default(), &events, session)?;
        // After showing: a slow disk must not make the display late.
        session.settle()?;
        events.clear();
        match now {
            Some(_) if stop.asked() || enough => return Ok(()),
            Some(_) => {}
            None => {
                // The ways in which a port goes are no wrong use and no bad input: the machine lost it.
                return Err(Error::machine("the port is gone").remedy(
                    "check the cable and the adapter; what was read up to now is kept where a job was given",
                ));
            }
        }
    }
}

fn print(events: &[Event], anchor: Option<Anchor>, out: &mut Out) -> Result<()> {
    for event in events {
        if out.json {
            let mut buffer = Vec::with_capacity(256);
            write_event(event, anchor, &mut buffer);
            buffer.push(b'\n');
            out.bytes(&buffer)?;
        } else if line::is_news(event) {
            out.line(line::event(event))?;
        }
    }
    if events.is_empty() { Ok(()) } else { out.flush() }
}

/// Ends a session: the last events, and the capture closed in its job.
pub(super) fn finish(session: Session, job: Option<&mut Job>, out: &mut Out, show: bool) -> Result<()> {
    if session.bytes() == 0 {
        out.note("Nothing arrived: is the set on, its ground connected, and the rate right?");
    } else if session.choice().is_none() {
        out.note("The chassis was not recognised; name it with --chassis. The raw bytes are not lost.");
    }
    let anchor = session.anchor();
    let mut events = Vec::new();
    let recorder = session.finish(&mut events)?;
    if show {
        print(&events, anchor, out)?;
    }
    if let (Some(job), Some(recorder)) = (job, recorder) {
        let kept = job.end_capture(recorder)?;
        out.note(format!(
            "Kept as {}: {} bytes, SHA-256 {}.",
            kept.name,
            kept.bytes.unwrap_or(0),
            kept.sha256.as_deref().unwrap_or("not closed")
        ));
    }
    Ok(())
}

pub(super) fn soak(options: &args::Soak, protocols: &Protocols, out: &mut Out) -> Result<Outcome> {
    if !(options.minutes > 0.0 && options.minutes < 1e6) {
        return Err(Error::usage("--minutes must be more than 0").remedy("for example --minutes 30"));
    }
    if let Some(daemon) = Client::for_job(&options.job) {
        return tell(&through::soak(&daemon, options, out)?, out).map(|()| Outcome::Done);
    }
    let mut job = Job::open(&options.job)?;
    job::cautions(&mut job, options.cautions_read, out)?;
    let (port, spec) = open(&options.port)?;
    let stop = Stop::listen();
    out.note(format!("Hands off the set and its remotes. Listening on {}; Ctrl-C ends.", words(&spec)));
    let plan = Plan {
        minutes: options.minutes,
        full: options.full,
        chassis: options.chassis.clone(),
        enough: None,
        show_events: !out.json,
    };
    let (job, state, result) = run_soak(job, Box::new(port), &spec, &plan, protocols, &stop, out)?;
    drop(job);
    tell(&state, out)?;
    result?;
    Ok(Outcome::Done)
}

/// Whether a source has given all it will give.
pub(super) type Enough = Box<dyn Fn(&Session) -> bool>;

/// How a soak is to run.
pub(super) struct Plan {
    /// Longest time, minutes on the capture clock.
    pub(super) minutes: f64,
    /// Go on even when the verdict is certain.
    pub(super) full: bool,
    /// Chassis, when it is not the job's.
    pub(super) chassis: Option<String>,
    /// Says that the source has given all it will give.
    pub(super) enough: Option<Enough>,
    /// Show each event as it comes.
    pub(super) show_events: bool,
}

/// Runs a soak in the job's present stage. The third value tells how the source ended; the capture is kept
/// and closed in every case.
#[allow(clippy::type_complexity)]
pub(super) fn run_soak(
    job: Job,
    source: Box<dyn ByteSource>,
    spec: &PortSpec,
    plan: &Plan,
    protocols: &Protocols,
    stop: &Stop,
    out: &mut Out,
) -> Result<(Job, SoakState, Result<()>)> {
    let loaded = Loaded::index(job, protocols, false)?;
    let stages = loaded.stages()?;
    let options = crate::bench::options(&stages);
    let mut job = loaded.job;
    let (present, earlier) = match stages.split_last() {
        Some((present, earlier)) => (present, earlier),
        None => return Err(Error::machine("the job has no stage").at(job.folder())),
    };
    let before: Option<Observation> =
        earlier.iter().rev().find(|stage| stage.is_watched()).map(crate::bench::StageSeen::observation);
    let repaired = present.step.as_ref().is_some_and(|step| step.kind == StepKind::Repair);
    if let Some(before) = before.as_ref().filter(|_| repaired && plan.enough.is_none()) {
        let needed = crate::analysis::compare::plan(before, &options);
        out.note(format!("Before this repair: {}", needed.advice()));
    }
    let mut soak = Soak::new(before.as_ref(), &options);
    if present.is_watched() {
        soak.resume(&present.observation());
    }
    let chassis = plan.chassis.clone().or_else(|| job.info().chassis.clone());
    let recorder = begin(&mut job, source.as_ref(), spec, "soak", Hands::Off)?;
    let mut session = Session::new(source, Some(recorder), protocols, chassis.as_deref())?;
    let limit = Nanoseconds::from_seconds(plan.minutes * 60.0);
    let mut display = Status::new();
    let mut state = soak.tick(Nanoseconds::ZERO);
    let has_before = before.is_some();
    let mut shown = Out::new(false);
    let followed = follow(&mut session, stop, out, &mut |now, events, session| {
        for event in events {
            soak.push(event);
        }
        if plan.show_events && events.iter().any(line::is_news) {
            display.aside(|| print(events, None, &mut shown))?;
        }
        if display.is_due(now) || !events.is_empty() {
            state = soak.tick(now);
            let last = session.last_byte();
            display.show(now, &SoakLook { state: &state, now, limit, last, planned: has_before });
        }
        let certain = has_before && state.done && !plan.full;
        Ok(now >= limit || certain || plan.enough.as_ref().is_some_and(|enough| enough(session)))
    });
    display.end();
    let silent = session.bytes() == 0;
    let unread = session.counters().decoded == 0
        && match session.choice() {
            Some(choice) => super::load::prints_readings(&choice.name, protocols)?,
            None => true,
        };
    finish(session, Some(&mut job), out, false)?;
    if silent && followed.is_ok() {
        return Ok((job, state, Err(silence())));
    }
    if unread && followed.is_ok() {
        return Ok((job, state, Err(unreadable())));
    }
    Ok((job, state, followed))
}

/// A port that says nothing is not a quiet set.
pub(super) fn silence() -> Error {
    Error::machine("not one byte came from the port, so nothing was observed").remedy(
        "a silent port is no quiet set: check ground, rate and whether the set is on, then soak again",
    )
}

/// Bytes that mean nothing are no quiet set either.
fn unreadable() -> Error {
    Error::machine(
        "bytes came from the port, but not one line of them could be read, so nothing was observed",
    )
    .remedy("the rate, the framing or the chassis is wrong: try straykey watch first; the raw bytes are kept")
}

/// The end of a soak, for people and programs.
fn tell(state: &SoakState, out: &mut Out) -> Result<()> {
    if out.json {
        return out.value(&serde_json::json!({ "version": 1, "soak": state }));
    }
    let text = format!(
        "Watched {}: {} in {}. Verdict: {}.",
        duration(state.elapsed_s),
        plural(state.strays, "stray"),
        plural(state.episodes, "episode"),
        state.verdict
    );
    out.line(table::wrap(&text, 2))?;
    for note in &state.notes {
        out.line(table::wrap(&format!("- {note}"), 2))?;
    }
    Ok(())
}
