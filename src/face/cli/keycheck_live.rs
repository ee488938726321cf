//! A key check on a live set: asks for one key after the other and keeps what came in the job.

use std::io::IsTerminal;
use std::path::Path;
use std::sync::mpsc::{self, Receiver};

use crate::base::{Error, Key, Result};
use crate::bench::keycheck::{Check, of_capture};
use crate::bench::{KeyRun, Turn};
use crate::face::cli::args;
use crate::face::cli::load::Loaded;
use crate::face::cli::{job, live};
use crate::face::out::Out;
use crate::source::ByteSource;
use crate::timeline::job::{Hands, Job, Prompt};
use crate::timeline::live::Session;
use crate::timeline::{Protocols, Unwatched};

pub(super) fn run(
    folder: &Path,
    port: &str,
    options: &args::Keycheck,
    protocols: &Protocols,
    out: &mut Out,
) -> Result<Vec<Check>> {
    if !(options.seconds >= 0.5 && options.seconds <= 10.0) {
        return Err(Error::usage("--seconds must be from 0.5 to 10").help("for example --seconds 5"));
    }
    let named = options.keys.iter().map(|name| key(name)).collect::<Result<Vec<Key>>>()?;
    let mut job = Job::open(folder)?;
    let chassis = options.reading.chassis.clone().or_else(|| job.info().chassis.clone());
    let mut check = KeyRun::new(named, options.seconds);
    if let Some(name) = &chassis {
        check.chassis(name, protocols)?;
    }
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
    out.note(format!("Key check on {}; Ctrl-C ends. Press only what is asked for.", spec.words()));
    let typed = typed();
    let followed = live::follow(&mut session, &mut Unwatched, &stop, out, &mut |now, events, session, _| {
        let now = now.unwrap_or_else(|| session.now());
        if let Some(choice) = session.choice().filter(|_| check.is_waiting_for_chassis()) {
            check.chassis(&choice.name, protocols)?;
        }
        if typed.try_iter().count() > 0 {
            check.skip();
        }
        match check.step(now, events, session.last_byte().is_some()) {
            Turn::Ask(key) => {
                job.add_prompt(&name, Prompt { t: now, key })?;
                let state = check.state();
                prompt(key, state.number, state.all, out);
                Ok(false)
            }
            Turn::Wait => Ok(false),
            Turn::Done => Ok(true),
        }
    });
    let silent = session.bytes() == 0;
    let asked = check.asked();
    live::finish(session, &mut Unwatched, Some(&mut job), out, false)?;
    followed?;
    if silent {
        return Err(live::silence());
    }
    if asked == 0 {
        return Err(Error::input("no key was asked for, so nothing was checked")
            .at(folder)
            .help("name the chassis with --chassis, and let the check run to its end"));
    }
    let loaded = Loaded::index(job, protocols, false)?;
    let stage = loaded.job.stages().len();
    let capture = loaded.job.captures().find(|capture| capture.name == name).cloned();
    let capture = capture.ok_or_else(|| Error::system("the capture is not in the job").at(folder))?;
    Ok(vec![of_capture(&loaded, stage, &capture, protocols)?])
}

fn key(name: &str) -> Result<Key> {
    let name = name.trim();
    Key::from_name(name).or_else(|| Key::from_name(&format!("KEY_{}", name.to_uppercase()))).ok_or_else(
        || {
            let near = Key::nearest_name(name).unwrap_or("KEY_VOLUMEUP");
            Error::usage(format!("{name:?} is no key")).help(format!("did you mean {near}?"))
        },
    )
}

/// The lines that are typed, where somebody sits at a terminal.
pub(super) fn typed() -> Receiver<String> {
    let (give, take) = mpsc::channel();
    if std::io::stdin().is_terminal() {
        let read = move || {
            for line in std::io::stdin().lines().map_while(std::result::Result::ok) {
                if give.send(line).is_err() {
                    return;
                }
            }
        };
        // Without the thread the wait for each key still ends by itself.
        let _ = std::thread::Builder::new().name("typed".to_owned()).spawn(read);
    }
    take
}

/// The request: in a frame on a terminal, a plain line elsewhere. On standard error, since the result goes to
/// standard output.
fn prompt(key: Key, number: usize, all: usize, out: &Out) {
    let label = key.label();
    if !std::io::stderr().is_terminal() {
        out.note(format!("Press {label} ({}), {number} of {all}", key.name()));
        return;
    }
    out.note(framed(&format!("PRESS   {}   AND LET GO", label.to_uppercase())));
    out.note(format!("  {number} of {all}; Enter goes on when nothing happens\n"));
}

/// A text in a frame, to be read from the other side of the bench.
pub(super) fn framed(text: &str) -> String {
    let bar = "═".repeat(text.chars().count() + 8);
    format!("\n  ╔{bar}╗\n  ║    {text}    ║\n  ╚{bar}╝")
}
