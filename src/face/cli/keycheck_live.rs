//! A key check on a live set: asks for one key after the other and keeps what came in the job.

use std::io::IsTerminal;
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};

use crate::base::{ControlPath, Error, Event, EventKind, Key, Nanoseconds, Result};
use crate::face::cli::args;
use crate::face::cli::keycheck::{Check, of_capture};
use crate::face::cli::load::Loaded;
use crate::face::cli::{job, live};
use crate::face::out::Out;
use crate::source::ByteSource;
use crate::timeline::job::{Hands, Job, Prompt};
use crate::timeline::live::Session;
use crate::timeline::{Protocols, Unwatched};

/// The line at rest is watched this long before the first prompt, and between release and the next one.
const REST: Nanoseconds = Nanoseconds::from_millis(1_000);
const PAUSE: Nanoseconds = Nanoseconds::from_millis(500);
/// A set that is not recognised by then is not going to be.
const RECOGNISE: Nanoseconds = Nanoseconds(30_000_000_000);

pub(super) fn run(
    folder: &Path,
    port: &str,
    options: &args::Keycheck,
    protocols: &Protocols,
    out: &mut Out,
) -> Result<Vec<Check>> {
    if !(options.seconds >= 0.5 && options.seconds <= 10.0) {
        return Err(Error::usage("--seconds must be from 0.5 to 10").remedy("for example --seconds 5"));
    }
    let named = options.keys.iter().map(|name| key(name)).collect::<Result<Vec<Key>>>()?;
    let mut job = Job::open(folder)?;
    let chassis = options.reading.chassis.clone().or_else(|| job.info().chassis.clone());
    let known = chassis.as_deref().map(|name| keys(name, &named, protocols)).transpose()?;
    job::cautions(&mut job, options.cautions_read, out)?;
    let port = args::Port {
        port: port.to_owned(),
        baud: options.baud,
        framing: options.framing.clone(),
        no_wait: true,
    };
    let (source, spec) = live::open(&port)?;
    let source: Box<dyn ByteSource> = Box::new(source);
    let recorder = live::begin(&mut job, source.as_ref(), &spec, "keycheck", Hands::On)?;
    let name = recorder.name().to_owned();
    let mut session = Session::new(source, Some(recorder), protocols, chassis.as_deref())?;
    let stop = live::Stop::listen();
    out.note(format!("Key check on {}; Ctrl-C ends. Press only what is asked for.", live::spec_words(&spec)));
    let mut asker = Asker::new(known, options.seconds);
    let followed = live::follow(&mut session, &mut Unwatched, &stop, out, &mut |now, events, session, _| {
        let now = now.unwrap_or_else(|| session.now());
        if asker.keys.is_none() {
            match session.choice() {
                Some(choice) => asker.keys = Some(keys(&choice.name, &named, protocols)?),
                None if now > RECOGNISE => return Ok(true),
                None => {}
            }
        }
        match asker.step(now, events, session.last_byte().is_some()) {
            Act::Ask(key, number, all) => {
                job.add_prompt(&name, Prompt { t: now, key })?;
                prompt(key, number, all, out);
                Ok(false)
            }
            Act::Wait => Ok(false),
            Act::Done => Ok(true),
        }
    });
    let silent = session.bytes() == 0;
    let asked = asker.next;
    live::finish(session, &mut Unwatched, Some(&mut job), out, false)?;
    followed?;
    if silent {
        return Err(live::silence());
    }
    if asked == 0 {
        return Err(Error::input("no key was asked for, so nothing was checked")
            .at(folder)
            .remedy("name the chassis with --chassis, and let the check run to its end"));
    }
    let loaded = Loaded::index(job, protocols, false)?;
    let stage = loaded.job.stages().len();
    let capture = loaded.job.captures().find(|capture| capture.name == name).cloned();
    let capture = capture.ok_or_else(|| Error::machine("the capture is not in the job").at(folder))?;
    Ok(vec![of_capture(&loaded, stage, &capture, protocols)?])
}

fn key(name: &str) -> Result<Key> {
    let name = name.trim();
    Key::from_name(name).or_else(|| Key::from_name(&format!("KEY_{}", name.to_uppercase()))).ok_or_else(
        || {
            let near = Key::nearest_name(name).unwrap_or("KEY_VOLUMEUP");
            Error::usage(format!("{name:?} is no key")).remedy(format!("did you mean {near}?"))
        },
    )
}

/// The keys to ask for: those that were named, else all of the chassis's ladders.
fn keys(chassis: &str, named: &[Key], protocols: &Protocols) -> Result<Vec<Key>> {
    let chassis = protocols.library.chassis(chassis)?;
    if !named.is_empty() {
        return Ok(named.to_vec());
    }
    let mut keys: Vec<Key> = Vec::new();
    for (_, windows) in chassis.lines() {
        let network = crate::analysis::ladder::Network::from(windows.line());
        for key in network.keys.iter().map(|key| key.key) {
            if !keys.contains(&key) {
                keys.push(key);
            }
        }
    }
    if keys.is_empty() {
        return Err(Error::usage("the chassis file names no keys of a ladder")
            .remedy("name the keys: --keys KEY_VOLUMEUP,KEY_VOLUMEDOWN"));
    }
    Ok(keys)
}

/// What is to be done now.
enum Act {
    Ask(Key, usize, usize),
    Wait,
    Done,
}

/// Where the check stands.
enum State {
    /// Nothing is asked for until then; not set before the set was heard.
    Rest(Option<Nanoseconds>),
    /// A key was asked for at that time.
    Asked(Nanoseconds),
    /// A press came; its release is waited for until the time.
    Pressed(Key, Nanoseconds),
}

/// Goes from key to key as the events and the capture clock say.
struct Asker {
    keys: Option<Vec<Key>>,
    next: usize,
    patience: Nanoseconds,
    state: State,
    enters: Arc<AtomicUsize>,
    taken: usize,
}

impl Asker {
    fn new(keys: Option<Vec<Key>>, patience_s: f64) -> Self {
        let patience = Nanoseconds::from_seconds(patience_s);
        Self { keys, next: 0, patience, state: State::Rest(None), enters: enters(), taken: 0 }
    }

    fn step(&mut self, now: Nanoseconds, events: &[Event], heard: bool) -> Act {
        let Some(keys) = &self.keys else { return Act::Wait };
        let entered = self.enters.load(Ordering::Relaxed);
        let enter = std::mem::replace(&mut self.taken, entered) != entered;
        match self.state {
            State::Rest(None) if heard => self.state = State::Rest(Some(now + REST)),
            State::Rest(Some(until)) if now >= until => {
                let Some(key) = keys.get(self.next) else { return Act::Done };
                let all = keys.len();
                self.next += 1;
                self.state = State::Asked(now);
                return Act::Ask(*key, self.next, all);
            }
            State::Rest(_) => {
                // A set that never speaks ends the check too.
                if !heard && now > RECOGNISE {
                    return Act::Done;
                }
            }
            State::Asked(since) => {
                let press = events.iter().find(|event| {
                    event.kind == EventKind::Press
                        && event.t > since
                        && matches!(event.path, ControlPath::Keypad | ControlPath::Infrared)
                });
                if let Some(key) = press.and_then(|event| event.key) {
                    self.state = State::Pressed(key, now + self.patience);
                    self.released(key, now, events);
                } else if enter || now >= since + self.patience {
                    self.state = State::Rest(Some(now + PAUSE));
                }
            }
            State::Pressed(key, until) => {
                self.released(key, now, events);
                if enter || now >= until {
                    self.state = State::Rest(Some(now + PAUSE));
                }
            }
        }
        Act::Wait
    }

    fn released(&mut self, key: Key, now: Nanoseconds, events: &[Event]) {
        let last = events.iter().rev().find(|event| {
            event.key == Some(key) && matches!(event.kind, EventKind::Press | EventKind::Release)
        });
        if last.is_some_and(|event| event.kind == EventKind::Release) {
            self.state = State::Rest(Some(now + PAUSE));
        }
    }
}

/// Counts how often Enter was pressed, where somebody sits at a terminal.
fn enters() -> Arc<AtomicUsize> {
    let count = Arc::new(AtomicUsize::new(0));
    if std::io::stdin().is_terminal() {
        let counted = Arc::clone(&count);
        let read = move || {
            for _ in std::io::stdin().lines().map_while(std::result::Result::ok) {
                counted.fetch_add(1, Ordering::Relaxed);
            }
        };
        // Without the thread the wait for each key still ends by itself.
        let _ = std::thread::Builder::new().name("enter".to_owned()).spawn(read);
    }
    count
}

/// The request: in a frame on a terminal, a plain line elsewhere. On standard error, since the result goes to
/// standard output.
fn prompt(key: Key, number: usize, all: usize, out: &Out) {
    let label = key.label();
    if !std::io::stderr().is_terminal() {
        out.note(format!("Press {label} ({}), {number} of {all}", key.name()));
        return;
    }
    let text = format!("PRESS   {}   AND LET GO", label.to_uppercase());
    let bar = "═".repeat(text.chars().count() + 8);
    out.note(format!("\n  ╔{bar}╗\n  ║    {text}    ║\n  ╚{bar}╝"));
    out.note(format!("  {number} of {all}; Enter goes on when nothing happens\n"));
}
