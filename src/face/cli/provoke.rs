//! `provoke`: short blocks of "leave alone" and of what may call the fault, in an order drawn at random.

use std::io::IsTerminal;

use crate::analysis::provoke::Forecast;
use crate::analysis::provoke::stressor::{Use, cautions};
use crate::base::words::{duration, number, plural, share};
use crate::base::{Error, Nanoseconds, Result};
use crate::bench::provoke::{Choice, Drawn, Now, ProvokeRun, compared, draw, instruction, provoked};
use crate::bench::views;
use crate::face::cli::args;
use crate::face::cli::keycheck_live::{framed, typed};
use crate::face::cli::load::Loaded;
use crate::face::cli::status::{Status, StepLook};
use crate::face::cli::{answers, cautioned, live, sections, table};
use crate::face::out::{Out, Outcome, safe};
use crate::source::ByteSource;
use crate::timeline::job::{Hands, Job, Provocation, Spoiled};
use crate::timeline::live::{Adapter, Session};
use crate::timeline::{Protocols, Unwatched};

pub(super) fn run(asked: &args::Provoke, protocols: &Protocols, out: &mut Out) -> Result<Outcome> {
    let choice = if asked.again { Choice::Again } else { Choice::own(&asked.with, asked.minutes)? };
    let loaded = Loaded::index(Job::open(&asked.job)?, protocols, false)?;
    let Drawn { plan, uses, forecast, per_minute, gap } = draw(&loaded, choice)?;
    let mut job = loaded.job;
    // Those of any live set, then those of what is about to be done to it.
    cautioned::cautions(&mut job, asked.cautions_read, out)?;
    let list = cautions(&uses)?;
    cautioned::confirm(&list, asked.cautions_read, out)?;
    let cautions = (!list.is_empty()).then(|| "shown in the terminal and confirmed".to_owned());
    let plan = Provocation { cautions, ..plan };
    announce(&plan, forecast.as_ref(), per_minute.is_some(), out);
    let (port, spec) = live::open(&asked.port)?;
    let source: Box<dyn ByteSource> = Box::new(port);
    let recorder = live::begin(&mut job, source.as_ref(), &spec, "provoke", Hands::On)?;
    let name = recorder.name().to_owned();
    job.provoke(&name, plan.clone())?;
    let chassis = asked.chassis.clone().or_else(|| job.info().chassis.clone());
    let mut session = Session::new(source, Some(recorder), protocols, chassis.as_deref())?;
    let run = ProvokeRun::of(plan, gap)?;
    let followed = carry_out(run, &uses, &mut session, &mut job, &name, out);
    let silent = session.bytes() == 0;
    live::finish(session, &mut Unwatched, Some(&mut job), out, false)?;
    followed?;
    if silent {
        return Err(live::silence());
    }
    let loaded = Loaded::index(job, protocols, false)?;
    let found = provoked(&loaded, gap)?;
    let state = found.iter().find(|state| state.capture == name);
    let state = state.ok_or_else(|| Error::system("the provocation is not in the job").at(&asked.job))?;
    let compared = if asked.again { compared(&loaded, &found, &views(&loaded)?)? } else { Vec::new() };
    let again = compared.iter().find(|again| again.capture == name);
    if out.json {
        out.answer(answers::Provoked { provocation: state, again })?;
    } else {
        sections::provocation(state, out)?;
        sections::again(again, out)?;
    }
    Ok(Outcome::Done)
}

/// A quicker effect is as good as one at once, seconds.
const SLOW_S: f64 = 20.0;

/// What is about to happen, and what it can show.
fn announce(plan: &Provocation, shows: Option<&Forecast>, known: bool, out: &Out) {
    let blocks = (plan.stressors.len() + 1) * plan.rounds as usize;
    let each = plan.wash_out.saturating_add(plan.counted);
    let all = Nanoseconds(each.0.saturating_mul(i64::try_from(blocks).unwrap_or(i64::MAX)));
    out.note(table::wrap(
        &format!(
            "{} of {} in an order drawn at random (seed {}): {} in all. Do what is asked for during the whole block. Enter: \
             this round was spoiled, it is done again. p and Enter: pause, then it is done again. Ctrl-C ends.",
            plural(blocks as u64, "block"),
            duration(each.seconds()),
            plan.seed,
            duration(all.seconds())
        ),
        0,
    ));
    let Some(shows) = shows else { return };
    let rate =
        if known { "At the rate of this job" } else { "At one episode in 20 minutes (none was seen yet)" };
    out.note(match shows.effect {
        Some(effect) => {
            let slow_s = 2.0 * plan.wash_out.seconds();
            let slow = if slow_s < SLOW_S {
                String::new()
            } else {
                format!(", in {} where its effect takes {} to build up", share(shows.slow), duration(slow_s))
            };
            format!(
                "{rate} it finds a stressor that brings the fault {} times as often in 4 of 5 tries; in {} where the fault is \
                 away for minutes by itself{slow}.",
                number(effect),
                share(shows.in_spells)
            )
        }
        None => format!("{rate} it finds next to nothing; give it more minutes, or fewer stressors."),
    });
}

/// Shows block after block until the plan is done, every effect is certain, or the user stops.
fn carry_out(
    mut run: ProvokeRun,
    uses: &[Use],
    session: &mut Session,
    job: &mut Job,
    name: &str,
    out: &Out,
) -> Result<()> {
    let stop = live::Stop::listen();
    let (typed, mut away, mut paused) = (typed(), false, false);
    let mut display = Status::new();
    let mut doing = String::new();
    let followed = live::follow(session, &mut run, &stop, out, &mut |now, _, session, run| {
        let now = now.unwrap_or_else(|| session.now());
        let gone = matches!(session.adapter(), Adapter::Gone { .. });
        let lines: Vec<String> = typed.try_iter().collect();
        let pauses = !paused && lines.iter().any(|line| line.trim().eq_ignore_ascii_case("p"));
        let goes_on = paused && !lines.is_empty();
        let why = match () {
            () if gone && !away => Some(Spoiled::PortGone),
            () if pauses => Some(Spoiled::Paused),
            () => (!paused && !lines.is_empty()).then_some(Spoiled::HandsMoved),
        };
        away = gone;
        if let Some(why) = why
            && let Some(round) = run.strike(why.clone())
        {
            job.strike_round(name, round, why.clone())?;
            display.aside(|| {
                out.note(format!("Round {} does not count: {why}. It is done again at the end.", round + 1))
            });
        }
        if pauses {
            paused = true;
            display.aside(|| instruct("PAUSE: press Enter to go on", run.progress(), out));
        }
        if goes_on {
            paused = false;
        }
        if gone || paused {
            return Ok(false);
        }
        match run.now(now) {
            Now::Begin(block, label) => {
                job.begin_block(name, block)?;
                doing = safe(&instruction(uses, label));
                display.aside(|| instruct(&doing, run.progress(), out));
                Ok(false)
            }
            Now::Going(left) => {
                if display.is_due(now) {
                    let (number, all) = run.progress();
                    let lines = vec![
                        format!("{doing}: {} s", left.seconds().ceil()),
                        format!("block {number} of {all}"),
                    ];
                    display.in_place(now, &StepLook(lines));
                }
                Ok(false)
            }
            Now::Done => Ok(true),
        }
    });
    display.end();
    followed
}

/// One instruction at a time: in a frame on a terminal, a plain line elsewhere.
fn instruct(doing: &str, (number, all): (usize, usize), out: &Out) {
    if std::io::stderr().is_terminal() {
        out.note(framed(doing));
    } else {
        out.note(format!("{doing} ({number} of {all})"));
    }
}
