//! What it says of the place that a stressor put somewhere calls the fault.

use crate::analysis::locate::faults::LOCATIONS;

/// Chance that a stressor of the right sort calls a fault at the place it is put on, and one elsewhere: warmth spreads, a tap
/// runs along a board. So near to each other on purpose; common practice, no source.
const THERE: f64 = 0.6;
const ELSEWHERE: f64 = 0.3;

/// A stressor that was shown to bring strays or excursions, or to move a level.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Called {
    /// As it was written: `warm@key-cable`.
    pub stressor: String,
    /// Where it acted, a word of `--part`; for what acts on the whole set the part that it is meant for.
    pub part: String,
}

impl Called {
    /// How likely each location makes it that this stressor had an effect; all ones where the part is no location. Nothing is
    /// made of a stressor without effect: it may be the wrong one for the fault.
    pub(super) fn likelihood(&self) -> [f64; 12] {
        let own = match self.part.as_str() {
            "main-board" => "main-board-input",
            "hdmi-cable" => "cec-peer",
            part => part,
        };
        if !LOCATIONS.contains(&own) {
            return [1.0; 12];
        }
        LOCATIONS.map(|location| match location {
            location if location == own => THERE,
            // Nothing calls strays of a sound set.
            "none" => ELSEWHERE * ELSEWHERE,
            _ => ELSEWHERE,
        })
    }
}
