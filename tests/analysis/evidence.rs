use straykey::analysis::attribution::{StageCount, attribute, blocks_each, step_posterior};
use straykey::analysis::evidence::{
    Prior, Sequential, Wald, log_e_below, log_e_changed, log_e_changed_scaled, log_e_other, log_marginal,
};
use straykey::analysis::random::Random;
use straykey::analysis::rate::Count;

use super::outside::{close, number, table};

fn count(count: u64, exposure: f64) -> Count {
    Count { count, exposure }
}

/// mpmath by quadrature, `tests/reference/evidence.py`: not the closed forms that we use.
#[test]
fn mixtures_agree_with_numerical_integration() {
    let rows = table("evidence.csv");
    assert!(rows.len() > 15);
    for row in rows {
        let name = row.join(" ");
        let at = |cell: usize| number(&row, cell);
        match row[0].as_str() {
            "below" | "other" => {
                let (seen, prior) = (count(at(1) as u64, at(2)), Prior { shape: at(4), scale: at(5) });
                let ours = if row[0] == "below" { log_e_below } else { log_e_other }(seen, at(3), prior);
                close(ours, at(6), 1e-9, &name);
            }
            "marginal" => {
                let ours = log_marginal(count(at(1) as u64, at(2)), Prior { shape: at(3), scale: at(4) });
                close(ours, at(5), 1e-9, &name);
            }
            "changed" => {
                let ours =
                    log_e_changed(count(at(1) as u64, at(2)), count(at(3) as u64, at(4)), Prior::MINUTE);
                close(ours, at(5), 1e-9, &name);
            }
            "scaled" => {
                let (before, after) = (count(at(1) as u64, at(2)), count(at(3) as u64, at(4)));
                close(log_e_changed_scaled(before, after, at(5), Prior::MINUTE), at(6), 1e-9, &name);
            }
            "posterior" => {
                let session: Vec<Count> = row[2]
                    .split(';')
                    .map(|stage| {
                        let (k, t) = stage.split_once(' ').unwrap();
                        count(k.parse().unwrap(), t.parse().unwrap())
                    })
                    .collect();
                let ours = step_posterior(&session, Prior::MINUTE);
                assert!((ours.iter().sum::<f64>() - 1.0).abs() < 1e-12);
                for (ours, theirs) in ours.iter().zip(row[1].split(' ')) {
                    let theirs: f64 = theirs.parse().unwrap();
                    // Below that the quadrature has no digits left.
                    assert!((ours - theirs).abs() < 1e-12 + 1e-7 * theirs, "{name}: {ours:e}");
                }
            }
            other => panic!("unknown row {other}"),
        }
    }
}

/// Wald 1947: bounds ln((1-β)/α) and ln(β/(1-α)), worked by hand for α = 0.05, β = 0.10.
#[test]
fn walds_test_has_its_bounds_and_its_worked_point() {
    let wald = Wald { rate: 1.0, share: 0.1, alpha: 0.05, beta: 0.1 };
    let (low, high) = wald.bounds();
    close(high, 18f64.ln(), 1e-12, "high");
    close(low, (0.1f64 / 0.95).ln(), 1e-12, "low");
    close(wald.log_ratio(count(2, 10.0)), 2.0 * 0.1f64.ln() + 9.0, 1e-12, "two in ten");
    assert_eq!(wald.state(count(2, 10.0)), Sequential::Fallen);
    assert_eq!(wald.state(count(1, 0.5)), Sequential::Open);
    assert_eq!(wald.state(count(3, 1.0)), Sequential::Same);
}

/// Ville's inequality: looked at after every event and every half minute for four hours, at most 5 % of unchanged
/// sets reach 1/0.05.
#[test]
fn the_e_process_keeps_its_promise_however_often_one_looks() {
    let mut random = Random::new(51);
    let prior = Prior { shape: 0.5, scale: 1.0 };
    let (runs, mut alarms) = (400, 0);
    for _ in 0..runs {
        let (mut next, mut k) = (random.exponential(), 0);
        let alarm = (1..480).any(|half| {
            let t = f64::from(half) * 0.5;
            let mut reached = false;
            while next < t {
                reached |= log_e_below(count(k, next), 1.0, prior) >= 20f64.ln();
                k += 1;
                next += random.exponential();
            }
            reached || log_e_below(count(k, t), 1.0, prior) >= 20f64.ln()
        });
        alarms += u32::from(alarm);
    }
    assert!(alarms <= 20 + 13, "{alarms} of {runs}: 5 % and three standard errors");
}

fn stage(changes: &[&str], k: u64, t: f64) -> StageCount {
    StageCount { changes: changes.iter().map(|c| (*c).to_owned()).collect(), count: count(k, t) }
}

#[test]
fn the_step_that_did_it_is_named_and_a_second_one_too() {
    let found = attribute(&[
        stage(&[], 40, 20.0),
        stage(&["connector reseated"], 36, 20.0),
        stage(&["key board cleaned"], 3, 20.0),
        stage(&["ribbon replaced"], 0, 40.0),
    ]);
    assert!(found.steps[1].posterior > 0.999 && !found.drift, "{found:?}");
    // SciPy's binomial and statsmodels' Holm, worked in the methods reference (3.2).
    close(found.steps[1].chance_corrected, 2.919_750_84e-8, 1e-6, "step 2");
    close(found.steps[2].chance_corrected, 0.037_037_037_0, 1e-8, "step 3");
    assert!(found.notes.iter().any(|note| note.contains("two causes")), "{:?}", found.notes);
}

#[test]
fn an_open_question_names_both_steps_and_the_toggle_that_would_settle_it() {
    let found = attribute(&[
        stage(&[], 12, 20.0),
        stage(&["a"], 9, 20.0),
        stage(&["b"], 4, 20.0),
        stage(&["c"], 0, 20.0),
    ]);
    let note = &found.notes[0];
    assert!(note.contains("step 3 69 %") && note.contains("step 2 29 %"), "{note}");
    let toggle = found.toggle.expect("a toggle");
    assert!(toggle.minutes > 0.0 && [2, 3].contains(&toggle.step), "{toggle:?}");
}

#[test]
fn two_changes_in_one_step_are_one_unit_and_named_so() {
    let found = attribute(&[stage(&[], 40, 20.0), stage(&["board cleaned", "cable replaced"], 0, 40.0)]);
    assert!(found.steps[0].confounded);
    assert!(
        found.notes.iter().any(|note| note.contains("cannot be told apart: board cleaned; cable replaced"))
    );
    assert!(found.toggle.is_some());
}

#[test]
fn a_steady_trend_gives_no_step_the_credit() {
    let stages: Vec<StageCount> =
        [80, 40, 20, 10, 5, 2].into_iter().map(|k| stage(&["something"], k, 20.0)).collect();
    let found = attribute(&stages);
    assert!(found.drift, "{found:?}");
    assert!(found.notes[0].contains("no step earns the credit"));
}

/// 1/C(2m, m): 1/6, 1/20, 1/70.
#[test]
fn so_many_stretches_are_needed_for_a_randomised_claim() {
    assert_eq!((blocks_each(0.17), blocks_each(0.05), blocks_each(0.015), blocks_each(0.01)), (2, 3, 4, 5));
}
