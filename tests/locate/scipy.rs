//! The fit against SciPy's least squares and profile intervals on the same readings.
//!
//! The table is written by `tests/reference/ladder.py` (nodal matrix by NumPy, `least_squares`, `brentq`); a fresh
//! one is read from the folder in `STRAYKEY_REFERENCE` when that is set, else the committed one.

use std::path::PathBuf;

use serde::Deserialize;
use straykey::analysis::ladder::{Condition, fit, model_word};

use super::ladders::{key, readings, reference};

#[derive(Deserialize)]
struct Table {
    made_by: String,
    jobs: Vec<Job>,
}

#[derive(Deserialize)]
struct Job {
    tolerance: f64,
    conditions: Vec<(String, serde_json::Value)>,
    codes: Vec<u32>,
    fits: Vec<Expected>,
}

#[derive(Deserialize)]
struct Expected {
    model: String,
    values: Vec<f64>,
    intervals: Vec<(Option<f64>, Option<f64>)>,
    chi2: f64,
}

fn table() -> Table {
    let folder = std::env::var_os("STRAYKEY_REFERENCE")
        .map_or_else(|| PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("tests/reference"), PathBuf::from);
    let path = folder.join("ladder.json");
    let text = std::fs::read_to_string(&path).unwrap_or_else(|error| panic!("{}: {error}", path.display()));
    serde_json::from_str(&text).unwrap()
}

fn condition(kind: &str, what: &serde_json::Value) -> Condition {
    match kind {
        "idle" => Condition::Idle,
        "unplugged" => Condition::Unplugged,
        "substituted" => Condition::Substituted(what.as_f64().unwrap()),
        _ => Condition::Key(key(&format!("KEY_{}", what.as_str().unwrap().to_uppercase()))),
    }
}

/// Ends agree to a part in ten thousand of the value, or of the search coordinate near zero.
fn same(got: Option<f64>, expected: Option<f64>, scale: f64) -> bool {
    match (got, expected) {
        (None, None) => true,
        (Some(got), Some(expected)) => (got - expected).abs() <= 5e-4 * scale.max(expected.abs()),
        _ => false,
    }
}

#[test]
fn values_intervals_and_chi_squares_are_those_of_scipy() {
    let table = table();
    assert!(table.made_by.contains("SciPy"));
    assert!(table.jobs.len() >= 19);
    let mut compared = 0;
    for (number, job) in table.jobs.iter().enumerate() {
        let mut network = reference(job.tolerance);
        // The nodal matrix has no ideal wires; both get the same hundredth of an ohm.
        (network.series_ohm, network.return_ohm) = (0.01, 0.01);
        let conditions: Vec<Condition> = job.conditions.iter().map(|(k, w)| condition(k, w)).collect();
        let fit = fit(&network, &readings(&network, &job.codes, &conditions));
        for expected in &job.fits {
            let found = fit
                .models
                .iter()
                .find(|m| model_word(&m.model) == expected.model)
                .unwrap_or_else(|| panic!("job {number}: no model {}", expected.model));
            let who = format!("job {number}, {}: {found:?}", expected.model);
            let off = found.chi2 - expected.chi2;
            // Far from any fit SciPy may stop early; a lower sum of squares is then no mistake of ours.
            if found.p < 1e-6 && off < 0.0 {
                continue;
            }
            assert!(off.abs() < 1e-4 * expected.chi2.max(1.0), "{off} in {who}, SciPy {}", expected.chi2);
            // A value at a bound, or a flat valley, is no number to compare; its interval is.
            let near = found.bic - fit.models[0].bic < 12.0;
            for ((estimate, value), (low, high)) in
                found.estimates.iter().zip(&expected.values).zip(&expected.intervals)
            {
                if near {
                    if low.is_some() && high.is_some() {
                        assert!(same(Some(estimate.value), Some(*value), 0.0), "{value} in {who}");
                    }
                    assert!(same(estimate.low, *low, value.abs()), "low {low:?} in {who}");
                    assert!(same(estimate.high, *high, value.abs()), "high {high:?} in {who}");
                    compared += 1;
                }
            }
        }
    }
    assert!(compared >= 25, "{compared} intervals compared");
}
