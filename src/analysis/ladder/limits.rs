//! What a healthy ladder bears: tolerance of its parts, a leak that grows, a ground offset that grows.

use serde::Serialize;

use crate::base::Key;
use crate::base::words::number;

use crate::analysis::ladder::fault::{Condition, Fault, Place};
use crate::analysis::ladder::margin::{Borne, FaultRange, Margin, margins, tolerated, walk};
use crate::analysis::ladder::network::Network;
use crate::analysis::ladder::words::{ohms, percent, volts};

/// Sets of parts that are drawn.
const DRAWS: u32 = 2_000;

/// The mildest and the worst leak that is tried, ohms.
const LEAK: (f64, f64) = (1e8, 1.0);

/// The largest offset between grounds that is tried, volts, either way.
const OFFSET: f64 = 0.5;

/// What one key's window, or that of no key, bears.
#[derive(Clone, Debug, PartialEq, Serialize, schemars::JsonSchema)]
pub struct Bears {
    /// Parts at the ends of their tolerance, and drawn at random.
    #[serde(flatten)]
    pub parts: Margin,
    /// Leak to ground in ohms at which another key is seen.
    pub leak_to_ground: Borne,
    /// Offset of the key board's ground in volts, upward, at which another key is seen.
    pub offset_up: Borne,
    /// The same downward.
    pub offset_down: Borne,
}

/// Margins of a line and the keys that a growing fault imitates.
#[derive(Clone, Debug, PartialEq, Serialize, schemars::JsonSchema)]
pub struct Limits {
    /// Tolerance of the resistors as a fraction.
    pub tolerance: f64,
    /// Pull-up in ohms.
    pub pull_up_ohm: f64,
    /// Whether the file gives none, so that it is assumed and every resistance here scales with it.
    pub pull_up_assumed: bool,
    /// Random sets of parts.
    pub draws: u32,
    /// Seed of the draws.
    pub seed: u64,
    /// What each window bears, keys in order of their resistance, no key last.
    pub windows: Vec<Bears>,
    /// What is seen while nobody presses and a leak to ground grows, ohms.
    pub leak_walk: Vec<FaultRange>,
    /// The same for an offset upward, volts.
    pub offset_up_walk: Vec<FaultRange>,
    /// The same downward.
    pub offset_down_walk: Vec<FaultRange>,
}

impl Limits {
    /// Of a line's healthy ladder, with this seed for the random sets of parts.
    pub fn of(network: &Network, seed: u64) -> Self {
        let leak = |ohm| Fault::LeakToGround { at: Place::MainBoard, ohm };
        let offset = |volts| Fault::GroundOffset { volts };
        let leaks = tolerated(network, leak, LEAK.0, LEAK.1);
        let (ups, downs) =
            (tolerated(network, offset, 0.0, OFFSET), tolerated(network, offset, 0.0, -OFFSET));
        let windows = margins(network, DRAWS, seed)
            .into_iter()
            .zip(leaks)
            .zip(ups.into_iter().zip(downs))
            .map(|((parts, leak_to_ground), (offset_up, offset_down))| Bears {
                parts,
                leak_to_ground,
                offset_up,
                offset_down,
            })
            .collect();
        Self {
            tolerance: network.tolerance,
            pull_up_ohm: network.pull_up_ohm,
            pull_up_assumed: network.pull_up_assumed,
            draws: DRAWS,
            seed,
            windows,
            leak_walk: walk(network, &Condition::Idle, leak, LEAK.0, LEAK.1),
            offset_up_walk: walk(network, &Condition::Idle, offset, 0.0, OFFSET),
            offset_down_walk: walk(network, &Condition::Idle, offset, 0.0, -OFFSET),
        }
    }

    /// Headings of [`Limits::rows`].
    pub const COLUMNS: [&str; 7] =
        ["", "codes", "margin", "outside", "leak to ground", "offset up", "offset down"];

    /// What each window bears, a row each: codes of parts at their limits, counts left to the border, share of
    /// random sets beyond it; then the faults at which another key is seen, and which. `name`
    /// gives the word for a key, or for none.
    pub fn rows(&self, name: &dyn Fn(Option<Key>) -> String) -> Vec<[String; 7]> {
        self.windows.iter().map(|bears| row(bears, name)).collect()
    }

    /// What the rows mean, and the walk through the keys.
    pub fn sentences(&self) -> Vec<String> {
        let mut list = vec![format!(
            "Codes and margin are those of parts within {} % at their worst; outside is the share of {} random sets of \
             parts. Leak and offset are the sizes at which the set sees another key, and which.",
            number(100.0 * self.tolerance),
            self.draws
        )];
        list.push(match imitated(&self.leak_walk, ohms) {
            Some(walk) => format!("A leak to ground that grows is taken for {walk}."),
            None => "A leak to ground is taken for no key, however large.".to_owned(),
        });
        let sides = [("upward", &self.offset_up_walk), ("downward", &self.offset_down_walk)];
        let walks: Vec<String> = sides
            .iter()
            .filter_map(|(side, walk)| {
                let walk = imitated(walk, volts)?;
                Some(format!("A ground offset {side} that grows is taken for {walk}."))
            })
            .collect();
        if walks.is_empty() {
            list.push(format!(
                "A ground offset alone, up to {}, is taken for no key while none is pressed.",
                volts(OFFSET)
            ));
        }
        list.extend(walks);
        if self.pull_up_assumed {
            list.push(format!(
                "The file gives no pull-up: {} is assumed, and the leaks scale with it.",
                ohms(self.pull_up_ohm)
            ));
        }
        list
    }
}

/// Words for what the firmware sees.
fn label(key: Option<Key>) -> &'static str {
    key.map_or("no key", Key::label)
}

fn row(bears: &Bears, name: &dyn Fn(Option<Key>) -> String) -> [String; 7] {
    let parts = &bears.parts;
    let borne = |borne: &Borne, words: &dyn Fn(f64) -> String| match borne.at {
        Some(value) => format!("{}: {}", words(value), name(borne.then).trim()),
        None => "any".to_owned(),
    };
    [
        name(parts.key),
        format!("{}–{}", parts.low, parts.high),
        parts.margin.map_or_else(|| "any".to_owned(), number),
        if parts.outside > 0.0 { percent(parts.outside) } else { "none".to_owned() },
        borne(&bears.leak_to_ground, &ohms),
        borne(&bears.offset_up, &volts),
        borne(&bears.offset_down, &volts),
    ]
}

/// `Menu from 63.7 kΩ, Channel up from 18.3 kΩ`: what a growing fault is taken for; `None` where nothing changes.
fn imitated(walk: &[FaultRange], words: impl Fn(f64) -> String) -> Option<String> {
    let list: Vec<String> =
        walk.iter().skip(1).map(|s| format!("{} from {}", label(s.key), words(s.from))).collect();
    (!list.is_empty()).then(|| list.join(", "))
}
