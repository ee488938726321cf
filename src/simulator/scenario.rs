//! The story that the demo plays: an invented repair with a known truth.
//!
//! The truth: at the key connector of the main board, flux residue and moisture make a leak of about 21 kilohm
//! that comes and goes. On the key board the sealed switch of one key leaks 78 kilohm inside, which presses
//! nothing by itself. Together they read as "Channel up"; with the key board unplugged the main-board leak alone
//! reads as "Menu". So unplugging changes the stray key instead of stopping it, cleaning the key board changes
//! nothing, and cleaning the main board's connector stops it.

use super::circuit::{Connection, Faults};
use super::film::Film;
use super::print::Style;
use super::set::SimulatedSet;
use super::terminal::Terminal;
use crate::base::{Key, Nanoseconds, Result};

/// One stage of the repair.
#[derive(Clone, Debug, PartialEq)]
pub struct ScenarioStage {
    /// What was done before this stage, in the technician's words.
    pub step: &'static str,
    /// `isolate`, `repair` or `restore`; nothing for the set as it came in.
    pub kind: Option<&'static str>,
    /// The parts that the step touched.
    pub parts: Vec<&'static str>,
    /// How long the set is then watched hands off, in minutes of its own time.
    pub minutes: u32,
    /// What is wrong during the stage. Never told to straykey.
    pub faults: Faults,
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
    /// The stages in order.
    pub stages: Vec<ScenarioStage>,
}

/// The seed of the demo when none is asked for.
pub const SEED: u64 = 7;

impl Scenario {
    /// The leak on the main board.
    pub fn main_board_leak(seed: u64) -> Self {
        let received = Faults {
            main_board: Some(Film::intermittent(20_800.0)),
            leaky_switch: Key::from_name("KEY_VOLUMEDOWN").map(|key| (key, 78_000.0)),
            ..Faults::default()
        };
        let stage = |step, kind, parts: &[&'static str], minutes, faults: Faults| ScenarioStage {
            step,
            kind,
            parts: parts.to_vec(),
            minutes,
            faults,
        };
        let unplugged = Faults { connection: Connection::Unplugged, ..received.clone() };
        let cleaned = Faults { main_board: None, ..received.clone() };
        let stages = vec![
            stage("as received", None, &[], 20, received.clone()),
            stage("key board unplugged at the main board", Some("isolate"), &["key-board"], 20, unplugged),
            stage("key board plugged in again", Some("restore"), &["key-board"], 20, received.clone()),
            stage("key board cleaned", Some("repair"), &["key-board"], 20, received),
            stage(
                "key connector area of the main board cleaned and dried",
                Some("repair"),
                &["main-board-input"],
                20,
                cleaned,
            ),
        ];
        Self {
            set: "demo set (simulated)",
            style: Style::Alder,
            complaint: "Changes channel by itself, several times in an evening; the menu opens now and then.",
            seed,
            stages,
        }
    }

    /// The set as it stands at the beginning of the first stage, switched on.
    pub fn set(&self) -> SimulatedSet {
        self.set_at(0)
    }

    /// The set as it stands at the beginning of a stage, counted from 0, switched on. Each stage has weather of
    /// its own: two stages with the same faults are alike, not equal.
    pub fn set_at(&self, stage: usize) -> SimulatedSet {
        let faults = self.stages.get(stage).map(|stage| stage.faults.clone()).unwrap_or_default();
        // Any odd factor keeps seeds of neighbouring stages apart; this is 2^64 divided by the golden ratio.
        let seed = self.seed.wrapping_add((stage as u64).wrapping_mul(0x9e37_79b9_7f4a_7c15));
        SimulatedSet::new(self.style, faults, seed)
    }
}

impl ScenarioStage {
    /// The set's time in this stage.
    pub fn time(&self) -> Nanoseconds {
        Nanoseconds(i64::from(self.minutes) * 60 * Nanoseconds::SECOND.0)
    }

    /// Plays the stage: the set is switched off, changed, switched on and watched for [`Self::time`] of its own
    /// time, its bytes being sent as fast as the reader takes them. `progress` is called with the set's time
    /// done, about once per minute of it; `false` from it ends the stage early.
    ///
    /// Gives how many bytes were sent. The set's own stamps carry its time, so that events decoded from the
    /// bytes are timed by the set and not by the pace of the demo.
    ///
    /// # Errors
    /// `Machine` when nobody reads.
    pub fn play(
        &self,
        set: &mut SimulatedSet,
        terminal: &mut Terminal,
        progress: &mut dyn FnMut(Nanoseconds) -> bool,
    ) -> Result<u64> {
        const PIECE: Nanoseconds = Nanoseconds(15_000_000_000);
        set.power_cycle(self.faults.clone());
        let mut sent = 0u64;
        while set.uptime() < self.time() {
            let bytes = set.advance(PIECE.min(self.time() - set.uptime()));
            terminal.send(&bytes)?;
            sent = sent.saturating_add(bytes.len() as u64);
            if !progress(set.uptime()) {
                break;
            }
        }
        Ok(sent)
    }
}
