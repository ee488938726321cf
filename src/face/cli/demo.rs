//! `demo`: the whole job on a simulated set, through a pseudo-terminal.
//!
//! Everything from the serial port to the report is what a bench would use; only the set is simulated, and
//! its time runs faster than the wall clock.

use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, AtomicI64, AtomicU64, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};

use crate::base::{Anchor, Error, Key, Nanoseconds, Result};
use crate::bench::words::headline;
use crate::bench::{SoakPlan, keys, views};
use crate::face::cautions;
use crate::face::cli::args::Demo;
use crate::face::cli::live::{Plan, Stop, run_soak};
use crate::face::cli::load::{Loaded, duration};
use crate::face::cli::{answers, report, table};
use crate::face::out::{Out, Outcome};
use crate::simulator::Faults;
use crate::simulator::scenario::{Scenario, ScenarioStage};
use crate::simulator::set::SimulatedSet;
use crate::simulator::terminal::Terminal;
use crate::source::serial::{PortSpec, SerialPort};
use crate::source::{ByteSource, Pulled};
use crate::timeline::Protocols;
use crate::timeline::job::{Job, JobInfo};

/// The simulated set speaks in pieces of this much of its own time; they bound how late a line may be.
const PIECE: Nanoseconds = Nanoseconds(1_000_000_000);
/// A reader that takes nothing for so long has gone.
const PATIENCE: Duration = Duration::from_secs(10);

pub(super) fn run(options: &Demo, protocols: &Protocols, out: &mut Out) -> Result<Outcome> {
    let started = Instant::now();
    let folder = folder(options)?;
    let scenario = Scenario::two_causes(options.seed);
    introduce(&scenario, &folder, out)?;
    let info = JobInfo {
        complaint: Some(scenario.complaint.to_owned()),
        simulated: true,
        ..JobInfo::new(scenario.set).chassis(scenario.style.chassis())
    };
    let mut job = Job::create(&folder, &info)?;
    job.acknowledge_cautions("demo: the set is simulated, nothing is connected")?;
    let stop = Stop::listen();
    let mut set = scenario.set_at(0)?;
    let mut scaled = Vec::new();
    for (number, stage) in scenario.stages.iter().enumerate() {
        (job, set) =
            soak_stage(job, stage, scenario.faults_at(number)?, set, protocols, &stop, out, &mut scaled)?;
        if stop.asked() {
            return Err(Error::system("the demo was stopped").help("what was recorded is in the job folder"));
        }
    }
    drop(job);
    let watched: f64 = scaled.iter().map(|(set, _)| set).sum();
    let real: f64 = scaled.iter().map(|(_, real)| real).sum();
    let written = report::write(&folder, None, false, protocols, out)?;
    let seconds = started.elapsed().as_secs_f64();
    if out.json {
        out.answer(answers::Demo {
            job: folder.display().to_string(),
            report: written.display().to_string(),
            seconds,
            set_seconds: watched,
            seed: options.seed,
            simulated: true,
        })?;
        return Ok(Outcome::Done);
    }
    out.line(format!(
        "\nDone in {seconds:.1} s. The set's time was scaled: {} of it passed in {real:.1} s of soak.",
        duration(watched)
    ))?;
    out.line(format!("Report: {}", written.display()))?;
    out.line(format!(
        "Look closer: straykey job show {0}   straykey patterns {0}#1   straykey locate {0}",
        folder.display()
    ))?;
    Ok(Outcome::Done)
}

fn folder(options: &Demo) -> Result<PathBuf> {
    match &options.out {
        Some(folder) => Ok(folder.clone()),
        None => {
            let folder = std::env::temp_dir().join(format!("straykey-demo-{}", std::process::id()));
            Ok(folder)
        }
    }
}

fn introduce(scenario: &Scenario, folder: &Path, out: &mut Out) -> Result<()> {
    if out.json {
        return Ok(());
    }
    out.line(
        "The whole job on a SIMULATED set (invented chassis alder), with its time running faster than yours.",
    )?;
    out.line(format!("Complaint: \"{}\"", scenario.complaint))?;
    out.line(format!("Job folder: {}", folder.display()))?;
    out.line(table::wrap(
        &format!(
            "On a real set you would first confirm the cautions ({} points: {} …). {}",
            cautions::ALL.len(),
            cautions::ALL
                .iter()
                .take(3)
                .map(|caution| caution.title.to_lowercase())
                .collect::<Vec<_>>()
                .join(", "),
            cautions::DEFERENCE
        ),
        0,
    ))
}

#[allow(clippy::too_many_arguments)]
fn soak_stage(
    mut job: Job,
    stage: &ScenarioStage,
    faults: Faults,
    set: SimulatedSet,
    protocols: &Protocols,
    stop: &Stop,
    out: &mut Out,
    scaled: &mut Vec<(f64, f64)>,
) -> Result<(Job, SimulatedSet)> {
    for step in &stage.steps {
        job.add_step(step.clone())?;
    }
    if !out.json {
        let head = |stage: &crate::timeline::job::Stage| {
            let kind = stage.step.as_ref().map_or(String::new(), |step| format!(" ({})", step.kind.word()));
            format!("Stage {}: {}{kind}", stage.number, stage.text)
        };
        let begun = job.stages().len().saturating_sub(stage.steps.len().max(1));
        let heads: Vec<String> = job.stages().iter().skip(begun).map(head).collect();
        out.line(format!("\n{}", heads.join("\n")))?;
        out.flush()?;
    }
    let terminal = Terminal::open()?;
    let spec = PortSpec::new(terminal.path(), 115_200);
    let port = SerialPort::open(&spec)?;
    let shared = Arc::new(Shared::default());
    let pump = pump(faults, set, terminal, Arc::clone(&shared))?;
    let paced = Paced { port, shared: Arc::clone(&shared), heard: Nanoseconds::ZERO };
    let began = Instant::now();
    let asked = Arc::clone(&shared);
    let plan = Plan {
        soak: SoakPlan { seconds: 60.0 * f64::from(stage.minutes), full: true, attended: true, on_for: None },
        chassis: None,
        hand: Some(Box::new(move |wanted| asked.ask(wanted.key))),
        show_events: false,
    };
    let (job, state, followed) = run_soak(job, Box::new(paced), &spec, &plan, protocols, stop, out)?;
    let played = pump.join().map_err(|_| Error::system("the simulated set stopped by itself"))?;
    followed?;
    let set = played?;
    scaled.push((state.elapsed_s, began.elapsed().as_secs_f64()));
    let loaded = Loaded::index(job, protocols, false)?;
    if !out.json {
        verdict(&loaded, out)?;
    }
    Ok((loaded.job, set))
}

/// What the stage that has just ended showed, and what its step did.
fn verdict(loaded: &Loaded, out: &mut Out) -> Result<()> {
    let views = views(loaded)?;
    let Some(view) = views.last() else { return Ok(()) };
    if let Some(alone) = &view.alone {
        let keys: Vec<String> =
            keys(view).iter().take(3).map(|(key, count)| format!("{key} ({count})")).collect();
        out.line(format!(
            "  {} of the set's time, hands off: {} strays in {} episodes{}{}",
            duration(alone.span_s),
            alone.strays,
            alone.episodes,
            if keys.is_empty() { "" } else { ": " },
            keys.join(", ")
        ))?;
    }
    if let Some((before, comparison)) = &view.comparison {
        out.line(format!("  Against stage {before}: {}", headline(comparison)))?;
    }
    Ok(())
}

/// What the simulated set and the reader tell each other.
#[derive(Default)]
struct Shared {
    /// The set's time up to which everything was sent, nanoseconds.
    clock: AtomicI64,
    sent: AtomicU64,
    taken: AtomicU64,
    abandoned: AtomicBool,
    /// Keys that straykey has asked for and no hand has pressed yet.
    asked: Mutex<Vec<Key>>,
}

impl Shared {
    fn ask(&self, key: Key) {
        self.asked.lock().unwrap_or_else(PoisonError::into_inner).push(key);
    }

    fn take(&self) -> Vec<Key> {
        std::mem::take(&mut *self.asked.lock().unwrap_or_else(PoisonError::into_inner))
    }
}

/// Lets the set speak on a thread of its own, never more than one piece ahead of the reader: so the arrival
/// times, in the set's time, are true to one piece.
fn pump(
    faults: Faults,
    mut set: SimulatedSet,
    mut terminal: Terminal,
    shared: Arc<Shared>,
) -> Result<std::thread::JoinHandle<Result<SimulatedSet>>> {
    let body = move || {
        set.power_cycle(faults);
        while !shared.abandoned.load(Ordering::Acquire) {
            shared.take().into_iter().for_each(|key| set.answer(key));
            let bytes = set.advance(PIECE);
            shared.clock.store(set.uptime().0, Ordering::Release);
            match terminal.send(&bytes) {
                // The reader has gone in the middle of a piece: it has seen enough.
                Err(_) if shared.abandoned.load(Ordering::Acquire) => break,
                sent => sent?,
            }
            let sent = shared.sent.fetch_add(bytes.len() as u64, Ordering::AcqRel) + bytes.len() as u64;
            wait(&shared, sent)?;
        }
        Ok(set)
    };
    std::thread::Builder::new()
        .name("simulated set".to_owned())
        .spawn(body)
        .map_err(|error| Error::system("cannot start the simulated set").because(error))
}

fn wait(shared: &Shared, sent: u64) -> Result<()> {
    let asked = Instant::now();
    while shared.taken.load(Ordering::Acquire) < sent && !shared.abandoned.load(Ordering::Acquire) {
        if asked.elapsed() > PATIENCE {
            return Err(Error::system("the simulated set speaks and nobody listens"));
        }
        std::thread::sleep(Duration::from_micros(30));
    }
    Ok(())
}

/// The ordinary serial source, with arrival times on the set's clock instead of the wall's.
struct Paced {
    port: SerialPort,
    shared: Arc<Shared>,
    /// The set's time of what was read last. The clock itself is a piece ahead of what has not been read yet.
    heard: Nanoseconds,
}

impl Drop for Paced {
    fn drop(&mut self) {
        self.shared.abandoned.store(true, Ordering::Release);
    }
}

impl ByteSource for Paced {
    fn pull(&mut self) -> Result<Pulled<'_>> {
        Ok(match self.port.pull()? {
            Pulled::Chunk(mut chunk) => {
                self.shared.taken.fetch_add(chunk.bytes.len() as u64, Ordering::AcqRel);
                self.heard = Nanoseconds(self.shared.clock.load(Ordering::Acquire));
                chunk.arrival = Some(self.heard);
                Pulled::Chunk(chunk)
            }
            Pulled::Mark(mark) => Pulled::Mark(crate::source::Mark { t: self.heard, what: mark.what }),
            Pulled::Quiet(_) => Pulled::Quiet(self.heard),
            Pulled::End => Pulled::End,
        })
    }

    fn anchor(&self) -> Option<Anchor> {
        self.port.anchor()
    }
}
