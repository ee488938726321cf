use straykey::analysis::change::{Cost, change_points, cost};
use straykey::analysis::phase::{alias, z_squared};
use straykey::analysis::spectrum::{power, search_chance, single_chance};

use super::outside::{close, number, table};

/// The data of `tests/reference/periods.py`, made here by the same formula.
fn uneven() -> (Vec<f64>, Vec<f64>) {
    let round = |x: f64| (x * 1e6).round() / 1e6;
    let times: Vec<f64> = (0..60).map(f64::from).map(|i| round(0.1 * i + 0.03 * (i * i).sin())).collect();
    let values = (0..60)
        .map(f64::from)
        .zip(&times)
        .map(|(i, t)| {
            let wave = (std::f64::consts::TAU * 1.7 * t + 0.4).sin();
            round(2.0 + 0.3 * wave + 0.25 * (12.9898 * i * i).sin())
        })
        .collect();
    (times, values)
}

/// astropy 8 (periodogram, its false-alarm probabilities), ruptures 1.1 (change points).
#[test]
fn periodogram_folding_and_change_points_agree_with_astropy_and_ruptures() {
    let (times, values) = uneven();
    assert!((times.iter().sum::<f64>() - 176.942199).abs() < 1e-9, "check sum of the data");
    assert!((values.iter().sum::<f64>() - 120.135176).abs() < 1e-9, "check sum of the data");
    let rows = table("periods.csv");
    assert!(rows.len() > 150);
    for row in rows {
        let name = row.join(" ");
        match row[0].as_str() {
            "power" => close(power(&times, &values, number(&row, 1)), number(&row, 2), 1e-9, &name),
            "chance" => {
                close(search_chance(number(&row, 1), &times, number(&row, 2)), number(&row, 3), 1e-6, &name);
                close(single_chance(number(&row, 1), times.len()), number(&row, 4), 1e-9, &name);
            }
            "alias" => {
                let seen = alias(number(&row, 1), number(&row, 2));
                assert!((seen - number(&row, 3)).abs() < 1e-9, "{name}: {seen}");
            }
            "pelt" => {
                let list = |cell: usize| row[cell].split(' ').map(|v| v.parse::<f64>().unwrap());
                let values: Vec<f64> = list(4).collect();
                let kind = if row[1] == "level" { Cost::Level { variance: 1.0 } } else { Cost::Counts };
                let ends: Vec<f64> =
                    change_points(&values, kind, number(&row, 2), 2).into_iter().map(|e| e as f64).collect();
                assert_eq!(ends, list(3).collect::<Vec<_>>(), "{name}");
            }
            other => panic!("unknown row {other}"),
        }
    }
}

const PHASES: [f64; 10] = [0.02, 0.05, 0.98, 0.11, 0.93, 0.03, 0.40, 0.07, 0.95, 0.61];

/// Worked with stingray 2.3.2 (methods reference, 4.2).
#[test]
fn z_of_the_worked_phases() {
    close(z_squared(&PHASES, 1), 7.009_835_187_0, 1e-9, "Z1");
    close(z_squared(&PHASES, 2), 15.695_629_940_1, 1e-9, "Z2");
}

/// A slow cycle may be mains: 50.2 Hz read ten times a second appears at 0.2 Hz, 59.98 Hz at 0.02 Hz.
#[test]
fn mains_read_slowly_looks_slow() {
    assert!((alias(50.2, 10.0) - 0.2).abs() < 1e-9);
    assert!((alias(59.98, 10.0) - 0.02).abs() < 1e-9);
}

/// Nile, Cobb 1978, Biometrika 65:243: costs by hand-checked sums of squares (statsmodels' data).
#[test]
fn the_nile_fell_after_1898() {
    let rows = table("periods.csv");
    let row = rows.iter().find(|row| row[0] == "pelt" && row[1] == "level").unwrap();
    let nile: Vec<f64> = row[4].split(' ').map(|v| v.parse().unwrap()).collect();
    let level = Cost::Level { variance: 1.0 };
    close(cost(&nile, level, 0, 100), 2_835_156.75, 1e-12, "whole");
    close(cost(&nile, level, 0, 28) + cost(&nile, level, 28, 100), 1_597_457.194_444, 1e-9, "split");
}

/// Every segmentation of a short series, one by one.
#[test]
fn the_best_segmentation_is_the_best_of_all() {
    let mut random = straykey::analysis::random::Random::new(41);
    for _ in 0..50 {
        let values: Vec<f64> =
            (0..11).map(|i| (random.below(4) + if i < 5 { 6 } else { 0 }) as f64).collect();
        let penalty = 4.0;
        let total = |ends: &[usize]| {
            let starts = [0].iter().chain(ends);
            let sum: f64 = starts.zip(ends).map(|(a, b)| cost(&values, Cost::Counts, *a, *b)).sum();
            sum + penalty * (ends.len() - 1) as f64
        };
        let best = (0u32..1 << 10)
            .map(|mask| {
                let mut ends: Vec<usize> = (1..11).filter(|i| mask >> (i - 1) & 1 == 1).collect();
                ends.push(11);
                total(&ends)
            })
            .fold(f64::INFINITY, f64::min);
        let found = change_points(&values, Cost::Counts, penalty, 1);
        assert!(total(&found) <= best + 1e-9, "{values:?} {found:?}");
    }
}
