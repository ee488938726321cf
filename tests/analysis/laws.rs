use straykey::analysis::laws::{From, Laws, Proof};
use straykey::analysis::quiet_intervals::QuietIntervals;
use straykey::analysis::random::Random;

use super::outside::{close, number, table};

fn side(text: &str, least: f64) -> QuietIntervals {
    let mut parts = text.split(';').map(|part| part.split_whitespace().map(|v| v.parse().unwrap()).collect());
    let mut next = || parts.next().unwrap();
    QuietIntervals { whole: next(), leading: next(), trailing: next(), least }
}

/// SciPy by quadrature over scales and survivals, `tests/reference/laws.py`: not the closed forms that we use.
#[test]
fn laws_agree_with_numerical_integration() {
    let rows = table("laws.csv");
    assert!(rows.len() >= 50);
    for row in rows {
        let name = row.join(" ");
        let (joined, given, wanted) = (number(&row, 1), number(&row, 2), number(&row, 3));
        let found = Laws::fit(&side(&row[4], joined)).unwrap();
        // Laws of a share below 1e-7 are left out.
        let near = |ours: f64| {
            assert!(
                (ours - wanted).abs() < 3e-6 + 1e-5 * wanted,
                "{name}: ours {ours:e}, outside {wanted:e}"
            );
        };
        match row[0].as_str() {
            "quiet" => near(found.quiet(given)),
            "lasts" => near(found.quiet_from(From::LastEpisode, given)),
            "needed" => close(found.needed(given, 1.0), wanted, 1e-4, &name),
            "shape" => close(found.shape(), wanted, 1e-6, &name),
            other => panic!("unknown row {other}"),
        }
    }
}

/// Cox 1962, ch. 5, for gaps with survival x^-1.5: from an unrelated moment 1481 mean gaps are quiet in 1 of 100 cases.
/// Forty such gaps must not lead to a soak that quiet alone decides; exponential ones must.
#[test]
fn tails_too_heavy_are_said_and_even_gaps_are_not() {
    let mut random = Random::new(91);
    let (mut heavy, mut no_variance) = (0, 0);
    for _ in 0..20 {
        let pareto: Vec<f64> = (0..40).map(|_| 20.0 * random.unit().powf(-1.0 / 1.5)).collect();
        let seen = QuietIntervals { whole: pareto, leading: vec![15.0], trailing: vec![12.0], least: 0.0 };
        let found = Laws::fit(&seen).unwrap();
        heavy += u32::from(matches!(found.proof(From::Unrelated, 0.01), Proof::TailsTooHeavy { .. }));
        no_variance += u32::from(found.no_variance() > 0.5);
        assert!(matches!(found.proof(From::LastEpisode, 0.01), Proof::After { .. }));
    }
    // Forty gaps may lack a long one.
    assert!(heavy >= 18 && no_variance >= 18, "{heavy} and {no_variance} of 20");
    for _ in 0..20 {
        let even: Vec<f64> = (0..40).map(|_| 60.0 * random.exponential()).collect();
        let mean = even.iter().sum::<f64>() / 40.0;
        let seen = QuietIntervals { whole: even, leading: vec![50.0], trailing: vec![40.0], least: 0.0 };
        let Proof::After { seconds } = Laws::fit(&seen).unwrap().proof(From::LastEpisode, 0.01) else {
            panic!("{seen:?}")
        };
        // ln 100 = 4.6 mean gaps, were the law known.
        assert!(seconds / mean > 4.5 && seconds / mean < 13.0, "{}", seconds / mean);
    }
}

/// Gaps that are never shorter than a part of their mean, and otherwise chance: the tail is that of chance, so a soak
/// decides. Without a law for them they were taken for gaps without variance.
#[test]
fn gaps_with_a_dead_time_have_the_tail_of_chance() {
    let mut random = Random::new(94);
    for _ in 0..20 {
        let whole: Vec<f64> = (0..200).map(|_| 0.3 + 4.7 * random.exponential()).collect();
        let mean = whole.iter().sum::<f64>() / 200.0;
        let seen = QuietIntervals { whole, leading: vec![3.0], trailing: vec![4.0], least: 0.0 };
        let found = Laws::fit(&seen).unwrap();
        assert!(found.no_variance() < 0.25, "{}", found.no_variance());
        let Proof::After { seconds } = found.proof(From::LastEpisode, 0.01) else { panic!("{seen:?}") };
        // ln 100 = 4.6 mean gaps, were the law known.
        assert!(seconds / mean > 4.0 && seconds / mean < 9.0, "{}", seconds / mean);
    }
}

/// Of even gaps a break says nothing; of uneven ones it says that the gap it ends in is no older than itself: a short break
/// asks for little more than none, a long one for what an unrelated moment does.
#[test]
fn a_break_counts_by_its_length() {
    let mut random = Random::new(93);
    let exponential: Vec<f64> = (0..200).map(|_| 60.0 * random.exponential()).collect();
    let heavy: Vec<f64> = (0..60).map(|_| 20.0 * random.unit().powf(-1.0 / 1.5)).collect();
    let seen =
        |whole: Vec<f64>| QuietIntervals { whole, leading: vec![50.0], trailing: vec![40.0], least: 0.0 };
    let after = |laws: &Laws, away: f64| laws.quiet_from(From::Break { seconds: Some(away) }, 240.0);
    let even = Laws::fit(&seen(exponential)).unwrap();
    let none = even.quiet_from(From::LastEpisode, 240.0);
    assert!((after(&even, 600.0) / none - 1.0).abs() < 0.35, "{} {none}", after(&even, 600.0));
    let uneven = Laws::fit(&seen(heavy)).unwrap();
    let (none, endless) = (uneven.quiet_from(From::LastEpisode, 240.0), uneven.quiet(240.0));
    let chances: Vec<f64> = [1.0, 60.0, 600.0, 6000.0, 1e8].map(|away| after(&uneven, away)).to_vec();
    assert!(chances.windows(2).all(|pair| pair[1] >= pair[0] - 1e-9), "{chances:?}");
    assert!(
        (chances[0] / none - 1.0).abs() < 0.1 && chances[4] > 0.5 * endless,
        "{chances:?} {none} {endless}"
    );
}

/// On for ten minutes and off for ten, a whole pause seen: the soak must outlast a pause, and not many.
#[test]
fn a_pause_that_comes_by_turns_is_outlasted() {
    let mut random = Random::new(92);
    let mut short: Vec<f64> = (0..30).map(|_| 30.0 * random.exponential()).collect();
    short.push(620.0);
    let seen = QuietIntervals { whole: short, leading: vec![10.0], trailing: vec![20.0], least: 0.0 };
    let asked = Laws::fit(&seen).unwrap().needed_from(From::LastEpisode, 0.01, 0.0);
    assert!(asked > 620.0 && asked < 2.5 * (620.0 + 138.0), "{asked}");
}

#[test]
fn quiet_falls_with_time_and_too_few_gaps_say_nothing() {
    let two = |whole: Vec<f64>| QuietIntervals { whole, ..QuietIntervals::default() };
    assert_eq!(Laws::fit(&two(vec![3.0])), None);
    let found = Laws::fit(&two(vec![0.0, 0.0, 5.0, 9.0, 9.0])).unwrap();
    for from in [From::Unrelated, From::LastEpisode] {
        let chances: Vec<f64> = (0..60).map(|i| found.quiet_from(from, 1.2f64.powi(i))).collect();
        assert!(chances.windows(2).all(|pair| pair[1] <= pair[0] + 1e-9), "{chances:?}");
        assert!(chances.iter().all(|chance| (0.0..=1.0).contains(chance)));
    }
}
