//! A job, a comparison, a cause in the two or three lines that come first, shared by the terminal and the report.

use std::collections::BTreeSet;

use crate::analysis::compare::{Comparison, Side, Verdict, quiet_enough, remaining};
use crate::analysis::locate::Located;
use crate::analysis::provoke::stressor;
use crate::base::words::{capital, chance, duration, number, plural, share};
use crate::bench::provoke::{
    AgainState, AgainStressor, AgainVerdict, Compared, LIKELY, ProvokedState, SURE, StressorState,
};
use crate::bench::state::JobState;

/// Whether the set misbehaves, and whether it is fixed: the state in capitals, then what that rests on.
pub fn standing(state: &JobState) -> String {
    let judged = state.stages.iter().rev().find_map(|stage| stage.comparison.as_ref());
    let last = state.stages.last();
    if let (true, Some(comparison)) = (state.hand_back, judged) {
        let figures = &comparison.figures;
        return format!("FIXED. {}", quiet_enough(figures.quiet_anyway, figures.soak_more_99_s));
    }
    let Some((stage, figures)) = last.and_then(|stage| Some((stage, stage.figures.as_ref()?))) else {
        let since = if state.stages.len() > 1 { " since the last step" } else { "" };
        return format!("NOT WATCHED{since}.");
    };
    let against = match (stage.compared_with_stage, &stage.headline) {
        (Some(before), Some(headline)) => format!(" Against stage {before}: {headline}"),
        _ => String::new(),
    };
    if stage.observed_s <= 0.0 {
        return format!("BLIND: nothing was observed in stage {}.{against}", stage.stage);
    }
    if stage.strays > 0 {
        let times = episodes(figures.episodes);
        return format!("MISBEHAVING: {times} in {}.{against}", duration(stage.observed_s));
    }
    format!("QUIET for {}.{against}", duration(stage.observed_s))
}

/// Where the fault is, and of an electrical one how large.
pub fn cause(located: &Located) -> String {
    if located.nothing_yet {
        return "Nothing to locate yet: no stray was seen, no key that was asked for was misread, and no line reads other than \
                it should. Watch on, or make a key check."
            .to_owned();
    }
    let Some(first) = located.locations.first() else { return "Nothing to locate yet.".to_owned() };
    let chance = share(first.probability);
    let entry = located.ladder.first().filter(|entry| entry.model != "healthy" && entry.weight >= 0.5);
    let size = entry.map_or_else(String::new, |entry| format!(" {}: {}.", entry.line, entry.short));
    let place = if located.undecided {
        format!("not yet decided; likeliest is {} ({chance}).", first.text)
    } else {
        format!("the fault is in {} ({chance}).", first.text)
    };
    match located.path {
        Some(path) => format!("{}: {place}{size}", capital(path.word())),
        None => format!("{}{size}", capital(&place)),
    }
}

/// `Before: 78 episodes in 20 min. After: no stray in 1 h.`
pub fn before_after(comparison: &Comparison) -> String {
    let side = |side: &Side| format!("{} in {}", episodes(side.episodes), duration(side.observed_s));
    format!("Before: {}. After: {}.", side(&comparison.before), side(&comparison.after))
}

/// The rate that quiet does not exclude; `None` while strays come, or of a set that did not stray before.
pub fn remains(comparison: &Comparison) -> Option<String> {
    let quiet = comparison.after.episodes == 0 && comparison.after.observed_s > 0.0;
    (quiet && comparison.figures.verdict == Verdict::Gone).then(|| remaining(comparison.after.observed_s))
}

/// Episodes in words.
fn episodes(count: u64) -> String {
    if count == 0 { "no stray".to_owned() } else { plural(count, "episode") }
}

/// Whether a step did it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum DidIt {
    /// With 90 % or more.
    Yes,
    /// With 10 % or less.
    No,
    /// Neither is sure.
    Open,
}

impl DidIt {
    /// From its probability.
    pub fn of(probability: f64) -> Self {
        match probability {
            p if p >= 0.9 => Self::Yes,
            p if p <= 0.1 => Self::No,
            _ => Self::Open,
        }
    }

    /// For people.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Yes => "yes",
            Self::No => "no",
            Self::Open => "cannot tell",
        }
    }
}

/// What a stressor did to strays, excursions and levels, and how sure each is: a sentence for each effect, and one where
/// none is shown.
pub fn provoked(stressor: &StressorState) -> Vec<String> {
    let name = &stressor.stressor;
    let with = plural(stressor.episodes, "episode");
    let counts = format!("{with} with it, {} without in as much time", stressor.alone);
    let mut said = Vec::new();
    if let Some(seems) = seems(stressor.chance) {
        let verb = if seems { "seems to call" } else { "calls" };
        let times = times(stressor.times, stressor.times_low, stressor.times_high);
        said.push(format!("{name} {verb} the fault: {times}; {counts}. {}.", luck(stressor.chance)));
    }
    said.extend(provoked_beside(stressor));
    if said.is_empty() {
        said.push(format!("{name}: no effect shown; {counts}. {}.", luck(least(stressor))));
    } else if let Ok(known) = stressor::parse(name) {
        said.push(format!("What that means: {}.", known.stressor.means));
    }
    said
}

/// Whether the cautions of its stressors were read, and how.
pub fn cautions(found: &ProvokedState) -> String {
    match &found.cautions {
        Some(how) => format!("The cautions of its stressors: {how}."),
        None => "Whether the cautions of its stressors were read is not in the job.".to_owned(),
    }
}

/// The part of it that is not of strays: excursions and levels, where an effect is shown.
pub fn provoked_beside(stressor: &StressorState) -> Vec<String> {
    let name = &stressor.stressor;
    let mut said = Vec::new();
    if let Some(found) = &stressor.excursions
        && let Some(seems) = seems(found.chance)
    {
        let verb = if seems { "seems to make" } else { "makes" };
        said.push(format!(
            "{name} {verb} a line leave its resting band without a press: {}; {} with it, {} without. {}.",
            times(found.times, found.times_low, found.times_high),
            plural(found.excursions, "excursion"),
            found.alone,
            luck(found.chance)
        ));
    }
    for level in &stressor.levels {
        let Some(seems) = seems(level.chance).filter(|_| level.shift.abs() >= 1.0) else { continue };
        let verb = match (seems, level.shift < 0.0) {
            (false, true) => "lowers",
            (false, false) => "raises",
            (true, true) => "seems to lower",
            (true, false) => "seems to raise",
        };
        // A shift has the sign of its verb.
        let size = |counts: f64| number(if level.shift < 0.0 { -counts } else { counts });
        let within = match (level.low, level.high) {
            (Some(low), Some(high)) if level.shift < 0.0 => format!(" ({} to {})", size(high), size(low)),
            (Some(low), Some(high)) => format!(" ({} to {})", size(low), size(high)),
            _ => String::new(),
        };
        said.push(format!(
            "{name} {verb} {}'s resting level by {} counts{within}. {}.",
            level.line,
            size(level.shift),
            luck(level.chance)
        ));
    }
    said
}

/// The smallest chance of all that is judged of a stressor.
fn least(stressor: &StressorState) -> f64 {
    let levels = stressor.levels.iter().map(|level| level.chance);
    let all = stressor.excursions.iter().map(|found| found.chance).chain(levels);
    all.fold(stressor.chance, f64::min)
}

/// Whether an effect only seems to be; `None` where none is shown.
fn seems(chance: f64) -> Option<bool> {
    (chance <= LIKELY).then_some(chance > SURE)
}

fn luck(p: f64) -> String {
    format!("Could be luck: {}", chance(p))
}

fn times(times: Option<f64>, low: f64, high: Option<f64>) -> String {
    match (times, high) {
        (Some(times), Some(high)) => {
            format!("{} times as often ({} to {})", number(times), number(low), number(high))
        }
        _ => format!("at least {} times as often", number(low)),
    }
}

/// What the same stressors bring now against before: a sentence for each, what supports that they call the fault itself, and
/// what is known of the set left alone.
pub fn again(state: &AgainState) -> Vec<String> {
    let mut said: Vec<String> = state.stressors.iter().flat_map(again_one).collect();
    let proof = "Only a soak proves the repair of the set left alone";
    let more = match state.soak_more_s {
        Some(more) if more > 0.0 => format!("; it still needs {} of quiet", duration(more)),
        _ => String::new(),
    };
    said.push(match state.soak {
        Some(Verdict::Gone) => {
            "Left alone the set is quiet too: the soak of this stage says gone.".to_owned()
        }
        Some(verdict) => format!("{proof}, and the soak of this stage says {}{more}.", verdict.word()),
        None => format!("{proof}, and this stage has none that tells{more}."),
    });
    said
}

fn again_one(one: &AgainStressor) -> Vec<String> {
    let name = &one.stressor;
    let count = |count: u64| match one.compared {
        Compared::Episodes => plural(count, "episode"),
        Compared::Excursions => plural(count, "excursion"),
    };
    let counts = format!(
        "{} in {} before, {} in {} now",
        count(one.before),
        duration(one.before_s),
        one.now,
        duration(one.now_s)
    );
    let more = match one.more_s {
        Some(more) if more > 0.0 => {
            format!(" {} more of the same plan would decide, if it stays quiet.", duration(more))
        }
        Some(_) => String::new(),
        None => " It came too seldom before: only a soak can decide.".to_owned(),
    };
    let luck = luck(one.chance);
    let mut said = vec![match one.verdict {
        AgainVerdict::Quiet => format!("Quiet under {name}: {counts}. {luck}."),
        AgainVerdict::Still => format!("{name} still calls the fault: {counts}."),
        AgainVerdict::Undecided => {
            format!("Quiet under {name}, but not for long enough: {counts}. {luck}.{more}")
        }
        AgainVerdict::Nothing => {
            return vec![format!("{name} brought nothing before, so its quiet now tells nothing.")];
        }
    }];
    if matches!(one.verdict, AgainVerdict::Quiet | AgainVerdict::Undecided) {
        said.push(supported(one));
    }
    said
}

/// Why a stressor should call the fault that comes by itself, and not another.
fn supported(one: &AgainStressor) -> String {
    let assumed =
        format!("This counts for the repair if {} calls the fault that came by itself.", one.stressor);
    let Some(support) = &one.support else {
        return format!("{assumed} No press came under it to tell by.");
    };
    if support.alone == 0 {
        return format!("{assumed} Nothing had come by itself to compare with.");
    }
    let Some(input) = support.input.as_ref().filter(|_| support.same > 0) else {
        return format!("{assumed} Against it: none of its {} presses had come by itself.", support.presses);
    };
    let level = match (support.level, support.level_alone) {
        (Some(level), Some(alone)) => {
            format!(", read as {} counts under it and {} by itself", number(level), number(alone))
        }
        _ => String::new(),
    };
    format!(
        "{assumed} {} of its {} presses had come by themselves too, most of them {input}{level}.",
        support.same, support.presses
    )
}

/// How many rounds a provocation rests on.
pub fn rounds(state: &ProvokedState) -> String {
    let struck = state.blocks.iter().filter(|block| block.struck.is_some()).map(|block| block.round);
    let left = match struck.collect::<BTreeSet<usize>>().len() {
        0 => String::new(),
        count => format!("; {} left out", plural(count as u64, "round")),
    };
    let planned = plural(u64::from(state.planned), "round");
    let later = match state.struck_later.len() {
        0 => String::new(),
        count => format!(
            " {} left out when the counts were known: of the chances with and without the larger is shown.",
            capital(&plural(count as u64, "round"))
        ),
    };
    format!("{} of {planned} count{left}; {} of each kind.{later}", state.rounds, duration(state.counted_s))
}
