//! The plan of a provocation, drawn for a job, and what it can show.

use std::collections::{BTreeMap, BTreeSet};

use crate::analysis::compare::{CompareOptions, alone};
use crate::analysis::provoke::stressor::{self, Use};
use crate::analysis::provoke::{Forecast, Label, Timing, Wish, forecast};
use crate::base::{Anchor, Error, Nanoseconds, Result};
use crate::bench::load::{Loaded, StageSeen};
use crate::bench::provoke::again::again;
use crate::bench::provoke::run::JUDGED_LINES;
use crate::bench::provoke::state::LIKELY;
use crate::bench::views::options;
use crate::timeline::job::{Provocation, check_part};

/// Episodes a minute where the job has shown none: one in 20 minutes, so that nothing is promised.
pub const RARE: f64 = 0.05;

/// Episodes a minute in the last stage that was watched and strayed; nothing where none did.
fn shown_rate(stages: &[StageSeen], counting: &CompareOptions) -> Option<f64> {
    let watched = stages.iter().rev().filter(|stage| stage.is_watched());
    let side = watched.map(|stage| alone(&stage.observation, counting)).find(|side| side.episodes > 0);
    side.map(|side| side.per_min)
}

/// What is asked for in a block.
pub fn instruction(uses: &[Use], label: Label) -> String {
    match label {
        Label::LeaveAlone => "LEAVE ALONE, hands off".to_owned(),
        Label::Stressor(n) => uses.get(usize::from(n)).map_or_else(String::new, Use::instruction),
    }
}

/// What is to be drawn.
pub enum Choice {
    /// A plan of its own: what is to be done, in so many minutes.
    Own(Vec<Use>, f64),
    /// That of an earlier stage once more, in another order.
    Again,
}

/// The longest plan, minutes: a week.
const LONGEST_MINUTES: f64 = 10_000.0;

impl Choice {
    /// A plan of its own, as a technician asks for it.
    ///
    /// # Errors
    /// `Usage` when the time is none, a stressor is not known or stands twice, or its place is no part of a set.
    pub fn own(names: &[String], minutes: f64) -> Result<Self> {
        if !(0.1..=LONGEST_MINUTES).contains(&minutes) {
            return Err(
                Error::usage(format!("the minutes are from 0.1 to {LONGEST_MINUTES}")).help("for example 15")
            );
        }
        let uses = uses(names)?;
        for (number, one) in uses.iter().enumerate() {
            if let Err(parts) = one.place.as_deref().map_or(Ok(()), check_part) {
                return Err(Error::usage(format!("{} is put on no part of a set", one.name())).help(parts));
            }
            if uses[..number].contains(one) {
                return Err(Error::usage(format!("{} stands twice in the list", one.name()))
                    .help("name it once; its blocks are as many as the time holds"));
            }
        }
        Ok(Self::Own(uses, minutes))
    }
}

/// A plan for a job, with what it was drawn from.
pub struct Drawn {
    /// The plan.
    pub plan: Provocation,
    /// What is to be done.
    pub uses: Vec<Use>,
    /// What it can show; nothing where a plan is done again.
    pub forecast: Option<Forecast>,
    /// Episodes a minute, where the job has shown them.
    pub per_minute: Option<f64>,
    /// What separates episodes in this job.
    pub gap: Option<Nanoseconds>,
}

/// Draws a plan for a job. The seed is the time.
///
/// # Errors
/// As [`planned`] and [`again`]; `System` when the disk fails.
pub fn draw(loaded: &Loaded, choice: Choice) -> Result<Drawn> {
    let stages = loaded.stages()?;
    let counting = options(&stages);
    let per_minute = shown_rate(&stages, &counting);
    let gap = counting.rule.and_then(|rule| rule.gap);
    // Whole numbers up to 2^53 are what every reader of JSON keeps exactly (RFC 8259, section 6): microseconds fit.
    #[allow(clippy::cast_sign_loss)]
    let seed = (Anchor::now().unix_ns / 1000) as u64;
    let (plan, uses, forecast) = match choice {
        Choice::Own(own, minutes) => {
            let (plan, forecast) = planned(&own, minutes, per_minute.unwrap_or(RARE), seed)?;
            (plan, own, Some(forecast))
        }
        Choice::Again => {
            let plan = again(loaded, seed)?;
            let uses = uses(&plan.stressors)?;
            (plan, uses, None)
        }
    };
    Ok(Drawn { plan, uses, forecast, per_minute, gap })
}

/// Plans a provocation, and says what it can show.
///
/// # Errors
/// `Usage` when the time does not hold a plan that can show anything; it names the least time.
pub fn planned(uses: &[Use], minutes: f64, per_minute: f64, seed: u64) -> Result<(Provocation, Forecast)> {
    let timings: Vec<Timing> = uses.iter().map(Use::timing).collect();
    // Strays, excursions and the levels are judged together; as much of the error as each has left.
    let kinds = (2 + JUDGED_LINES).min((1usize << uses.len().min(8)) - 1).max(1);
    #[allow(clippy::cast_precision_loss)]
    let alpha = LIKELY / kinds as f64;
    let time = Nanoseconds::from_seconds(60.0 * minutes);
    let wish = Wish { stressors: &timings, time, per_minute, alpha };
    let found = forecast(&wish, seed).map_err(|_| {
        Error::usage("a provocation takes one to six stressors")
            .help("for example --with warm@key-cable --with tap@key-board")
    })?;
    if found.rounds == 0 || found.smallest_p > alpha {
        let least = (found.least.seconds() / 60.0).ceil();
        return Err(Error::usage(format!(
            "in {minutes} minutes these stressors can show nothing, whatever comes"
        ))
        .help(format!("give it {least} minutes or more, or fewer stressors")));
    }
    let provocation = Provocation {
        seed,
        stressors: uses.iter().map(Use::name).collect(),
        rounds: found.rounds,
        wash_out: found.slot.wash_out,
        counted: found.slot.counted,
        begun: Vec::new(),
        struck: BTreeMap::new(),
        struck_later: BTreeSet::new(),
        cautions: None,
    };
    Ok((provocation, found))
}

/// The stressors of a provocation.
///
/// # Errors
/// As [`stressor::parse`].
pub fn uses(names: &[String]) -> Result<Vec<Use>> {
    names.iter().map(|name| stressor::parse(name)).collect()
}
