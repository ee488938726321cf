//! Keypad readings between the stages: level, spread, drift and ripple; and where the rate of strays changed.

use std::collections::BTreeMap;

use serde::Serialize;

use crate::analysis::change::{Cost, change_points};
use crate::analysis::compare::CompareOptions;
use crate::analysis::episode::{episodes, fold};
use crate::analysis::level::{LevelShift, Readings, Ripple, compare_levels, ripple};
use crate::base::words::{duration, number};
use crate::base::{Name, Result};
use crate::bench::lines::{LevelChange, Lines, ripple_sentence};
use crate::bench::load::Loaded;
use crate::bench::views::StageView;
use crate::timeline::job::Hands;

/// One line's readings in one stage.
#[derive(Clone, Debug, Serialize, schemars::JsonSchema)]
pub struct LineLevels {
    /// The stage.
    pub stage: usize,
    /// Keypad line.
    pub line: String,
    /// How many were taken.
    pub readings: u64,
    /// The stage that it is compared with: the last one before with readings of this line.
    pub against: Option<usize>,
    /// What changed, in counts.
    pub shift: Option<LevelShift>,
    /// The strongest ripple, when it is beyond chance.
    pub ripple: Option<Ripple>,
    /// Where the level changed for good within the stage.
    pub level_changes: Vec<LevelChange>,
    /// What it means against the stage before, in sentences.
    pub notes: Vec<String>,
}

impl LineLevels {
    /// Whether the readings differ from those before by a count or more, or in kind, beyond chance.
    pub fn has_changed(&self) -> bool {
        self.shift.as_ref().is_some_and(|shift| {
            let certain =
                shift.chance_any < CERTAIN || shift.chance_mean < CERTAIN || shift.chance_rank < CERTAIN;
            let spikes = (shift.before.spikes - shift.after.spikes).abs() > 0.01;
            certain && (shift.shift.abs() >= 1.0 || spikes)
        })
    }
}

/// Chance below which readings count as changed.
const CERTAIN: f64 = 0.01;

/// A stretch of a stage in which strays came at one rate.
#[derive(Clone, Debug, PartialEq, Serialize, schemars::JsonSchema)]
pub struct RateSegment {
    /// The stage.
    pub stage: usize,
    /// From when, seconds of watching in this stage.
    pub from_s: f64,
    /// Until when.
    pub to_s: f64,
    /// Episodes in it.
    pub episodes: u64,
    /// Episodes a minute.
    pub per_min: f64,
}

/// A ripple is reported when noise shows such a peak in fewer tries than this.
const RIPPLES: f64 = 0.001;
/// A ripple that explains less of the scatter is of no account for a key.
const SHARE: f64 = 0.1;
/// Lamps that are dimmed at known rates are none of ours to know.
const NO_LAMPS: [f64; 0] = [];

/// Every line of every watched stage, compared with the watched stage before it.
///
/// # Errors
/// `System` when the disk fails.
pub fn levels(loaded: &Loaded, views: &[StageView], seed: u64) -> Result<Vec<LineLevels>> {
    let mut list = Vec::new();
    let mut last: BTreeMap<Name, (usize, Readings)> = BTreeMap::new();
    for view in views.iter().filter(|view| view.stage.is_watched()) {
        let mut lines = Lines::default();
        for capture in view.stage.captures.iter().filter(|capture| capture.hands == Hands::Off) {
            loaded.readings(capture, &mut |line, t, counts| {
                lines.push(line, t, counts);
                Ok(())
            })?;
            lines.close();
        }
        for (line, track) in lines.all() {
            let before = last.get(line);
            let shift = before.and_then(|(_, before)| compare_levels(before, track.sample(), seed));
            let ripple = ripple(&settled(track.row()), &NO_LAMPS)
                .filter(|ripple| ripple.chance < RIPPLES && ripple.power >= SHARE);
            let mut notes = shift.as_ref().map(|shift| shift.notes.clone()).unwrap_or_default();
            notes.extend(ripple.as_ref().map(ripple_sentence));
            list.push(LineLevels {
                stage: view.stage.number,
                line: line.to_string(),
                readings: track.readings(),
                against: before.map(|(stage, _)| *stage).filter(|_| shift.is_some()),
                shift,
                ripple,
                level_changes: track.level_changes(),
                notes,
            });
            last.insert(Name::clone(line), (view.stage.number, track.sample().clone()));
        }
    }
    Ok(list)
}

/// Without the readings of keys and spikes, which would hide a ripple or look like one.
fn settled(run: &Readings) -> Readings {
    let median = |values: &mut Vec<f64>| {
        values.sort_by(f64::total_cmp);
        values.get(values.len() / 2).copied().unwrap_or_default()
    };
    let middle = median(&mut run.value.clone());
    let spread = median(&mut run.value.iter().map(|value| (value - middle).abs()).collect());
    let limit = (9.0 * spread).max(3.0);
    let kept = || run.t.iter().zip(&run.value).filter(|(_, value)| (**value - middle).abs() <= limit);
    Readings { t: kept().map(|(t, _)| *t).collect(), value: kept().map(|(_, value)| *value).collect() }
}

/// Equal stretches of time that are counted, and the cost of a further change, times ln of their number.
const STRETCHES: usize = 200;
const PENALTY: f64 = 3.0;
/// Fewer episodes show no change of their rate.
const FEWEST: usize = 8;

/// Where the rate of episodes changed within a stage; empty where one rate fits.
#[allow(clippy::cast_precision_loss, clippy::cast_possible_truncation, clippy::cast_sign_loss)]
pub fn rate_stretches(view: &StageView, options: &CompareOptions) -> Vec<RateSegment> {
    let sequence = &view.stage.observation.sequence;
    let watched = sequence.exposure().seconds();
    let gap = options.rule.as_ref().map_or(options.episode_gap, |rule| rule.gap);
    let found = episodes(&fold(sequence), gap);
    if found.len() < FEWEST || watched <= 0.0 {
        return Vec::new();
    }
    let mut counts = vec![0.0; STRETCHES];
    for episode in &found {
        let before: f64 = sequence
            .segments()
            .iter()
            .take_while(|segment| segment.span.start <= episode.start)
            .map(|segment| (episode.start.min(segment.span.end) - segment.span.start).seconds())
            .sum();
        let place = (before / watched * STRETCHES as f64) as usize;
        counts[place.min(STRETCHES - 1)] += 1.0;
    }
    let ends = change_points(&counts, Cost::Counts, PENALTY * (STRETCHES as f64).ln(), 2);
    if ends.len() < 2 {
        return Vec::new();
    }
    let each = watched / STRETCHES as f64;
    let mut from = 0;
    ends.into_iter()
        .map(|to| {
            let episodes = counts[from..to].iter().sum::<f64>();
            let (from_s, to_s) = (from as f64 * each, to as f64 * each);
            from = to;
            RateSegment {
                stage: view.stage.number,
                from_s,
                to_s,
                episodes: episodes as u64,
                per_min: 60.0 * episodes / (to_s - from_s),
            }
        })
        .collect()
}

/// The stretches of one stage in a sentence.
pub fn stretches_sentence(stretches: &[RateSegment]) -> Option<String> {
    let first = stretches.first()?;
    let parts: Vec<String> = stretches
        .iter()
        .map(|s| {
            format!(
                "{} episodes a minute from {} to {}",
                number(s.per_min),
                duration(s.from_s),
                duration(s.to_s)
            )
        })
        .collect();
    Some(format!(
        "Stage {}: the rate changed while nothing was done: {}.",
        first.stage,
        parts.join(", then ")
    ))
}
