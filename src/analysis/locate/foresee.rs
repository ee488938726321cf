//! What parting the keypad, or a known resistor in its place, would do to the strays: worked out from the circuits that explain
//! the readings, so that a test is neither proposed nor weighed for what it cannot show. A resistor beside a leak, say, may
//! read as the very key that strays.

use crate::analysis::ladder::{Condition, Fit, Fitted, Mechanism, Windows};

use crate::analysis::locate::faults::{FaultTree, LOCATIONS};

/// How far the circuit is believed; the rest is the tree's, which knows of faults that come and go and of wrong plugs. Common
/// practice, no source.
const KNOWN: f64 = 0.8;

/// The tree with the outcomes of such tests worked out for these lines, which are off; as it was where none is.
pub(super) fn worked_out(tree: &FaultTree, fits: &[&Fit]) -> FaultTree {
    let mut tree = tree.clone();
    let Some(fit) = fits.first() else { return tree };
    for test in &mut tree.tests {
        let Some(condition) = condition(&test.name, fit) else { continue };
        for (name, row) in LOCATIONS.iter().zip(&mut test.outcome) {
            // A leak in the cable has no model before the cable was read by itself.
            let known = fit.models.iter().any(|m| m.model == [Mechanism::CableLeakGround]);
            if condition == Condition::CableOnly && *name == "key-cable" && !known {
                continue;
            }
            let sums = outcomes(fit, &condition, name);
            let total: f64 = sums.iter().sum();
            if total > 1e-6 {
                for (slot, sum) in row.iter_mut().zip(sums) {
                    *slot = KNOWN * sum / total + (1.0 - KNOWN) * *slot;
                }
            }
        }
    }
    tree
}

/// The state of the line in a test of the tree.
fn condition(test: &str, fit: &Fit) -> Option<Condition> {
    match test {
        "unplug-key-board" => Some(Condition::Unplugged),
        "unplug-cable-at-key-board" => Some(Condition::CableOnly),
        // The resistor that was used, else that of the test's text.
        "substitute-known-resistor" => {
            fit.probes.iter().rfind(|probe| matches!(probe, Condition::Substituted(_))).cloned()
        }
        _ => None,
    }
}

/// Weights of stays, changes and stops over the models with a part in this place.
fn outcomes(fit: &Fit, condition: &Condition, place: &str) -> [f64; 3] {
    let mut sums = [0.0; 3];
    let Some(probe) = fit.probes.iter().position(|probe| probe == condition) else { return sums };
    let windows = Windows::of(&fit.network);
    let read = |counts: f64| windows.key((counts + 0.5).clamp(0.0, f64::from(fit.network.full_scale)));
    // What a sound line reads as in this state is no stray.
    let sound = fit.network.solve(condition, &[]).and_then(|volts| read(fit.network.counts(volts)));
    let share = |fitted: &Fitted| -> f64 {
        let seats = fitted.model.iter().flat_map(|mechanism| mechanism.locations());
        let own = seats.filter(|(name, _)| *name == place).map(|(_, share)| share);
        own.sum::<f64>() / fitted.model.len().max(1) as f64
    };
    for fitted in fit.models.iter().filter(|m| m.weight > 0.0) {
        // What presses no key by itself tells nothing of a stray.
        let (Some(stray), Some(Some((counts, _)))) = (fitted.idle_key, fitted.foreseen.get(probe)) else {
            continue;
        };
        let outcome = match read(*counts) {
            Some(key) if Some(key) == sound => 2,
            None => 2,
            Some(key) if key == stray => 0,
            Some(_) => 1,
        };
        sums[outcome] += fitted.weight * share(fitted);
    }
    sums
}
