//! Whether each keypad line rests where its resistors put it. Quiet on a line that does not is not yet a repair.

use serde::Serialize;

use crate::analysis::ladder::{Network, Windows};
use crate::analysis::ledger::Level;
use crate::base::Result;
use crate::base::words::number;
use crate::bench::load::{Loaded, StageSeen, chassis};
use crate::timeline::Protocols;

/// A keypad line that does not rest where it should, in the last watched stage.
#[derive(Clone, Debug, PartialEq, Serialize, schemars::JsonSchema)]
pub struct OffRest {
    /// Keypad line.
    pub line: String,
    /// The stage.
    pub stage: usize,
    /// Readings at this level.
    pub readings: u64,
    /// Where it rests, counts.
    pub counts: f64,
    /// Where its resistors put it, counts.
    pub nominal: f64,
    /// The same in words.
    pub sentence: String,
}

/// A sound line rests within this share of the scale of its nominal level, beside what the tolerance of its parts allows: an
/// input of the converter of 50 pull-ups lowers it so far. Common practice, no source.
const REACH: f64 = 0.02;
/// A level is that of a line at rest if this share of its readings without a key has it.
const SHARE: f64 = 0.05;
/// Fewer readings tell no level.
const FEWEST: u64 = 20;

/// The lines that do not rest where they should in a stage; none where the chassis is not known.
///
/// # Errors
/// `Usage` when the job's chassis is not known to the program.
#[allow(clippy::cast_precision_loss)]
pub(super) fn off(loaded: &Loaded, protocols: &Protocols, stage: &StageSeen) -> Result<Vec<OffRest>> {
    let Some(chassis) = chassis(loaded, protocols)? else { return Ok(Vec::new()) };
    let mut found = Vec::new();
    for (name, windows) in chassis.lines() {
        let network = Network::from(windows.line());
        let path = stage.observation.paths.iter().find(|path| path.total.id.line.as_ref() == Some(name));
        let nominal = Windows::of(&network).of_key(None).and_then(|window| window.nominal);
        let (Some(path), Some(nominal)) = (path, nominal) else { continue };
        let share = nominal / network.levels();
        let reach = network.levels() * (REACH + 2.0 * network.tolerance * share * (1.0 - share));
        let away = |level: &Level| (level.mean - nominal).abs();
        let without_key =
            path.total.levels.iter().filter(|level| matches!(&*level.state, "rest" | "between"));
        let all: u64 = without_key.clone().map(|level| level.n).sum();
        let apart = without_key.flat_map(|level| match &*level.modes {
            [] => std::slice::from_ref(level),
            modes => modes,
        });
        let settled = |level: &&Level| level.n >= FEWEST && level.n as f64 >= SHARE * all as f64;
        let worst = apart.filter(settled).max_by(|a, b| away(a).total_cmp(&away(b)));
        found.extend(worst.filter(|level| away(level) > reach).map(|level| OffRest {
            line: name.to_string(),
            stage: stage.number,
            readings: level.n,
            counts: level.mean,
            nominal,
            sentence: format!(
                "{name} is not what it should be: with no key pressed it reads {}, not {}",
                number(level.mean.round()),
                number(nominal.round())
            ),
        }));
    }
    Ok(found)
}
