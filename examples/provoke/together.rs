//! Strays, excursions and a level judged together, and the same plan again after a repair.

use straykey::analysis::provoke::plan::MOST_ROUNDS;
use straykey::analysis::provoke::{Before, Kind, Label, Looks, Plan, Table, judge_all};
use straykey::base::Nanoseconds;

use crate::set::{Acts, LIGHT, Law, MOISTURE, Pace, Seen, Stream, TAP};
use crate::{LAWS, Row, ideal, observed, percent};

/// Events that go on to be a stray: one of eleven, so that excursions without a press come ten times as often.
const STRAYS: f64 = 1.0 / 11.0;
/// Strays and excursions together an hour: 6 and 60.
const PER_HOUR: f64 = 66.0;
const KINDS: [&str; 3] = ["strays", "excursions", "level"];

/// Strays, excursions, those that follow none, and the level of one line, by round and place.
fn kinds(seen: &Seen, stream: &mut Stream) -> [Vec<Vec<f64>>; 4] {
    let mut thin = |count: &f64| (0..*count as u64).filter(|_| stream.unit() < STRAYS).count() as f64;
    let strays: Vec<Vec<f64>> =
        seen.counts.iter().map(|round| round.iter().map(&mut thin).collect()).collect();
    let less = |(all, strays): (&Vec<f64>, &Vec<f64>)| {
        all.iter().zip(strays).map(|(all, strays)| all - strays).collect()
    };
    let rest = seen.counts.iter().zip(&strays).map(less).collect();
    [strays, rest, seen.begun.clone(), seen.levels.clone()]
}

/// By stressor and pace: p once at the end, and whether certain at 1 % with looks.
fn judged(plan: &Plan, seen: &Seen, seed: u64) -> Vec<[(f64, bool); 3]> {
    let numbers = kinds(seen, &mut Stream::new(seed));
    let tables = numbers.map(|numbers| plan.table(&numbers).unwrap());
    let [strays, excursions, begun, level] = tables;
    let kinds = [Kind::counts(vec![strays]), Kind::counts(vec![excursions, begun]), Kind::level(level)];
    let once = judge_all(&kinds, None, seed);
    let looks = Looks { alpha: 0.01, planned: plan.planned() };
    // With several stressors the looks take minutes a row.
    let looked = (plan.stressors() == 1).then(|| judge_all(&kinds, Some(looks), seed));
    let certain = |j: usize, e: usize| looked.as_ref().is_some_and(|looked| looked[j][e].certain.is_some());
    let pair = |j: usize, e: usize| (once[j][e].p, certain(j, e));
    (0..plan.stressors()).map(|j| [0, 1, 2].map(|e| pair(j, e))).collect()
}

/// A share with looks, where they were taken.
fn looked(stressors: usize, share: f64) -> String {
    if stressors == 1 { format!("{share:.1}") } else { "–".to_owned() }
}

pub(crate) fn together(trials: u64, seed: u64) {
    println!("\n## Strays, excursions and the level judged together\n");
    println!(
        "Six episodes and 60 excursions an hour come by themselves; each row {trials} plans. In percent: plans that call any pair"
    );
    println!("of stressor and kind in which there is no effect; with looks for one stressor only.\n");
    println!(
        "| what comes by itself | stressors | minutes | rounds | once, at the end: 5 % | 1 % | looks after each round: 1 % |"
    );
    println!("|---|---|---|---|---|---|---|");
    let row = |law: Law, name: &str, acts: Vec<Acts>, minutes: f64, wash_out_s: f64| {
        let row = Row { acts, law, minutes, per_hour: PER_HOUR, wash_out_s };
        let rounds = row.forecast().rounds;
        let answers = row.trials(trials, seed, |plan, seen, seed| {
            let found = judged(plan, seen, seed);
            let idle = |j: usize, e: usize| {
                let acts = &row.acts[j];
                if e == 2 { acts.shift == 0.0 } else { acts.factor == 1.0 }
            };
            let pairs: Vec<(f64, bool)> = (0..found.len())
                .flat_map(|j| (0..3).map(move |e| (j, e)))
                .filter(|(j, e)| idle(*j, *e))
                .map(|(j, e)| found[j][e])
                .collect();
            (pairs.iter().map(|pair| pair.0).fold(1.0, f64::min), pairs.iter().any(|pair| pair.1))
        });
        println!(
            "| {law:?} | {name} | {minutes} | {rounds} | {:.1} | {:.1} | {} |",
            percent(&answers, |a| a.0 <= 0.05),
            percent(&answers, |a| a.0 <= 0.01),
            looked(row.acts.len(), percent(&answers, |a| a.1)),
        );
    };
    for law in LAWS {
        row(law, "1, idle", vec![Acts::IDLE], 15.0, 5.0);
        row(law, "3, idle", vec![Acts::IDLE; 3], 15.0, 5.0);
    }
    let only_level = Acts { pace: TAP, factor: 1.0, shift: -5.0 };
    let only_calls = Acts { pace: TAP, factor: 10.0, shift: 0.0 };
    let warm = Acts { pace: Pace(60.0, 60.0), factor: 10.0, shift: -5.0 };
    row(Law::Poisson, "1, moves the level alone", vec![only_level], 15.0, 5.0);
    row(Law::Poisson, "1, brings strays and excursions alone", vec![only_calls], 15.0, 5.0);
    row(Law::Poisson, "2: one of each of these", vec![only_level, only_calls], 15.0, 5.0);
    row(Law::Pareto, "2: one of each of these", vec![only_level, only_calls], 15.0, 5.0);
    row(Law::Poisson, "3, one works on for a minute", vec![warm, Acts::IDLE, Acts::IDLE], 15.0, 5.0);

    println!(
        "\nA stressor that works tenfold on strays and excursions, or moves the level. In percent: plans that find it at 5 %.\n"
    );
    println!(
        "| stressor | what comes by itself | of | minutes | wash-out, s | rounds | any | strays | excursions | level | any, looks at 1 % | ideal: 5 % | 1 % | rate unknown: 5 % | 1 % |"
    );
    println!("|---|---|---|---|---|---|---|---|---|---|---|---|---|---|---|");
    let row = |name: &str, act: Acts, law: Law, wash_out_s: f64, idle: usize| {
        let mut acts = vec![act];
        acts.extend(vec![Acts::IDLE; idle]);
        let row = Row { acts, law, minutes: 15.0, per_hour: PER_HOUR, wash_out_s };
        let rounds = row.forecast().rounds;
        let answers = row.trials(trials, seed ^ 0x66, |plan, seen, seed| {
            (judged(plan, seen, seed)[0], observed(&row, plan, seen, &row.acts[0]))
        });
        let (answers, known): (Vec<_>, Vec<_>) = answers.into_iter().unzip();
        let best = if act.factor > 1.0 {
            let [five, one] = [0.05, 0.01].map(|alpha| ideal(&row, &known, seed ^ 0x66, alpha));
            [five[0], one[0], five[1], one[1]].map(|share| format!("{share:.1}"))
        } else {
            ["–"; 4].map(str::to_owned)
        };
        let each = [0, 1, 2].map(|e: usize| format!("{:.1}", percent(&answers, |a| a[e].0 <= 0.05)));
        println!(
            "| {name} | {law:?} | {} | 15 | {wash_out_s} | {rounds} | {:.1} | {} | {} | {} |",
            idle + 1,
            percent(&answers, |a| a.iter().any(|pair| pair.0 <= 0.05)),
            each.join(" | "),
            looked(idle + 1, percent(&answers, |a| a.iter().any(|pair| pair.1))),
            best.join(" | "),
        );
    };
    let calls = |pace: Pace| Acts { pace, factor: 10.0, shift: 0.0 };
    let moves = |pace: Pace, shift: f64| Acts { pace, factor: 1.0, shift };
    for law in LAWS {
        row("light", calls(LIGHT), law, 3.0, 0);
    }
    row("tap", calls(TAP), Law::Poisson, 3.0, 0);
    row("moisture", calls(MOISTURE), Law::Poisson, 20.0, 0);
    row("warm 20 s", calls(Pace(20.0, 20.0)), Law::Poisson, 20.0, 0);
    row("warm 60 s", calls(Pace(60.0, 60.0)), Law::Poisson, 30.0, 0);
    row("light", calls(LIGHT), Law::Poisson, 3.0, 2);
    row("moisture", calls(MOISTURE), Law::Poisson, 20.0, 2);
    for shift in [-1.0, -2.0, -5.0] {
        row(&format!("tap, level by {shift}"), moves(TAP, shift), Law::Poisson, 3.0, 0);
        row(&format!("warm 60 s, level by {shift}"), moves(Pace(60.0, 60.0), shift), Law::Poisson, 30.0, 0);
    }
    row("moisture, level by -5", moves(MOISTURE, -5.0), Law::Poisson, 20.0, 2);
    println!("\nKinds: {}; one line.", KINDS.join(", "));
}

/// Counts of the first stressor's blocks.
fn under(plan: &Plan, seen: &Seen) -> Vec<u64> {
    let table: Table = plan.table(&seen.counts).unwrap();
    table.pairs(0).iter().map(|(_, under)| *under as u64).collect()
}

/// When the first stressor's blocks had events.
fn before(plan: &Plan, seen: &Seen) -> Before {
    let blocks: Vec<Vec<Nanoseconds>> = plan
        .blocks()
        .iter()
        .filter(|block| block.label == Label::Stressor(0))
        .map(|block| {
            seen.times[block.round][block.place].iter().map(|t| Nanoseconds::from_seconds(*t)).collect()
        })
        .collect();
    Before::of(&blocks, plan.slot().counted)
}

/// Minutes of the plan after which an unrepaired set has been quiet with a chance of 1 % at most, all its time watched: what who
/// knows law, rate and effect must wait for, and nobody less.
fn best_quiet(row: &Row, trials: u64, seed: u64) -> String {
    let slot = row.forecast().slot;
    // What comes twice as often every five minutes is soon beyond counting.
    let rounds = if row.law == Law::Warming { 30 } else { MOST_ROUNDS };
    let mut first: Vec<f64> = (0..2 * trials)
        .map(|trial| {
            let mut stream = Stream::new(!seed ^ trial << 32);
            let plan = Plan::draw(1, slot, rounds, stream.bits()).unwrap();
            let seen = crate::set::carry_out(&plan, &row.acts, row.law, row.per_hour / 60.0, &mut stream);
            seen.all.first().copied().unwrap_or(f64::INFINITY)
        })
        .collect();
    first.sort_by(f64::total_cmp);
    let minutes = first[first.len() * 99 / 100] / 60.0;
    let longest = f64::from(2 * rounds) * slot.length().seconds() / 60.0;
    if minutes.is_finite() { format!("{minutes:.1}") } else { format!("over {longest:.0}") }
}

pub(crate) fn again(trials: u64, seed: u64) {
    println!("\n## The same plan again after a repair\n");
    println!(
        "Two plans of 15 minutes on one set, one before and one after; each row {trials} pairs. `quiet` is none under the stressor"
    );
    println!(
        "after and a chance of at most 1 %, `fewer` a chance of at most 5 %. `factor`: rate of the second day over the first, by"
    );
    println!(
        "itself, drawn log-normally with this sigma. `ideal`: minutes after which who knows law, rate and effect can say it.\n"
    );
    println!(
        "| stressor | what comes by itself | an hour | repaired | factor | quiet | fewer | minutes to quiet, median | 90 % | ideal |"
    );
    println!("|---|---|---|---|---|---|---|---|---|---|");
    let row = |name: &str, act: Acts, law: Law, per_hour: f64, left: f64, sigma: f64, wash_out_s: f64| {
        let row = Row { acts: vec![act], law, minutes: 15.0, per_hour, wash_out_s };
        let slot = row.forecast().slot.length().seconds();
        let answers = row.trials(trials, seed, |plan, seen, seed| {
            let mut stream = Stream::new(seed);
            let before = before(plan, seen);
            let factor = left * (sigma * stream.normal()).exp();
            let second = Plan::draw(1, plan.slot(), plan.planned(), stream.bits()).unwrap();
            let after = crate::set::carry_out(&second, &row.acts, law, factor * per_hour / 60.0, &mut stream);
            let now = under(&second, &after);
            let p = before.chance(&now);
            let quiet = now.iter().sum::<u64>() == 0;
            let needed =
                before.quiet_blocks(0.01).map_or(f64::INFINITY, |blocks| blocks as f64 * 2.0 * slot / 60.0);
            (quiet && p <= 0.01, p <= 0.05, needed)
        });
        let mut needed: Vec<f64> = answers.iter().map(|a| a.2).collect();
        needed.sort_by(f64::total_cmp);
        println!(
            "| {name} | {law:?} | {per_hour} | {} | {sigma} | {:.1} | {:.1} | {:.1} | {:.1} | {} |",
            if left == 0.0 { "wholly" } else { "not at all" },
            percent(&answers, |a| a.0),
            percent(&answers, |a| a.1),
            needed[needed.len() / 2],
            needed[needed.len() * 9 / 10],
            best_quiet(&row, trials, seed),
        );
    };
    let light = |factor: f64| Acts { pace: LIGHT, factor, shift: 0.0 };
    for law in LAWS {
        row("light, tenfold", light(10.0), law, 6.0, 1.0, 0.0, 3.0);
        row("light, tenfold", light(10.0), law, 15.0, 1.0, 0.0, 3.0);
        row("light, tenfold", light(10.0), law, 30.0, 1.0, 0.0, 3.0);
    }
    row("light, tenfold", light(10.0), Law::Poisson, 30.0, 1.0, 0.5, 3.0);
    row("light, tenfold", light(10.0), Law::Pareto, 30.0, 1.0, 0.5, 3.0);
    // Two in an evening of four hours, called once a minute.
    for law in LAWS {
        row("light, 120-fold", light(120.0), law, 0.5, 0.0, 0.0, 3.0);
    }
    // Excursions ten times as often as strays: what is compared where both were shown.
    for law in LAWS {
        row("light, 120-fold, excursions", light(120.0), law, 5.0, 0.0, 0.0, 3.0);
    }
    row(
        "moisture, 120-fold",
        Acts { pace: MOISTURE, factor: 120.0, shift: 0.0 },
        Law::Poisson,
        0.5,
        0.0,
        0.0,
        20.0,
    );
    row(
        "warm 20 s, 120-fold",
        Acts { pace: Pace(20.0, 20.0), factor: 120.0, shift: 0.0 },
        Law::Poisson,
        0.5,
        0.0,
        0.0,
        20.0,
    );
    // Quiet that an unrepaired set would show with a chance of 1 %, or 5 %: rate times time = ln 100, ln 20.
    let days = |chance: f64| -chance.ln() / 0.5 / 24.0;
    println!(
        "\nWithout provocation a set that strays twice in four hours, as Poisson's law has it, must be quiet for {:.1} h for a chance of 5 %\nand {:.1} h for 1 %, watched all the time; at four hours an evening {:.1} and {:.1} evenings.",
        24.0 * days(0.05),
        24.0 * days(0.01),
        6.0 * days(0.05),
        6.0 * days(0.01)
    );
}
