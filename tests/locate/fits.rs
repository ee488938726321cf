//! The fit against worked fits.
//!
//! Source of every estimate, interval and chi-square: NumPy 2.4 and SciPy 1.17 (least squares over the logarithm
//! of the resistances, profile intervals) on the codes of the worked cases.

use straykey::analysis::ladder::{Condition, Fit, Fitted, Reading, fit, model_word};

use super::cases::CODES;
use super::ladders::{conditions, key, readings, reference};

fn fit_case(case: &str, tolerance: f64) -> Fit {
    let network = reference(tolerance);
    let codes = CODES.iter().find(|(name, _)| *name == case).unwrap().1;
    fit(&network, &readings(&network, &codes, &conditions()))
}

fn find<'a>(fit: &'a Fit, word: &str) -> &'a Fitted {
    fit.models.iter().find(|m| model_word(&m.model) == word).unwrap_or_else(|| panic!("no model {word}"))
}

struct Expected {
    case: &'static str,
    word: &'static str,
    values: &'static [f64],
    exact: &'static [(f64, f64)],
    one_percent: &'static [(f64, f64)],
    chi2: f64,
    runner_up: bool,
}

const EXPECTED: [Expected; 14] = [
    Expected {
        case: "F01",
        word: "main-board-leak-to-ground",
        values: &[32_940.0],
        exact: &[(32_850.0, 33_030.0)],
        one_percent: &[(32_720.0, 33_120.0)],
        chi2: 2.48,
        runner_up: true,
    },
    Expected {
        case: "F02",
        word: "key-board-leak-to-ground",
        values: &[32_950.0],
        exact: &[(32_830.0, 33_060.0)],
        one_percent: &[(32_690.0, 33_150.0)],
        chi2: 2.50,
        runner_up: true,
    },
    Expected {
        case: "F03",
        word: "main-board-leak-to-ground+key-board-leak-to-ground",
        values: &[47_040.0, 24_000.0],
        exact: &[(46_790.0, 47_300.0), (23_890.0, 24_120.0)],
        one_percent: &[(46_690.0, 47_400.0), (23_810.0, 24_200.0)],
        chi2: 2.71,
        runner_up: true,
    },
    Expected {
        case: "F04",
        word: "main-board-leak-to-supply",
        values: &[15_020.0],
        exact: &[(14_970.0, 15_080.0)],
        one_percent: &[(14_720.0, 15_350.0)],
        chi2: 1.61,
        runner_up: true,
    },
    Expected {
        case: "F05",
        word: "key-board-leak-to-higher-supply",
        values: &[46_950.0],
        exact: &[(46_740.0, 47_170.0)],
        one_percent: &[(45_960.0, 47_960.0)],
        chi2: 2.28,
        runner_up: true,
    },
    Expected {
        case: "F06",
        word: "ground-offset",
        values: &[0.08026],
        exact: &[(0.0787, 0.08183)],
        one_percent: &[(0.07674, 0.08168)],
        chi2: 3.99,
        runner_up: true,
    },
    Expected {
        case: "F07",
        word: "ground-offset",
        values: &[-0.06015],
        exact: &[(-0.0621, -0.0582)],
        one_percent: &[(-0.0677, -0.05289)],
        chi2: 2.21,
        runner_up: true,
    },
    Expected {
        case: "F08",
        word: "series-resistance",
        values: &[241.5],
        exact: &[(235.6, 247.5)],
        one_percent: &[(236.2, 252.8)],
        chi2: 3.60,
        runner_up: true,
    },
    Expected {
        case: "F09",
        word: "ground-offset",
        values: &[0.08171],
        exact: &[(0.08015, 0.08328)],
        one_percent: &[(0.07954, 0.08447)],
        chi2: 2.02,
        runner_up: true,
    },
    Expected {
        case: "F10",
        word: "switch-leak-volumedown",
        values: &[11_980.0],
        exact: &[(11_950.0, 12_010.0)],
        one_percent: &[(11_900.0, 12_070.0)],
        chi2: 1.26,
        runner_up: true,
    },
    Expected {
        case: "F11",
        word: "pull-up-value",
        values: &[47_050.0],
        exact: &[(46_930.0, 47_160.0)],
        one_percent: &[(46_450.0, 47_640.0)],
        chi2: 2.60,
        runner_up: true,
    },
    Expected {
        case: "F12",
        word: "supply-or-reference",
        values: &[0.9496],
        exact: &[(0.9492, 0.9501)],
        one_percent: &[(0.9491, 0.9503)],
        chi2: 3.43,
        runner_up: true,
    },
    Expected {
        case: "F13",
        word: "main-board-leak-to-ground+key-board-leak-to-higher-supply",
        values: &[15_000.0, 47_000.0],
        exact: &[(14_950.0, 15_040.0), (46_690.0, 47_320.0)],
        one_percent: &[(14_920.0, 15_090.0), (46_590.0, 47_510.0)],
        chi2: 3.18,
        runner_up: true,
    },
    Expected {
        case: "F14",
        word: "pull-up-on-key-board+main-board-leak-to-ground",
        values: &[9_994.0, 46_940.0],
        exact: &[(9_970.0, 10_020.0), (46_640.0, 47_250.0)],
        one_percent: &[(9_941.0, 10_050.0), (46_610.0, 47_430.0)],
        chi2: 2.16,
        runner_up: true,
    },
];

/// The leader's group holds the expected model, the numbers lie in the worked intervals widened by half, and
/// the intervals' ends agree within a quarter of their width.
#[test]
fn worked_faults_are_found_with_their_values_and_intervals() {
    for e in &EXPECTED {
        for (tolerance, intervals) in [(0.0, e.exact), (0.01, e.one_percent)] {
            let fit = fit_case(e.case, tolerance);
            let who = format!("{} at {tolerance}", e.case);
            let verdict = &fit.verdicts[0];
            let names: Vec<String> =
                verdict.members.iter().map(|i| model_word(&fit.models[*i].model)).collect();
            assert!(names.iter().any(|name| name == e.word), "{who}: {names:?}");
            assert!(fit.accepted, "{who}: p {}", fit.models[0].p);
            let found = find(&fit, e.word);
            if tolerance == 0.0 {
                assert!((found.chi2 - e.chi2).abs() < 0.5, "{who}: chi2 {} against {}", found.chi2, e.chi2);
            }
            for ((estimate, value), (low, high)) in found.estimates.iter().zip(e.values).zip(intervals) {
                let widened = 0.75 * (high - low);
                let middle = f64::midpoint(*low, *high);
                assert!((estimate.value - middle).abs() < widened, "{who}: {estimate:?} against {value}");
                let quarter = 0.25 * (high - low);
                let ends = (estimate.low.unwrap(), estimate.high.unwrap());
                if e.case == "F11" && tolerance > 0.0 {
                    // The worked fit multiplies the unknown pull-up by a tolerance of its own; here the
                    // unknown is the part's true value, so that the interval lies inside the worked one.
                    assert!(*low < ends.0 && ends.1 < *high, "{who}: {estimate:?}");
                    continue;
                }
                assert!((ends.0 - low).abs() < quarter, "{who}: {estimate:?} against {low} to {high}");
                assert!((ends.1 - high).abs() < quarter, "{who}: {estimate:?} against {low} to {high}");
            }
            let outside = fit
                .models
                .iter()
                .enumerate()
                .filter(|(i, m)| !verdict.members.contains(i) && m.weight > 0.0)
                .map(|(_, m)| m.bic - fit.models[0].bic)
                .fold(f64::INFINITY, f64::min);
            assert!(!e.runner_up || outside > 20.0, "{who}: runner-up at {outside}");
        }
    }
}

#[test]
fn a_healthy_ladder_is_called_healthy_and_bounds_what_may_hide() {
    let exact = fit_case("F00", 0.0);
    assert_eq!(model_word(&exact.models[0].model), "healthy");
    assert!((exact.models[0].chi2 - 2.34).abs() < 0.5, "{}", exact.models[0].chi2);
    let fit = fit_case("F00", 0.01);
    assert_eq!(model_word(&fit.models[0].model), "healthy");
    // Worked limits with 1 % parts: MENU switch above 7.7 MΩ, series below 12 Ω.
    let menu = find(&fit, "switch-leak-menu").estimates[0];
    assert_eq!(menu.high, None);
    assert!((5e6..1.2e7).contains(&menu.low.unwrap()), "{menu:?}");
    let series = find(&fit, "series-resistance").estimates[0];
    assert_eq!(series.low, None);
    assert!((9.0..15.0).contains(&series.high.unwrap()), "{series:?}");
}

#[test]
fn a_stuck_switch_has_an_upper_limit_only() {
    let fit = fit_case("F15", 0.01);
    let found = find(&fit, "switch-leak-volumedown");
    assert_eq!(fit.models[fit.verdicts[0].members[0]].model, found.model);
    assert_eq!(found.estimates[0].low, None);
    assert!((13.0..22.0).contains(&found.estimates[0].high.unwrap()), "{:?}", found.estimates[0]);
    assert!(found.estimates[0].value < 10.0);
}

#[test]
fn one_leak_cannot_explain_a_leak_on_each_board() {
    let fit = fit_case("F03", 0.0);
    let single = find(&fit, "main-board-leak-to-ground");
    // Worked: 22.6 kΩ, chi2 172438.
    assert!((single.estimates[0].value / 22_600.0 - 1.0).abs() < 0.02, "{:?}", single.estimates);
    assert!((single.chi2 / 172_438.0 - 1.0).abs() < 0.01, "{}", single.chi2);
    assert!(single.p < 1e-12);
}

#[test]
fn offset_and_series_resistance_are_one_verdict_with_five_percent_parts() {
    for case in ["F06", "F08"] {
        let fit = fit_case(case, 0.05);
        let names: Vec<String> =
            fit.verdicts[0].members.iter().map(|i| model_word(&fit.models[*i].model)).collect();
        assert!(names.contains(&"ground-offset".into()), "{case}: {names:?}");
        assert!(names.contains(&"series-resistance".into()), "{case}: {names:?}");
    }
}

/// A sound ladder that misses its readings, and a fault that would not but is hardly better: neither is believed, and
/// nothing is said that the list of models contradicts. Seven readings 0.45 counts off, one 0.87: in standard errors of
/// rounding, 1/sqrt(12), squares of 17 and 9.
#[test]
fn a_fault_that_is_hardly_better_than_a_sound_ladder_is_told_as_perhaps_luck() {
    let network = reference(0.0);
    let healthy = fit_case("F01", 0.0);
    let model = find(&healthy, "healthy");
    let menu = Condition::Key(key("KEY_MENU"));
    // The first reads the zero of the scale, below which no mean lies.
    let mut sign = -1.0;
    let list: Vec<Reading> = healthy
        .probes
        .iter()
        .zip(&model.foreseen)
        .filter(|(condition, _)| matches!(condition, Condition::Key(_)))
        .filter_map(|(condition, foreseen)| {
            let mut reading = Reading::steady(condition.clone(), 500, 1023, 0.0);
            sign = -sign;
            reading.counts = (*foreseen)?.0 + if *condition == menu { 0.87 } else { 0.45 * sign };
            Some(reading)
        })
        .collect();
    let found = fit(&network, &list);
    assert!(found.models[0].model.is_empty() && !found.accepted, "{}", found.statement());
    assert!(found.models.iter().any(|model| model.p >= 0.01), "the case must have a fault that fits");
    assert!(found.statement().contains("it may be luck"), "{}", found.statement());
}
