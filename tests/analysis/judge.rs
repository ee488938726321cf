//! The mathematics of a verdict: boundaries, ratios, drifts, held shares, misread presses. Rates of error are in
//! `examples/judge.md`.

use straykey::analysis::Verdict;
use straykey::analysis::drift::{Watched, drift, ratio_without};
use straykey::analysis::held::{Alternation, HeldChange, compare_shares};
use straykey::analysis::keycheck::Confusion;
use straykey::analysis::presses::{Change, Prompts, boschloo, power, prompts_for_power, prompts_needed};
use straykey::analysis::random::Random;
use straykey::analysis::rate::{Count, interval_mid};
use straykey::analysis::sequential::{Looks, PLANNED, constant, constant_always};
use straykey::base::Key;
use straykey::bench::KeyChecks;

use super::outside::{close, number, table};

fn numbers(text: &str) -> Vec<f64> {
    text.split_whitespace().map(|v| v.parse().unwrap()).collect()
}

#[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
fn whole(row: &[String], cell: usize) -> u32 {
    number(row, cell) as u32
}

/// SciPy's Boschloo test, mpmath's images of a Brownian motion, the printed O'Brien-Fleming constants, and a
/// log-linear rate by SciPy's minimiser: `tests/reference/judge.py`.
#[test]
fn judge_agrees_with_outside() {
    for row in table("judge.csv") {
        let name = row.join(" ");
        match row[0].as_str() {
            "boschloo" => {
                let before = Prompts { misread: whole(&row, 1), given: whole(&row, 2) };
                let after = Prompts { misread: whole(&row, 3), given: whole(&row, 4) };
                let (ours, theirs) = (boschloo(before, after, Change::Fewer), number(&row, 5));
                // Both seek the largest chance over the common share; SciPy's sampling may stop just short of it.
                assert!(ours >= theirs * (1.0 - 1e-7) && ours < theirs * 1.002, "{name}: ours {ours}");
            }
            "stays" => {
                let (c, inside) = (number(&row, 1), number(&row, 2));
                close(constant_always(1.0 - inside), c, 1e-9, &name);
            }
            "boundary" => {
                let ours = constant(&numbers(&row[2]), number(&row, 1));
                assert!((ours - number(&row, 3)).abs() < 0.0015, "{name}: ours {ours}");
            }
            "slope" => {
                let sides: Vec<(Vec<f64>, f64, f64)> = row[2]
                    .split(';')
                    .map(|side| {
                        let parts: Vec<&str> = side.split(':').collect();
                        (numbers(parts[0]), parts[1].parse().unwrap(), parts[2].parse().unwrap())
                    })
                    .collect();
                let sides: Vec<Watched<'_>> = sides
                    .iter()
                    .map(|(times, start, end)| Watched { times, start: *start, end: *end })
                    .collect();
                let found = drift(&sides).unwrap();
                assert!((found.slope - number(&row, 1)).abs() < 1e-6, "{name}: ours {}", found.slope);
            }
            other => panic!("unknown row {other}"),
        }
    }
}

#[test]
fn looks_are_harder_early_and_hardest_late() {
    let [early, planned, later] = [0.5, 1.0, 1.05].map(|share| Looks::usual().deviate(share));
    assert!(planned < early && planned < later, "{early} {planned} {later}");
    assert!(Looks::usual().deviate(0.0).is_infinite());
}

/// A rate that falls by itself, sixfold in 100 min: equal before and after once the drift is out.
#[test]
fn a_drift_is_no_repair() {
    let mut random = Random::new(93);
    let mut times: Vec<f64> = Vec::new();
    let mut t = 0.0;
    while t < 6000.0 {
        t += 6.0 * random.exponential();
        if random.unit() < 6f64.powf(-t / 6000.0) {
            times.push(t);
        }
    }
    times.retain(|t| *t < 6000.0);
    let (one, two) = times.split_at(times.partition_point(|t| *t < 3000.0));
    let before = Watched { times: one, start: 0.0, end: 3000.0 };
    let after = Watched { times: two, start: 3000.0, end: 6000.0 };
    let found = drift(&[before, after]).unwrap();
    assert!(found.chance < 1e-4 && found.slope < 0.0, "{found:?}");
    let count = |times: &[f64]| Count { count: times.len() as u64, exposure: 3000.0 };
    assert!(interval_mid(count(one), count(two), 1.0, 0.95).low > 1.0);
    assert!(!ratio_without(before.counted(), after.counted(), &found, 0.95).differs());
    assert!(drift(&[Watched { times: &[1.0, 2.0], start: 0.0, end: 9.0 }]).is_none());
}

#[test]
fn held_shares_compare_by_cycles() {
    let mut random = Random::new(94);
    let mut draw = |held: f64, free: f64| Alternation {
        cycles: (0..25).map(|_| (held * random.exponential(), free * random.exponential())).collect(),
        free_before: 10.0,
    };
    let (long, same, short) = (draw(60.0, 60.0), draw(60.0, 60.0), draw(6.0, 60.0));
    let HeldChange::Compared { interval, .. } = compare_shares(&long, &same, 0.95) else { panic!() };
    assert!(interval.holds(0.0), "{interval:?}");
    let HeldChange::Compared { difference, interval, chance } = compare_shares(&long, &short, 0.95) else {
        panic!()
    };
    assert!(difference > 0.2 && interval.low > 0.0 && chance < 0.01, "{interval:?}");
    let once = Alternation { cycles: vec![(212.0, 5.0)], free_before: 0.0 };
    assert_eq!(compare_shares(&once, &long, 0.95), HeldChange::TooFew);
    assert_eq!(compare_shares(&long, &Alternation::default(), 0.95), HeldChange::NeverHeld { after: true });
}

#[test]
fn few_prompts_tell_what_they_can() {
    // Half of ten misread: how many right answers show the repair.
    let before = Prompts { given: 10, misread: 5 };
    let needed = prompts_needed(before, 0.05).unwrap();
    let p = |given: u32| boschloo(before, Prompts { given, misread: 0 }, Change::Fewer);
    assert!(p(needed) <= 0.05 && p(needed - 1) > 0.05, "{needed}");
    assert_eq!(prompts_needed(Prompts { given: 10, misread: 0 }, 0.05), None);
    let ten = power(10, 0.5, 0.0, 0.05);
    assert!(ten > 0.75 && ten < 1.0, "{ten}");
    let each = prompts_for_power(0.5, 0.0, 0.05, 0.8).unwrap();
    assert!(power(each, 0.5, 0.0, 0.05) >= 0.8 && power(each - 1, 0.5, 0.0, 0.05) < 0.8, "{each}");
    assert!(boschloo(Prompts { given: 8, misread: 2 }, Prompts { given: 8, misread: 2 }, Change::More) > 0.3);
}

/// The constant of live looks is that of forty-eight even ones, by integration.
#[test]
fn the_constant_of_live_looks_is_integrated() {
    let shares: Vec<f64> = (1..=48).map(|i| f64::from(i) / 48.0).collect();
    assert!((Looks::usual().c() - constant(&shares, PLANNED)).abs() < 1e-4);
}

/// Fisher's one-sided p of 4 of 10 against 0 of 10 is C(10,4)/C(20,4) = 0.0433 by hand; Boschloo's is never above it.
#[test]
fn key_checks_decide_by_themselves() {
    let key = |name: &str| Key::from_name(name).unwrap();
    let (menu, up) = (key("KEY_MENU"), key("KEY_VOLUMEUP"));
    let row = |seen: Option<Key>, count: u64| Confusion { asked: menu, seen, count };
    let before = vec![row(Some(up), 3), row(None, 1), row(Some(menu), 6)];
    let found = KeyChecks::compare(1, before.clone(), vec![row(Some(menu), 10)]).unwrap();
    assert_eq!(found.verdict, Verdict::Gone, "{found:?}");
    assert!(found.chance <= 0.0433 && found.keys[0].misread_before == 4, "{found:?}");
    assert!(found.sentence.contains("4 of 10 presses misread before, 0 of 10 after"), "{}", found.sentence);
    let few = KeyChecks::compare(1, before.clone(), vec![row(Some(menu), 2)]).unwrap();
    assert_eq!(few.verdict, Verdict::Undecided);
    let needed = few.prompts_needed.unwrap();
    assert!((3..=10).contains(&needed) && few.sentence.contains("more right answer"), "{few:?}");
    let worse =
        KeyChecks::compare(1, vec![row(Some(menu), 10)], vec![row(Some(up), 8), row(Some(menu), 2)]).unwrap();
    assert_eq!(worse.verdict, Verdict::Worse);
    assert!(KeyChecks::compare(1, before, Vec::new()).is_none());
}
