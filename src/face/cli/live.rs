//! `watch` and `soak`: live captures.

pub(crate) use crate::face::cli::stop::Stop;
use crate::face::cli::stop::gone;
use std::io::IsTerminal;

use crate::analysis::compare::Verdict;
use crate::analysis::soak::SoakState;
use crate::base::words::plural;
use crate::base::{Anchor, Error, Event, Nanoseconds, Result, write_event};
use crate::bench::{Asked, SoakPlan, SoakRun, on_for, words};
use crate::face::cli::args;
use crate::face::cli::load::{Loaded, duration};
use crate::face::cli::status::{SoakLook, Status, WatchLook};
use crate::face::cli::{answers, daemon, job, line, table};
use crate::face::http::client::Client;
use crate::face::out::{Out, Outcome};
use crate::source::ByteSource;
use crate::source::serial::{PortSpec, SerialPort};
use crate::timeline::job::{CaptureOptions, Hands, Job, Prompt, StepKind};
use crate::timeline::live::{Adapter, Progress, Session};
use crate::timeline::{Protocols, Unwatched, Watch};

pub(super) fn open(port: &args::Port) -> Result<(SerialPort, PortSpec)> {
    let mut spec = PortSpec::new(&port.port, port.baud).framing(&port.framing)?;
    spec.reconnect = !port.no_wait;
    Ok((SerialPort::open(&spec)?, spec))
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
    job.begin_capture(&options, &spec.words(), &origin, anchor)
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
    out.note(format!("Watching {}; Ctrl-C ends.", spec.words()));
    let until = options.seconds.map(Nanoseconds::from_seconds);
    let json = out.json;
    let mut shown = Out::new(json);
    let mut display = Status::new();
    let mut look = WatchLook::default();
    let mut turns = Turns::of(&spec);
    let result = follow(&mut session, &mut Unwatched, &stop, out, &mut |now, events, session, _| {
        let now = now.unwrap_or_else(|| session.now());
        look.take(events);
        if let Some(note) = turns.take(session.adapter()) {
            display.aside(|| shown.note(note));
        }
        if !events.is_empty() {
            display.aside(|| print(events, session.anchor(), &mut shown))?;
        }
        if display.is_due(now) {
            look.tick(now, session.last_byte(), session.adapter(), session.bytes());
            display.in_place(now, &look);
        }
        Ok(until.is_some_and(|until| now >= until))
    });
    display.end();
    let ended = finish(session, &mut Unwatched, job.as_mut(), out, true);
    result.and(ended)?;
    Ok(Outcome::Done)
}

/// What is said when an adapter, or a serial server, that is waited for goes and comes back.
struct Turns {
    waits: bool,
    server: bool,
    seen: Adapter,
}

impl Turns {
    fn of(spec: &PortSpec) -> Self {
        Self { waits: spec.reconnect, server: spec.server().is_some(), seen: Adapter::Stayed }
    }

    fn take(&mut self, adapter: Adapter) -> Option<&'static str> {
        if std::mem::replace(&mut self.seen, adapter) == adapter || !self.waits {
            return None;
        }
        match (adapter, self.server) {
            (Adapter::Stayed, _) => None,
            (Adapter::Gone { .. }, true) => {
                Some("The serial server has hung up. straykey waits until it answers again. Ctrl-C ends.")
            }
            (Adapter::Gone { .. }, false) => {
                Some("The adapter is unplugged. Plug it in again; straykey waits for it. Ctrl-C ends.")
            }
            (Adapter::Back { .. }, true) => Some("The serial server is back. Going on."),
            (Adapter::Back { .. }, false) => Some("The adapter is back. Going on."),
        }
    }
}

/// Looks at what one pull gave; `true` ends the session.
pub(super) type Look<'a, W> = dyn FnMut(Option<Nanoseconds>, &[Event], &Session, &mut W) -> Result<bool> + 'a;

/// Pulls, hands on to `look` and records, until the source ends, the user stops, or `look` says so.
///
/// `look` learns the instant, or nothing when the source has ended.
pub(super) fn follow<W: Watch>(
    session: &mut Session,
    watch: &mut W,
    stop: &Stop,
    out: &Out,
    look: &mut Look<'_, W>,
) -> Result<()> {
    let mut events = Vec::new();
    let mut recognised = session.choice().is_some();
    loop {
        let progress = session.step(watch, &mut events)?;
        if !recognised && let Some(choice) = session.choice() {
            recognised = true;
            out.note(format!("Chassis {} recognised: {}", choice.name, choice.because));
        }
        let now = match progress {
            Progress::Going(now) => Some(now),
            Progress::Ended => None,
        };
        let enough = look(now, &events, session, watch)?;
        // After showing: a slow disk must not make the display late.
        session.settle()?;
        events.clear();
        match now {
            Some(_) if stop.asked() || enough => return Ok(()),
            Some(_) => {}
            None => {
                return Err(gone());
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

/// Ends a session: the last events, and the capture closed in its job. Gives the end on the capture clock.
pub(super) fn finish(
    session: Session,
    watch: &mut dyn Watch,
    job: Option<&mut Job>,
    out: &mut Out,
    show: bool,
) -> Result<Nanoseconds> {
    if session.bytes() == 0 && session.adapter() == Adapter::Stayed {
        out.note("Nothing arrived: is the set on, its ground connected, and the rate right?");
    } else if session.bytes() > 0 && session.choice().is_none() {
        out.note("The chassis was not recognised; name it with --chassis. The raw bytes are not lost.");
    }
    let anchor = session.anchor();
    let mut events = Vec::new();
    let (end, recorder) = session.finish(watch, &mut events)?;
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
    Ok(end)
}

pub(super) fn soak(options: &args::Soak, protocols: &Protocols, out: &mut Out) -> Result<Outcome> {
    if !(options.minutes > 0.0 && options.minutes < 1e6) {
        return Err(Error::usage("--minutes must be more than 0").help("for example --minutes 30"));
    }
    let on_for = on_for(options.on_for)?;
    if let Some(daemon) = Client::for_job(&options.job) {
        let (soak, ended) = daemon::soak(&daemon, options, out)?;
        tell_value(&soak, out)?;
        return ended.map(|()| Outcome::Done);
    }
    let mut job = Job::open(&options.job)?;
    job::cautions(&mut job, options.cautions_read, out)?;
    let (port, spec) = open(&options.port)?;
    let stop = Stop::listen();
    out.note(format!("Hands off the set and its remotes. Listening on {}; Ctrl-C ends.", spec.words()));
    let plan = Plan {
        soak: SoakPlan {
            seconds: options.minutes * 60.0,
            full: options.full,
            attended: !options.unattended,
            on_for,
        },
        chassis: options.chassis.clone(),
        hand: None,
        show_events: !out.json,
    };
    let (job, state, result) = run_soak(job, Box::new(port), &spec, &plan, protocols, &stop, out)?;
    drop(job);
    tell(&state, out)?;
    result?;
    Ok(Outcome::Done)
}

/// Whoever presses the key that is asked for.
pub(super) type Hand = Box<dyn Fn(&Asked)>;

/// How a soak is to run.
pub(super) struct Plan {
    /// How long, on the capture clock, and what is known of the set.
    pub(super) soak: SoakPlan,
    /// Chassis, when it is not the job's.
    pub(super) chassis: Option<String>,
    /// Presses the keys that are asked for, where nobody reads them.
    pub(super) hand: Option<Hand>,
    /// Show each event as it comes.
    pub(super) show_events: bool,
}

/// Runs a soak in the job's present stage. The third value says how the source ended; the capture is kept
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
    let mut run = SoakRun::prepare(&loaded, plan.soak)?;
    let present = loaded.job.stages().last();
    let repaired =
        present.and_then(|stage| stage.step.as_ref()).is_some_and(|step| step.kind == StepKind::Repair);
    if repaired
        && plan.hand.is_none()
        && let Some((_, needed)) = crate::bench::last_plan(&loaded.stages()?)
    {
        out.note(format!("Before this repair: {}", needed.advice()));
    }
    let mut job = loaded.job;
    let chassis = plan.chassis.clone().or_else(|| job.info().chassis.clone());
    let recorder = begin(&mut job, source.as_ref(), spec, "soak", Hands::Off)?;
    let name = recorder.name().to_owned();
    let mut session = Session::new(source, Some(recorder), protocols, chassis.as_deref())?;
    let mut first = Vec::new();
    run.announce(&mut session, &mut first)?;
    let mut display = Status::new();
    let mut shown = Out::new(false);
    let mut warned = false;
    let mut turns = Turns::of(spec);
    let followed = follow(&mut session, &mut run, stop, out, &mut |now, events, session, run| {
        let news = events.iter().any(line::is_news);
        if let Some(note) = turns.take(session.adapter()) {
            display.aside(|| out.note(note));
        }
        if plan.show_events && news {
            display.aside(|| print(events, None, &mut shown))?;
        }
        if now.is_none() || display.is_due(now.unwrap_or_default()) || news {
            run.tick(session.now());
            if let Some(asked) = run.proceed() {
                job.add_prompt(&name, Prompt { t: session.now(), key: asked.key })?;
                match &plan.hand {
                    Some(hand) => hand(&asked),
                    None => display.aside(|| out.note(asked.words())),
                }
            }
            let blind = run.waits().is_none() && run.blind().next().is_some();
            if blind && !warned {
                display.aside(|| run.blind().for_each(|blind| out.note(words::blind(blind))));
            }
            warned = blind;
            display.show(session.now(), &SoakLook::of(run));
        }
        Ok(run.is_over())
    });
    display.end();
    let end = finish(session, &mut run, Some(&mut job), out, false)?;
    let state = run.tick(end).clone();
    let ended = followed.and_then(|()| if state.observed_s > 0.0 { Ok(()) } else { Err(unobserved(&state)) });
    Ok((job, state, ended))
}

/// Nothing was observed: that is no quiet set.
fn unobserved(state: &SoakState) -> Error {
    let why = state.blind.first().map_or_else(String::new, |blind| format!(": {}", blind.why.words()));
    Error::system(format!("nothing was observed{why}")).help(if state.pending_s > 0.0 {
        "this set speaks only when something happens: press a key when the soak asks for it, so that quiet means something"
    } else {
        "a port that says nothing readable is no quiet set: check ground, rate, chassis and whether the set is on (try \
         straykey watch), then soak again; the raw bytes are kept"
    })
}

/// A port that says nothing is not a quiet set.
pub(super) fn silence() -> Error {
    Error::system("not one byte came from the port, so nothing was observed")
        .help("a silent port is no quiet set: check ground, rate and whether the set is on, then try again")
}

/// The end of a soak, for people and programs.
fn tell(state: &SoakState, out: &mut Out) -> Result<()> {
    if out.json {
        return out.answer(answers::Soak { soak: state });
    }
    ended(&Ended::of(state), out)
}

/// The same of a soak that a daemon ran.
fn tell_value(soak: &serde_json::Value, out: &mut Out) -> Result<()> {
    if out.json {
        return out.answer(answers::Soak { soak });
    }
    let state = serde_json::from_value(soak.clone())
        .map_err(|error| Error::system("the daemon does not say how the soak ended").because(error))?;
    ended(&state, out)
}

/// What people read at the end.
#[derive(serde::Deserialize)]
struct Ended {
    elapsed_s: f64,
    observed_s: f64,
    strays: u64,
    episodes: u64,
    verdict: Verdict,
    notes: Vec<String>,
}

impl Ended {
    fn of(state: &SoakState) -> Self {
        let &SoakState { elapsed_s, observed_s, strays, episodes, verdict, .. } = state;
        Self { elapsed_s, observed_s, strays, episodes, verdict, notes: state.notes.clone() }
    }
}

fn ended(state: &Ended, out: &mut Out) -> Result<()> {
    let text = format!(
        "Observed {} of {}: {} in {}. Verdict: {}.",
        duration(state.observed_s),
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
