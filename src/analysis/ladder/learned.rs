//! What a data sheet would give and the readings have to tell instead: the converter's input resistance, that of a closed
//! contact.

use crate::analysis::ladder::minimise::{Minimum, minimise};
use crate::analysis::ladder::model::Mechanism;
use crate::analysis::ladder::network::Network;
use crate::analysis::ladder::objective::{Evaluation, Objective};
use crate::analysis::ladder::reading::Reading;
use crate::analysis::ladder::words;

/// A number that the chassis file does not give and the readings show.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Learned {
    /// Its name in a `[[line]]`.
    pub name: &'static str,
    /// Ohms.
    pub ohm: f64,
}

impl Learned {
    /// For people.
    pub fn sentence(self, line: &str) -> String {
        let what =
            if self.name == "input_ohm" { "the converter's input resistance" } else { "what a contact has" };
        format!(
            "{line}: the chassis file does not give {what}; the readings show about {}. {} in the file's [[line]] states it.",
            words::ohms(words::two_digits(self.ohm)),
            self.name
        )
    }
}

/// What the readings show under a model: what it costs more than `worse` to do without.
pub(super) fn learned(
    network: &Network,
    readings: &[Reading],
    (model, minimum): (&[Mechanism], &Minimum),
    worse: f64,
    work: &mut Evaluation,
) -> Vec<Learned> {
    let scores = &minimum.point.scores;
    let real = Objective::new(network, readings).network_with(scores);
    let keys = network.keys.len();
    let parts = [
        ("input_ohm", keys + 1, real.input_ohm, Network { input_known: true, ..network.clone() }),
        ("contact_ohm", keys + 2, real.closed_ohm, Network { closed_known: true, ..network.clone() }),
    ];
    let mut shown = |(name, part, ohm, without): (&'static str, usize, f64, Network)| {
        if *scores.get(part)? <= 0.0 {
            return None;
        }
        let mut start = minimum.point.clone();
        start.scores[part] = 0.0;
        let least = minimise(&Objective::new(&without, readings), model, start, None, work);
        (least.total() - minimum.total() > worse).then_some(Learned { name, ohm })
    };
    parts.into_iter().filter_map(&mut shown).collect()
}
