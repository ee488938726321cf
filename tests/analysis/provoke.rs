//! Provocation: the plan, the randomisation test, its intervals, what a plan promises. Rates on sets that burst and drift
//! are in `examples/provoke.md`.

use proptest::prelude::*;
use straykey::analysis::provoke::plan::MOST_STRESSORS;
use straykey::analysis::provoke::{
    Direction, Kind, Label, Looks, Plan, PlanError, Slot, Table, TableError, Timing, Wish, forecast, judge,
    judge_all, ratio, shift, smallest_p,
};
use straykey::analysis::random::Random;
use straykey::base::Nanoseconds;
use straykey::timeline::job::Spoiled;

use super::outside::{close, number, table};

fn seconds(s: f64) -> Nanoseconds {
    Nanoseconds::from_seconds(s)
}

fn slot(wash_out: f64, counted: f64) -> Slot {
    Slot { wash_out: seconds(wash_out), counted: seconds(counted) }
}

fn p(rows: &[Vec<f64>], direction: Direction) -> Vec<f64> {
    let table = Table::new(rows[0].len() - 1, rows.to_vec()).unwrap();
    judge(&table, direction, None, 1).iter().map(|outcome| outcome.p).collect()
}

fn poisson(random: &mut Random, mean: f64) -> f64 {
    let mut product = random.unit();
    let mut count = 0.0;
    while product > (-mean).exp() {
        product *= random.unit();
        count += 1.0;
    }
    count
}

/// SciPy's `permutation_test`, by `tests/reference/provoke.py`; and the counts that Fisher 1935 prints for Darwin's maize.
#[test]
fn agrees_with_outside() {
    let rows_of = |text: &str| -> Vec<Vec<f64>> {
        text.split(';').map(|row| row.split(' ').map(|value| value.parse().unwrap()).collect()).collect()
    };
    let all = table("provoke.csv");
    for row in &all {
        let name = row.join(",");
        if row[0] == "shift" {
            let rows = rows_of(&row[2]);
            let ours = shift(&Table::new(1, rows).unwrap(), 0, number(row, 1), 1).unwrap().interval.unwrap();
            // Theirs is bisected to 1e-7.
            assert!(
                (ours.low - number(row, 3)).abs() < 1e-6 && (ours.high - number(row, 4)).abs() < 1e-6,
                "{name}"
            );
            continue;
        }
        let direction = if row[0] == "more" { Direction::More } else { Direction::Either };
        for (stressor, ours) in p(&rows_of(&row[1]), direction).iter().enumerate() {
            // Both count all orders: the same whole number of them, divided.
            close(*ours, number(row, stressor + 2), 1e-12, &name);
        }
    }
    let maize = rows_of(&all[0][1]);
    close(p(&maize, Direction::More)[0], 863.0 / 32768.0, 1e-12, "Fisher, one side");
    close(p(&maize, Direction::Either)[0], 1726.0 / 32768.0, 1e-12, "Fisher, both sides");
}

#[test]
fn a_plan_is_a_function_of_its_seed() {
    let draw = |seed| Plan::draw(3, slot(5.0, 20.0), 8, seed).unwrap();
    assert_eq!(draw(7).rounds(), draw(7).rounds());
    assert_ne!(draw(7).rounds(), draw(8).rounds());
    let plan = draw(7);

    for round in plan.rounds() {
        let mut labels = round.labels.clone();
        labels.sort();
        let all = [Label::LeaveAlone, Label::Stressor(0), Label::Stressor(1), Label::Stressor(2)];
        assert_eq!(labels, all);
    }
    let blocks = plan.blocks();
    assert_eq!(blocks.len(), 32);
    assert!(blocks.windows(2).all(|pair| pair[0].span.end == pair[1].span.start));
    assert!(blocks.iter().all(|block| block.counted.length() == seconds(20.0)));
    assert_eq!(blocks[31].span.end, seconds(32.0 * 25.0));
}

/// Each order of a round equally often: chi-square with 5 degrees of freedom, below its 0.999 quantile 20.5.
#[test]
fn each_order_is_as_likely() {
    let mut counts = std::collections::BTreeMap::new();
    for seed in 0..600 {
        for round in Plan::draw(2, slot(0.0, 10.0), 10, seed).unwrap().rounds() {
            *counts.entry(round.labels).or_insert(0.0) += 1.0;
        }
    }
    assert_eq!(counts.len(), 6);
    let chi_square: f64 = counts.values().map(|count: &f64| (count - 1000.0).powi(2) / 1000.0).sum();
    assert!(chi_square < 20.5, "{counts:?}");
}

#[test]
fn a_spoiled_round_is_struck_whole_and_one_is_appended() {
    let mut plan = Plan::draw(1, slot(0.0, 10.0), 3, 5).unwrap();
    let before = plan.rounds();
    plan.strike(1, Spoiled::HandsMoved).unwrap();
    let after = plan.rounds();
    assert_eq!((after.len(), plan.planned()), (4, 3));
    assert_eq!(after[1].struck, Some(Spoiled::HandsMoved));
    for number in 0..3 {
        assert_eq!(after[number].labels, before[number].labels);
    }
    assert_eq!(plan.strike(1, Spoiled::Paused), Err(PlanError::NoRound(1)));
    assert_eq!(plan.strike(4, Spoiled::Paused), Err(PlanError::NoRound(4)));
    // The appended one can be spoiled as well.
    plan.strike(3, Spoiled::Other("cat".to_owned())).unwrap();
    assert_eq!(plan.rounds().iter().filter(|round| round.struck.is_none()).count(), 3);

    let measured: Vec<Vec<f64>> = plan
        .rounds()
        .iter()
        .map(|round| round.labels.iter().map(|label| label.column() as f64).collect())
        .collect();
    assert_eq!(plan.table(&measured).unwrap().rows(), [[0.0, 1.0], [0.0, 1.0], [0.0, 1.0]]);
    assert_eq!(plan.table(&measured[..2]).unwrap().rows().len(), 1);
    assert_eq!(plan.table(&[vec![1.0]]), Err(TableError::Width(0)));
}

#[test]
fn what_is_no_plan_is_refused() {
    let good = slot(0.0, 10.0);
    assert_eq!(Plan::draw(0, good, 5, 1), Err(PlanError::Stressors(0)));
    assert_eq!(Plan::draw(MOST_STRESSORS + 1, good, 5, 1), Err(PlanError::Stressors(7)));
    assert_eq!(Plan::draw(1, good, 0, 1), Err(PlanError::Rounds(0)));
    assert_eq!(Plan::draw(1, slot(5.0, 0.0), 5, 1), Err(PlanError::Slot(slot(5.0, 0.0))));
    assert_eq!(Table::new(1, vec![vec![1.0, f64::NAN]]), Err(TableError::NotFinite(0)));
    assert_eq!(Table::new(0, vec![]), Err(TableError::NoStressor));
}

/// Every order of a small plan is carried out in turn on one set of numbers: the share in which an idle stressor is called
/// is the error itself, not an estimate of it. Two rounds' numbers drift and burst.
#[test]
fn the_error_is_kept_exactly_over_all_orders() {
    let mut random = Random::new(11);
    for trial in 0..6 {
        let direction = if trial % 2 == 0 { Direction::More } else { Direction::Either };
        for (width, rounds) in [(2, 6), (3, 4)] {
            let seen: Vec<Vec<f64>> = (0..rounds)
                .map(|round| {
                    (0..width).map(|_| random.exponential().powi(3) + 3.0 * f64::from(round)).collect()
                })
                .collect();
            let kinds = permutations(width);
            let orders = kinds.len().pow(rounds);
            let (mut once, mut looking) = (Vec::new(), Vec::new());
            for order in 0..orders {
                let rows: Vec<Vec<f64>> = (0..rounds)
                    .map(|round| {
                        let pick = &kinds[order / kinds.len().pow(round) % kinds.len()];
                        pick.iter().map(|place| seen[round as usize][*place]).collect()
                    })
                    .collect();
                let table = Table::new(width - 1, rows).unwrap();
                once.push(judge(&table, direction, None, 3).iter().map(|o| o.p).fold(1.0, f64::min));
                let looks = Looks { alpha: 0.3, planned: rounds };
                looking.push(judge(&table, direction, Some(looks), 3).iter().any(|o| o.certain.is_some()));
            }
            for alpha in [0.02, 0.05, 0.1, 0.3] {
                let called = once.iter().filter(|p| **p <= alpha).count();
                assert!(called as f64 <= alpha * orders as f64 + 1e-9, "{called} of {orders} at {alpha}");
            }
            let called = looking.iter().filter(|called| **called).count();
            assert!(called as f64 <= 0.3 * orders as f64, "looks: {called} of {orders}");
            // And it is no test that calls nothing.
            assert!(called > 0 && once.iter().any(|p| *p <= 0.3), "{width} labels, {rounds} rounds");
        }
    }
}

/// The same of counts in two views and a level together: any of them called is the error.
#[test]
fn the_error_of_views_and_kinds_together_is_kept_exactly() {
    let mut random = Random::new(17);
    let rounds = 7;
    let mut called_once = 0;
    for _ in 0..5 {
        let mut numbers = |burst: f64| -> Vec<Vec<f64>> {
            let mut one = || (burst * random.exponential().powi(2)).floor();
            (0..rounds).map(|_| vec![one(), one()]).collect()
        };
        let seen = [numbers(5.0), numbers(1.5), numbers(40.0)];
        let (mut once, mut looking) = (Vec::new(), 0);
        for order in 0..1usize << rounds {
            let [all, fresh, level] = seen.clone().map(|rows| {
                let swap = |(round, row): (usize, Vec<f64>)| match order >> round & 1 {
                    0 => row,
                    _ => vec![row[1], row[0]],
                };
                Table::new(1, rows.into_iter().enumerate().map(swap).collect()).unwrap()
            });
            let kinds = [Kind::counts(vec![all, fresh]), Kind::level(level)];
            once.push(judge_all(&kinds, None, 3)[0].iter().map(|o| o.p).fold(1.0, f64::min));
            let looks = Some(Looks { alpha: 0.2, planned: rounds });
            looking += usize::from(judge_all(&kinds, looks, 3)[0].iter().any(|o| o.certain.is_some()));
        }
        for alpha in [0.02, 0.05, 0.2] {
            let called = once.iter().filter(|p| **p <= alpha).count();
            assert!(
                called as f64 <= alpha * once.len() as f64 + 1e-9,
                "{called} of {} at {alpha}",
                once.len()
            );
            called_once += called;
        }
        assert!(looking as f64 <= 0.2 * once.len() as f64, "looks: {looking} of {}", once.len());
    }
    assert!(called_once > 0);
}

fn permutations(width: usize) -> Vec<Vec<usize>> {
    if width == 1 {
        return vec![vec![0]];
    }
    permutations(width - 1)
        .into_iter()
        .flat_map(|short| {
            (0..width).map(move |place| {
                let mut long = short.clone();
                long.insert(place, width - 1);
                long
            })
        })
        .collect()
}

#[test]
fn the_smallest_p_is_reached_by_the_clearest_numbers() {
    for (stressors, rounds) in [(1, 5), (1, 9), (2, 4), (3, 3)] {
        for direction in [Direction::More, Direction::Either] {
            let row: Vec<f64> = (0..=stressors).map(|label| if label == 1 { 9.0 } else { 0.0 }).collect();
            let ours = p(&vec![row; rounds], direction)[0];
            let promised = smallest_p(stressors, rounds as u32, direction);
            close(ours, promised, 1e-12, &format!("{stressors} stressors, {rounds} rounds, {direction:?}"));
        }
    }
}

/// Looks are deterministic, and what was certain stays so when rounds are added, whatever they bring.
#[test]
fn certain_is_not_taken_back() {
    let mut random = Random::new(3);
    let mut early = 0;
    for _ in 0..20 {
        let mut rows: Vec<Vec<f64>> = (0..16)
            .map(|_| vec![poisson(&mut random, 1.0), poisson(&mut random, 6.0), poisson(&mut random, 1.0)])
            .collect();
        let looks = Some(Looks { alpha: 0.05, planned: 16 });
        let at = |rows: &[Vec<f64>]| {
            judge(&Table::new(2, rows.to_vec()).unwrap(), Direction::More, looks, 9)[0].certain
        };
        let Some(certain) = at(&rows) else { continue };
        early += u32::from(certain < 16);
        assert_eq!(at(&rows[..certain as usize]), Some(certain));
        assert_eq!(at(&rows[..certain as usize - 1]), None);
        for row in &mut rows[certain as usize..] {
            row[0] = 50.0;
        }
        assert_eq!(at(&rows), Some(certain));
    }
    assert!(early >= 15, "{early}");
}

/// By hand. Two rounds of one stressor, two kinds of numbers with equal differences: of the four orders that carried out alone
/// gives the largest sum in either, so each has p 1/4; joint and alone the same, since both have it under the same orders.
/// With a level that differs either way by turns, its own p is one, the strays' is not touched where it never reaches their M.
#[test]
fn several_kinds_are_judged_together() {
    let table = |rows: &[[f64; 2]]| Table::new(1, rows.iter().map(|row| row.to_vec()).collect()).unwrap();
    let strays = table(&[[0.0, 2.0], [0.0, 2.0]]);
    let excursions = table(&[[3.0, 9.0], [3.0, 9.0]]);
    let level = table(&[[0.0, 3.0], [1.0, 0.0]]);
    let p = |kinds: &[(&Table, Direction)]| -> Vec<f64> {
        let kind = |(table, direction): &(&Table, Direction)| Kind {
            views: vec![(*table).clone()],
            direction: *direction,
        };
        let kinds: Vec<Kind> = kinds.iter().map(kind).collect();
        judge_all(&kinds, None, 1)[0].iter().map(|outcome| outcome.p).collect()
    };
    assert_eq!(p(&[(&strays, Direction::More), (&excursions, Direction::More)]), [0.25, 0.25]);
    // In deviations: the strays reach 1.41 as carried out; the level 0.63 there, 1.26 in the two orders that swap one round.
    assert_eq!(p(&[(&strays, Direction::More), (&level, Direction::Either)]), [0.25, 1.0]);
}

/// The whole family at 5 %: three idle stressors and one that moves the level alone, two kinds. Of 400 plans at most 5 % and
/// three standard deviations call an idle pair; that the level moves is found in nearly all.
#[test]
fn the_error_of_all_stressors_and_kinds_together_is_bounded() {
    let mut random = Random::new(11);
    let (mut wrong, mut right) = (0, 0);
    for seed in 0..400 {
        let mut rows = (Vec::new(), Vec::new());
        for _ in 0..8 {
            let drift = 3.0 * random.normal();
            rows.0.push((0..3).map(|_| poisson(&mut random, 2.0)).collect::<Vec<f64>>());
            let moved = |label: usize| if label == 1 { -9.0 } else { 0.0 };
            rows.1.push((0..3).map(|label| drift + random.normal() + moved(label)).collect::<Vec<f64>>());
        }
        let (strays, level) = (Table::new(2, rows.0).unwrap(), Table::new(2, rows.1).unwrap());
        let kinds = [Kind::counts(vec![strays]), Kind::level(level)];
        let found = judge_all(&kinds, None, seed);
        let p = |stressor: usize, kind: usize| found[stressor][kind].p;
        wrong += u32::from(p(0, 0) <= 0.05 || p(1, 0) <= 0.05 || p(1, 1) <= 0.05);
        right += u32::from(p(0, 1) <= 0.05);
    }
    assert!(wrong <= 33, "{wrong} of 400");
    assert!(right >= 390, "{right} of 400");
}

#[test]
fn drawn_orders_agree_with_listed_ones() {
    // Sixteen pairs are drawn, the first fifteen are listed; the last pair is equal, which leaves p as it is.
    let mut random = Random::new(5);
    let rows: Vec<Vec<f64>> = (0..15).map(|_| vec![random.normal(), 0.4 + random.normal()]).collect();
    let listed = p(&rows, Direction::More)[0];
    let drawn = p(&[rows, vec![vec![1.0, 1.0]]].concat(), Direction::More)[0];
    // Five standard deviations of a share of 5000.
    assert!((listed - drawn).abs() < 5.0 * (listed * (1.0 - listed) / 5000.0).sqrt(), "{listed} {drawn}");
}

#[test]
fn the_factor_is_found_and_bounded() {
    let table = |rows: Vec<Vec<f64>>| Table::new(1, rows).unwrap();
    let none = ratio(&table(vec![vec![0.0, 0.0]; 8]), 0, 0.95, 1);
    assert_eq!((none.ratio, none.interval.low, none.interval.high), (None, 0.0, f64::INFINITY));
    let only = ratio(&table(vec![vec![0.0, 3.0]; 8]), 0, 0.95, 1);
    assert!(
        only.ratio == Some(f64::INFINITY) && only.interval.high.is_infinite() && only.interval.low > 2.0,
        "{only:?}"
    );
    let gone = ratio(&table(vec![vec![3.0, 0.0]; 8]), 0, 0.95, 1);
    assert!(gone.ratio == Some(0.0) && gone.interval.low == 0.0 && gone.interval.high < 0.5, "{gone:?}");

    // Counts that are dispersed threefold: 95 % of 600 intervals, within three standard deviations.
    let mut random = Random::new(21);
    for factor in [0.3, 1.0, 10.0] {
        let held = (0..600).filter(|seed| {
            let rows = (0..8)
                .map(|_| {
                    let mut own = || 6.0 * random.exponential();
                    let (alone, under) = (own(), own());
                    vec![poisson(&mut random, alone), poisson(&mut random, factor * under)]
                })
                .collect();
            ratio(&table(rows), 0, 0.95, *seed).interval.holds(factor)
        });
        let held = held.count();
        assert!((554..=586).contains(&held), "{held} of 600 at {factor}");
    }
}

#[test]
fn the_shift_covers_and_is_not_guessed_from_five_rounds() {
    let table = |rows: Vec<Vec<f64>>| Table::new(1, rows).unwrap();
    assert_eq!(shift(&table(vec![]), 0, 0.95, 1), None);
    assert_eq!(shift(&table(vec![vec![1.0, 2.5]; 5]), 0, 0.95, 1).unwrap().interval, None);
    let mut random = Random::new(8);
    let held = (0..600).filter(|seed| {
        let rows = (0..8).map(|_| vec![random.normal().powi(3), -2.0 + random.normal().powi(3)]).collect();
        shift(&table(rows), 0, 0.95, *seed).unwrap().interval.unwrap().holds(-2.0)
    });
    // 1 - 2·6/256 = 95.3 %, within three standard deviations.
    let held = held.count();
    assert!((556..=587).contains(&held), "{held} of 600");
}

#[test]
fn a_plan_too_short_says_so_before_it_begins() {
    let stressors = [Timing { block: seconds(20.0), wash_out: seconds(10.0) }];
    let of = |minutes: f64, per_minute: f64| {
        forecast(&Wish { stressors: &stressors, time: seconds(60.0 * minutes), per_minute, alpha: 0.05 }, 1)
            .unwrap()
    };
    let short = of(4.0, 0.1);
    assert!(short.rounds == 4 && short.smallest_p == 0.0625 && short.effect.is_none(), "{short:?}");
    assert_eq!(short.least, seconds(300.0));
    assert!(of(5.0, 0.1).smallest_p <= 0.05);
    assert_eq!(of(0.5, 0.1).rounds, 0);
    // Nothing comes by itself, and nothing is called tenfold.
    assert_eq!(of(15.0, 0.0).effect, None);
    let effects: Vec<f64> = [10.0, 15.0, 30.0, 60.0].iter().map(|m| of(*m, 0.1).effect.unwrap()).collect();
    assert!(effects.windows(2).all(|pair| pair[1] < pair[0]), "{effects:?}");
    let none = Wish { stressors: &[], time: seconds(900.0), per_minute: 0.1, alpha: 0.05 };
    assert_eq!(forecast(&none, 1), Err(PlanError::Stressors(0)));

    // The promise kept, on other random numbers: 80 % of 400, within three standard deviations of both shares.
    let promised = of(15.0, 0.5);
    let mean = 0.5 * promised.slot.counted.seconds() / 60.0;
    let mut random = Random::new(77);
    let found = (0..400).filter(|_| {
        let rows: Vec<Vec<f64>> = (0..promised.rounds)
            .map(|_| vec![poisson(&mut random, mean), poisson(&mut random, promised.effect.unwrap() * mean)])
            .collect();
        let kinds = [Kind::counts(vec![Table::new(1, rows).unwrap()])];
        judge_all(&kinds, None, 1)[0][0].p <= 0.05
    });
    let found = found.count();
    assert!((284..=356).contains(&found), "{found} of 400 find {promised:?}");
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(40))]

    /// Adding to a whole round, scaling, and swapping idle stressors change nothing; a p is never zero, and a one-sided bound
    /// stands above one wherever the test of one stressor calls an effect.
    #[test]
    fn laws(rows in prop::collection::vec(prop::collection::vec(0u32..9, 3), 1..6), add in 0u32..100, scale in 1u32..50) {
        let numbers = |of: &dyn Fn(u32) -> u32| -> Vec<Vec<f64>> {
            rows.iter().map(|row| row.iter().map(|value| f64::from(of(*value))).collect()).collect()
        };
        let plain = numbers(&|v| v);
        for direction in [Direction::More, Direction::Either] {
            let ours = p(&plain, direction);
            prop_assert!(ours.iter().all(|p| *p > 0.0 && *p <= 1.0));
            prop_assert_eq!(&ours, &p(&numbers(&|v| v + add), direction));
            prop_assert_eq!(&ours, &p(&numbers(&|v| v * scale), direction));
            let swapped: Vec<Vec<f64>> = plain.iter().map(|row| vec![row[0], row[2], row[1]]).collect();
            let other = p(&swapped, direction);
            prop_assert_eq!((ours[0], ours[1]), (other[1], other[0]));
        }
        let alone: Vec<Vec<f64>> = plain.iter().map(|row| row[..2].to_vec()).collect();
        let found = p(&alone, Direction::More)[0];
        // With more stressors beside it none is called sooner.
        prop_assert!(p(&plain, Direction::More)[0] >= found);
        let low = ratio(&Table::new(1, alone).unwrap(), 0, 0.9, 4).interval.low;
        prop_assert!(found > 0.05 || low >= 1.0, "p {found}, low {low}");
    }
}
