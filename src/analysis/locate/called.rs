//! What it says of the place that a stressor put somewhere calls the fault, or moves a level.

use crate::analysis::ladder::{Moved, Network, moves};
use crate::analysis::locate::faults::LOCATIONS;

/// Chance that a stressor of the right sort calls a fault at the place it is put on, and one elsewhere: warmth spreads, a tap
/// runs along a board. So near to each other on purpose; common practice, no source.
const THERE: f64 = 0.6;
const ELSEWHERE: f64 = 0.3;
/// Chance that a line moves in a way that no fault of a location explains: something else is moved too, and circuits are models.
/// Common practice, no source.
const UNEXPLAINED: f64 = 0.15;

/// A stressor that was shown to bring strays or excursions, or to move a level.
#[derive(Clone, Debug, PartialEq)]
pub struct Called {
    /// As it was written: `warm@key-cable`.
    pub stressor: String,
    /// Where it acted, a word of `--part`; for what acts on the whole set the part that it is meant for. None without one.
    pub part: Option<String>,
    /// What it did to the resting level of lines, by their names.
    pub moved: Vec<(String, Moved)>,
}

impl Called {
    /// What a line did, in words.
    pub(super) fn says(&self) -> String {
        let one = |(line, moved): &(String, Moved)| match moved {
            Moved::By(from, to) if to < from => format!("lowers {line} by {:.0} counts", from - to),
            Moved::By(from, to) => format!("raises {line} by {:.0} counts", to - from),
            Moved::Jumps(_) => format!("makes {line} jump"),
        };
        let all: Vec<String> = self.moved.iter().map(one).collect();
        if all.is_empty() { "has an effect".to_owned() } else { all.join(", ") }
    }

    /// How likely each location makes it that this stressor had this effect: by the place that it was put on, and by what a
    /// fault of that location can do to the line. All ones where it tells neither. Nothing is made of a stressor without
    /// effect: it may be the wrong one for the fault.
    pub(super) fn likelihood(&self, networks: &[&Network]) -> [f64; 12] {
        let mut likelihood = self.by_place();
        for (line, moved) in &self.moved {
            let Some(network) = networks.iter().find(|network| network.name == *line) else { continue };
            let can = moves(network, *moved);
            for (slot, location) in likelihood.iter_mut().zip(LOCATIONS) {
                // A location that the circuit does not know moves no line.
                let explained = can.get(location).copied().unwrap_or(0.0);
                *slot *= UNEXPLAINED + (1.0 - UNEXPLAINED) * explained;
            }
        }
        likelihood
    }

    fn by_place(&self) -> [f64; 12] {
        let own = match self.part.as_deref() {
            Some("main-board") => "main-board-input",
            Some("hdmi-cable") => "cec-peer",
            Some(part) => part,
            None => return [1.0; 12],
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
