//! The story that the demo plays: an invented repair with a known truth.
//!
//! The truth: the set has two faults on two control paths. A spare remote control is wedged behind furniture and sends
//! its Info key in trains, by a beat of its own. And the flat cable of the key board is chafed at a bracket: as the set
//! warms, its second conductor touches the bracket with some five kilohm, which the set takes for its Source key. So
//! covering the infrared receiver, or finding the remote control, ends the one half of it; and the other half goes on
//! with the key board taken off its cable, stops with the cable off the main board, and is gone with a new cable.

use crate::analysis::locate;
use crate::base::{Nanoseconds, Result};
use crate::simulator::circuit::{Connection, Faults};
use crate::simulator::leak::{Leak, Place};
use crate::simulator::print::Style;
use crate::simulator::set::{REMOTE_ADDRESS, REMOTE_INFO, SimulatedSet};
use crate::simulator::wedged::WedgedRemote;
use crate::timeline::job::{Step, StepKind};

/// One stage of the repair.
#[derive(Clone, Debug, PartialEq)]
pub struct ScenarioStage {
    /// What was done before this stage; nothing for the set as it came in.
    pub steps: Vec<Step>,
    /// How long the set is then watched hands off, in minutes of its own time.
    pub minutes: u32,
}

/// A whole repair.
#[derive(Clone, Debug, PartialEq)]
pub struct Scenario {
    /// The set, as the job names it.
    pub set: &'static str,
    /// The chassis whose lines it prints.
    pub style: Style,
    /// What the customer says.
    pub complaint: &'static str,
    /// Seed of everything random.
    pub seed: u64,
    /// Where the cable is chafed.
    pub leak: Leak,
    /// The stages in order.
    pub stages: Vec<ScenarioStage>,
}

/// The seed of the demo when none is asked for.
pub const SEED: u64 = 1;

/// The chafed place: the second conductor, some 5.1 kilohm when it touches, several times as often warm as cold.
const CHAFED: Leak =
    Leak { place: Place::Cable, line: 1, closed_ohm: 5_100.0, spread: 0.03, ease: -0.5, warm_extra: 0.9 };

/// What a technician has parted or covered for a while.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Isolated {
    Receiver,
    Remote,
    CableAtKeyBoard,
    CableAtMainBoard,
}

impl Scenario {
    /// A wedged remote control and a chafed key cable.
    pub fn two_causes(seed: u64) -> Self {
        let step =
            |text: &str, kind, part: &str| Step { text: text.to_owned(), kind, parts: vec![part.to_owned()] };
        let (isolate, repair) = (StepKind::Isolate, StepKind::Repair);
        let stages = [
            (20, vec![]),
            (20, vec![step("infrared receiver covered with tape", isolate, "infrared-receiver")]),
            (
                20,
                vec![
                    step("tape taken off the infrared receiver", StepKind::Restore, "infrared-receiver"),
                    step(
                        "spare remote found wedged behind a cabinet, its batteries taken out",
                        repair,
                        "remote",
                    ),
                ],
            ),
            (20, vec![step("key cable unplugged at the key board", isolate, "key-cable")]),
            (40, vec![step("key cable unplugged at the main board too", isolate, "key-cable")]),
            (60, vec![step("key cable replaced by a new one, plugged in at both ends", repair, "key-cable")]),
        ];
        Self {
            set: "waiting-room set (simulated)",
            style: Style::Alder,
            complaint: "Shows its info banner and opens its source list by itself, worse as it warms.",
            seed,
            leak: CHAFED,
            stages: stages.into_iter().map(|(minutes, steps)| ScenarioStage { steps, minutes }).collect(),
        }
    }

    /// The same with a cable that touches nearly twice as often: at the pace of the clock on the wall, minutes of quiet then
    /// prove the repair instead of hours.
    #[must_use]
    pub fn brisk(self) -> Self {
        Self { leak: Leak { ease: 0.0, ..self.leak }, ..self }
    }

    /// What is wrong with the set after these steps, whatever their order and number: the set follows what was done
    /// to it, as the fault tree understands the words. Never told to straykey.
    ///
    /// # Errors
    /// `Input` when the shipped fault tree is broken.
    pub fn faults<'a>(&self, steps: impl IntoIterator<Item = &'a Step>) -> Result<Faults> {
        let tree = locate::faults()?;
        let (mut cable_replaced, mut remote_found) = (false, false);
        let mut isolated: Vec<(Isolated, &[String])> = Vec::new();
        for step in steps {
            let test = tree.recognise(&step.text, &step.parts).map(|test| test.name.as_str());
            let part = match test {
                Some("cover-infrared-window" | "unplug-infrared-receiver") => Some(Isolated::Receiver),
                Some("remove-remotes") => Some(Isolated::Remote),
                Some("unplug-cable-at-key-board") => Some(Isolated::CableAtKeyBoard),
                Some("unplug-key-board" | "substitute-known-resistor") => Some(Isolated::CableAtMainBoard),
                _ => None,
            };
            match (step.kind, test) {
                (StepKind::Isolate, _) => isolated.extend(part.map(|part| (part, &step.parts[..]))),
                (StepKind::Restore, _) => restore(&mut isolated, &step.parts),
                (StepKind::Repair, Some("remove-remotes")) => remote_found = true,
                (StepKind::Repair, Some("reseat-or-replace-key-cable")) => {
                    cable_replaced = true;
                    isolated.retain(|(part, _)| matches!(part, Isolated::Receiver | Isolated::Remote));
                }
                (StepKind::Repair, _) => {}
            }
        }
        let is = |wanted| isolated.iter().any(|(part, _)| *part == wanted);
        let remote = WedgedRemote::seeded(REMOTE_ADDRESS, REMOTE_INFO, self.seed);
        Ok(Faults {
            leak: (!cable_replaced).then_some(self.leak),
            remote: (!remote_found && !is(Isolated::Remote)).then_some(remote),
            receiver_covered: is(Isolated::Receiver),
            connection: if is(Isolated::CableAtMainBoard) {
                Connection::Unplugged
            } else if is(Isolated::CableAtKeyBoard) {
                Connection::CableOnly
            } else {
                Connection::Plugged
            },
            ..Faults::default()
        })
    }

    /// What is wrong in a stage of the story, counted from 0.
    ///
    /// # Errors
    /// `Input` when the shipped fault tree is broken.
    pub fn faults_at(&self, stage: usize) -> Result<Faults> {
        self.faults(self.stages.iter().take(stage + 1).flat_map(|stage| &stage.steps))
    }

    /// The set as it stands at the beginning of a stage, counted from 0, switched on. Each stage has contacts and trains
    /// of its own: two stages with the same faults are alike, not equal.
    ///
    /// # Errors
    /// `Input` when the shipped fault tree is broken.
    pub fn set_at(&self, stage: usize) -> Result<SimulatedSet> {
        // Any odd factor keeps seeds of neighbouring stages apart; this is 2^64 divided by the golden ratio.
        let seed = self.seed.wrapping_add((stage as u64).wrapping_mul(0x9e37_79b9_7f4a_7c15));
        Ok(SimulatedSet::new(self.style, self.faults_at(stage)?, seed))
    }
}

impl ScenarioStage {
    /// The set's time in this stage.
    pub fn time(&self) -> Nanoseconds {
        Nanoseconds(i64::from(self.minutes) * 60 * Nanoseconds::SECOND.0)
    }
}

/// What touches the same part is back; where nothing does, what was done last.
fn restore(isolated: &mut Vec<(Isolated, &[String])>, parts: &[String]) {
    let before = isolated.len();
    isolated.retain(|(_, of)| !of.iter().any(|part| parts.contains(part)));
    if isolated.len() == before {
        isolated.pop();
    }
}
