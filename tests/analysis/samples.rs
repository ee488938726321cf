use straykey::analysis::level::{
    Readings, brunner_munzel, compare_levels, energy_chance, energy_distance, ripple, welch,
};
use straykey::analysis::random::Random;

use super::outside::{close, number, table};

/// SciPy, `tests/reference/samples.py`.
#[test]
fn two_sample_tests_agree_with_scipy() {
    let rows = table("samples.csv");
    assert!(rows.len() > 15);
    for row in rows {
        let name = row.join(" ");
        let all: Vec<f64> = (7..row.len()).map(|cell| number(&row, cell)).collect();
        let (x, y) = all.split_at(number(&row, 6) as usize);
        let (statistic, p) = (number(&row, 1), number(&row, 3));
        match row[0].as_str() {
            "welch" => {
                let (found, interval) = welch(x, y, 0.95);
                close(found.statistic, statistic, 1e-10, &name);
                close(found.freedom, number(&row, 2), 1e-10, &name);
                close(found.p, p, 1e-9, &name);
                close(interval.0, number(&row, 4), 1e-9, &name);
                close(interval.1, number(&row, 5), 1e-9, &name);
            }
            "brunner_munzel" => {
                let found = brunner_munzel(x, y);
                close(found.statistic, statistic, 1e-10, &name);
                close(found.p, p, 1e-9, &name);
            }
            "energy" => close(energy_distance(x, y), statistic, 1e-10, &name),
            "energy_exact" => close(energy_chance(x, y, 1), p, 1e-10, &name),
            other => panic!("unknown row {other}"),
        }
    }
}

/// R manual, t.test on Student's sleep data: t = -1.8608, df = 17.776, p = 0.07939, -3.3654832 to 0.2054832.
#[test]
fn the_r_manual_example_comes_out() {
    let one = [0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0];
    let two = [1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4];
    let (found, interval) = welch(&one, &two, 0.95);
    assert!((found.statistic + 1.8608).abs() < 5e-5 && (found.freedom - 17.776).abs() < 5e-4);
    assert!((found.p - 0.07939).abs() < 5e-6);
    assert!((interval.0 + 3.3654832).abs() < 5e-8 && (interval.1 - 0.2054832).abs() < 5e-8);
}

/// Brunner & Munzel 2000, Biometrical J. 42:17, pain scores; as printed in the R manuals (package lawstat, from memory)
/// and in SciPy's: statistic 3.1375, p = 0.005786.
#[test]
fn the_published_pain_scores_come_out() {
    let one = [1.0, 2.0, 1.0, 1.0, 1.0, 1.0, 1.0, 1.0, 1.0, 1.0, 2.0, 4.0, 1.0, 1.0];
    let two = [3.0, 3.0, 4.0, 3.0, 1.0, 2.0, 3.0, 1.0, 1.0, 5.0, 4.0];
    let found = brunner_munzel(&one, &two);
    assert!((found.statistic.abs() - 3.1375).abs() < 5e-5, "{found:?}");
    assert!((found.p - 0.005_786).abs() < 5e-7, "{found:?}");
}

fn noisy(random: &mut Random, level: f64, spikes: f64) -> Readings {
    let mut readings = Readings::default();
    for i in 0..600 {
        let spike = if random.unit() < spikes { 30.0 } else { 0.0 };
        readings.t.push(f64::from(i) * 0.1);
        readings.value.push((level + random.normal() + spike).round());
    }
    readings
}

#[test]
fn a_level_shift_is_seen_with_its_size() {
    let mut random = Random::new(31);
    let (before, after) = (noisy(&mut random, 512.0, 0.0), noisy(&mut random, 508.0, 0.0));
    let found = compare_levels(&before, &after, 1).unwrap();
    assert_eq!(found.shift, -4.0);
    assert!(found.shift_low > -4.5 && found.shift_high < -3.5, "{found:?}");
    assert!(found.chance_mean < 1e-6 && found.chance_rank < 1e-6 && found.chance_any <= 0.001);
}

/// Base 4 lower, spikes 30 higher in an eighth of the readings: the mean stays.
#[test]
fn a_change_that_means_do_not_see_is_seen() {
    let mut random = Random::new(32);
    let (before, after) = (noisy(&mut random, 512.0, 0.0), noisy(&mut random, 508.25, 0.125));
    let found = compare_levels(&before, &after, 1).unwrap();
    assert!(found.chance_mean > 0.01, "{found:?}");
    assert!(found.chance_any <= 0.001, "{found:?}");
    assert!(found.notes.iter().any(|note| note.contains("Spikes: 0 % of the readings before")), "{found:?}");
    assert!((found.after.spikes - 0.125).abs() < 0.04);
}

#[test]
fn the_same_level_twice_is_no_change() {
    let mut random = Random::new(33);
    let mut called = 0;
    for seed in 0..60 {
        let (before, after) = (noisy(&mut random, 512.0, 0.02), noisy(&mut random, 512.0, 0.02));
        called += u32::from(compare_levels(&before, &after, seed).unwrap().chance_any < 0.05);
    }
    assert!(called <= 8, "{called} of 60 at a level of 5 %");
}

#[test]
fn constant_readings_are_equal_or_different_and_no_crash() {
    let flat = |level: f64| Readings { t: (0..50).map(f64::from).collect(), value: vec![level; 50] };
    let same = compare_levels(&flat(500.0), &flat(500.0), 1).unwrap();
    assert!(same.chance_mean == 1.0 && same.shift == 0.0);
    let other = compare_levels(&flat(500.0), &flat(480.0), 1).unwrap();
    assert!(other.chance_mean < 0.01 && other.shift == -20.0);
    assert!(compare_levels(&Readings::default(), &flat(1.0), 1).is_none());
}

/// 50.2 Hz of hum on a line read ten times a second appears at 0.2 Hz, and no one can say from which harmonic.
#[test]
fn mains_hum_shows_as_a_slow_ripple_with_its_candidates() {
    let mut random = Random::new(34);
    let mut readings = Readings::default();
    for i in 0..900 {
        let t = f64::from(i) * 0.1;
        readings.t.push(t);
        readings.value.push(500.0 + 6.0 * (std::f64::consts::TAU * 50.2 * t).sin() + random.normal());
    }
    let found = ripple(&readings, &[]).unwrap();
    assert!((found.frequency - 0.2).abs() < 0.01, "{found:?}");
    assert!(found.chance < 1e-6);
    assert!(found.candidates.len() >= 2 && found.candidates.iter().any(|c| c.frequency == 50.0), "{found:?}");
}
