//! Self-test of the statistics: many simulated benches with known truth, and how often the verdicts, intervals
//! and patterns are right. Prints a table in Markdown.
//!
//!     cargo run --release --example selftest [BENCHES [SEED]]
#![allow(
    clippy::unwrap_used,
    clippy::print_stdout,
    clippy::cast_precision_loss,
    reason = "a report for developers"
)]

#[path = "../tests/analysis/simulate.rs"]
mod simulate;

use simulate::{ORDERS, Plant, TRUTHS, Truth, planted, repeated, sequence, strays, unordered};
use straykey::analysis::compare::{CompareOptions, Observation, Verdict, compare};
use straykey::analysis::pattern::{Class, PatternOptions, find};
use straykey::analysis::random::Random;
use straykey::analysis::soak::Soak;
use straykey::base::Nanoseconds;

/// One simulated bench: a set seen before a step, the fault at `mean` seconds between episodes.
struct Bench {
    truth: Truth,
    mean: f64,
    seconds: f64,
    before: Observation,
}

/// A bench on which the fault showed itself at least three times, so that a repair is begun at all.
fn bench(random: &mut Random, truth: Truth) -> Bench {
    loop {
        let mean = 20.0 * 30f64.powf(random.unit());
        let seconds = (mean * (4.0 + 26.0 * random.unit())).max(900.0)
            + if truth == Truth::Thermal { 720.0 } else { 0.0 };
        let points = strays(random, truth, mean, seconds);
        if points.len() >= 3 {
            let before = Observation::soak(sequence(points, seconds));
            return Bench { truth, mean, seconds, before };
        }
    }
}

/// The soak as a technician would run it: looked at every ten seconds and at each stray, clock started again
/// after each, given up when it is done or after three times the time needed.
///
/// With `until`, it goes on until one of these verdicts, whatever else the soak says.
fn soak(random: &mut Random, bench: &Bench, mean: Option<f64>, until: &[Verdict]) -> Verdict {
    let mut soak = Soak::new(Some(&bench.before), &CompareOptions::default(), None);
    let first = soak.tick_observed(Nanoseconds::ZERO);
    let most = (3.0 * first.soak_more_s.unwrap_or(3600.0)).min(40.0 * bench.seconds);
    let points = mean.map_or_else(Vec::new, |mean| strays(random, bench.truth, mean, most));
    let mut next = points.iter().filter(|point| point.0 >= 0.0).peekable();
    let step = (most / 2000.0).max(10.0);
    let mut now = 0.0;
    while now < most {
        now += step;
        while let Some((t, key)) = next.next_if(|point| point.0 <= now) {
            soak.push_observed(&simulate::press(*t, *key));
            soak.restart();
        }
        let state = soak.tick_observed(Nanoseconds::from_seconds(now));
        if state.done && (until.is_empty() || until.contains(&state.verdict)) {
            return state.verdict;
        }
    }
    soak.tick_observed(Nanoseconds::from_seconds(most)).verdict
}

#[derive(Default)]
struct Tally {
    benches: u32,
    false_gone: u32,
    false_fall: u32,
    false_change: u32,
    rate_covered: u32,
    ratio_covered: u32,
    gone_when_gone: u32,
    gone_when_tenth: u32,
    reduced_when_tenth: u32,
    false_pattern: u32,
}

fn run(random: &mut Random, truth: Truth, benches: u32) -> Tally {
    let mut tally = Tally::default();
    for _ in 0..benches {
        let bench = bench(random, truth);
        tally.benches += 1;
        let falls = [Verdict::Gone, Verdict::Reduced];
        let same = soak(random, &bench, Some(bench.mean), &falls);
        tally.false_gone += u32::from(same == Verdict::Gone);
        tally.false_fall += u32::from(falls.contains(&same));
        tally.gone_when_gone += u32::from(soak(random, &bench, None, &[]) == Verdict::Gone);
        let tenth = soak(random, &bench, Some(10.0 * bench.mean), &[]);
        tally.gone_when_tenth += u32::from(tenth == Verdict::Gone);
        tally.reduced_when_tenth += u32::from(tenth == Verdict::Reduced);
        // Unchanged, watched once for as long as before, without conditioning on what was seen.
        let [one, two] = [0, 1].map(|_| {
            Observation::soak(sequence(strays(random, truth, bench.mean, bench.seconds), bench.seconds))
        });
        let same = compare(&one, &two, &CompareOptions::default());
        tally.false_change +=
            u32::from(matches!(same.figures.verdict, Verdict::Reduced | Verdict::Worse | Verdict::Gone));
        tally.ratio_covered += u32::from(!(same.figures.ratio_low > 1.0 || same.figures.ratio_high < 1.0));
        let warm = if truth == Truth::Thermal { 720.0 } else { 0.0 };
        let rate = 60.0 / bench.mean * (bench.seconds - warm) / bench.seconds;
        tally.rate_covered += u32::from(same.before.per_min_low <= rate && rate <= same.before.per_min_high);
        let found = find(&one.sequence, &PatternOptions::default());
        tally.false_pattern += u32::from(found.patterns.iter().any(|p| {
            p.period_s.is_some() && !matches!(truth, Truth::Bursty | Truth::Clumped)
                || matches!(p.class, Class::Steady | Class::Cycle | Class::Locked)
        }));
    }
    tally
}

fn patterns(random: &mut Random, sequences: u32) {
    println!("\n| missed | foreign | jitter | motif right and period within 0.1 % |\n|---|---|---|---|");
    let motifs: [&[(f64, usize)]; 3] = [&[(0.0, 0)], &[(0.0, 0), (0.3, 1)], &[(0.0, 0), (0.3, 1), (0.6, 2)]];
    for (missed, foreign, locked) in [
        (0.0, 0.0, 0.05),
        (0.3, 0.3, 0.05),
        (0.3, 0.3, 0.1),
        (0.4, 0.4, 0.05),
        (0.5, 0.5, 0.05),
        (0.6, 0.5, 0.02),
    ] {
        let mut right = 0;
        for i in 0..sequences {
            let period = 0.5 * 40f64.powf(random.unit());
            let motif = motifs[i as usize % motifs.len()].to_vec();
            let plant = Plant { motif, period, locked, walk: 0.0, missed, foreign, beats: 150 };
            let (points, seconds) = planted(random, &plant);
            let found = find(&sequence(points, seconds), &PatternOptions::default());
            right += u32::from(found.patterns.first().is_some_and(|one| is_right(one, &plant)));
        }
        println!(
            "| {missed} | {foreign} | {locked} | {:.1} % of {sequences} |",
            100.0 * f64::from(right) / f64::from(sequences)
        );
    }
}

/// Sequences without a beat: how often one is found where keys come in none, and where one was planted.
fn sequences(random: &mut Random, sequences: u32) {
    let cycle = |(points, seconds): (Vec<(f64, usize)>, f64)| {
        let found = find(&sequence(points, seconds), &PatternOptions::default());
        found.patterns.into_iter().find(|pattern| pattern.class == Class::Cycle)
    };
    println!("\n| keys without a sequence | a sequence was found |\n|---|---|");
    for order in ORDERS {
        let wrong = (0..sequences)
            .filter(|_| {
                let presses = 60 + random.below(400);
                cycle(unordered(random, order, presses)).is_some()
            })
            .count();
        println!("| {order:?} | {:.2} % of {sequences} |", 100.0 * wrong as f64 / f64::from(sequences));
    }
    println!("\n| sequence of | repeats | foreign | the sequence was found |\n|---|---|---|---|");
    for (length, repeats, foreign) in [
        (3, 10, 0.0),
        (3, 20, 0.1),
        (3, 40, 0.3),
        (5, 20, 0.1),
        (6, 20, 0.1),
        (7, 20, 0.1),
        (8, 20, 0.1),
        (8, 20, 0.2),
    ] {
        let motif: Vec<usize> = (0..length).collect();
        let right = (0..sequences)
            .filter(|_| {
                let found = cycle(repeated(random, &motif, repeats, foreign));
                found.is_some_and(|found| turns(&found, &motif))
            })
            .count();
        println!(
            "| {length} | {repeats} | {foreign} | {:.1} % of {sequences} |",
            100.0 * right as f64 / f64::from(sequences)
        );
    }
}

/// Whether these are the motif's keys, from whichever of them on.
fn turns(found: &straykey::analysis::Pattern, motif: &[usize]) -> bool {
    let mut wanted: Vec<_> = motif.iter().map(|index| simulate::key(*index)).collect();
    let keys: Vec<_> = found.motif.iter().filter_map(|event| event.symbol.key).collect();
    (0..wanted.len()).any(|_| {
        wanted.rotate_left(1);
        wanted == keys
    })
}

fn is_right(found: &straykey::analysis::Pattern, plant: &Plant) -> bool {
    let motif: Vec<usize> = plant.motif.iter().map(|(_, index)| *index).collect();
    turns(found, &motif) && found.period_s.is_some_and(|period| (period / plant.period - 1.0).abs() <= 1e-3)
}

fn main() {
    let mut arguments = std::env::args().skip(1).map(|a| a.parse::<u32>().unwrap());
    let benches = arguments.next().unwrap_or(10_000);
    let seed = arguments.next().unwrap_or(1);
    let mut random = Random::new(u64::from(seed));
    println!("{benches} simulated benches in all, seed {seed}\n");
    println!(
        "| truth | benches | false \"gone\", looked at all the time | false \"gone\" or \"reduced\", the same | \"gone\" when gone | \"gone\" at a tenth | \
         \"reduced\" at a tenth | false change in one comparison | rate interval covers | ratio interval covers | \
         false pattern |\n|---|---|---|---|---|---|---|---|---|---|---|"
    );
    for truth in TRUTHS {
        let t = run(&mut random, truth, benches / 5);
        let share = |part: u32| format!("{:.2} %", 100.0 * f64::from(part) / f64::from(t.benches));
        println!(
            "| {truth:?} | {} | {} | {} | {} | {} | {} | {} | {} | {} | {} |",
            t.benches,
            share(t.false_gone),
            share(t.false_fall),
            share(t.gone_when_gone),
            share(t.gone_when_tenth),
            share(t.reduced_when_tenth),
            share(t.false_change),
            if matches!(truth, Truth::HeavyTailed | Truth::Clumped) {
                "(1)".to_owned()
            } else {
                share(t.rate_covered)
            },
            share(t.ratio_covered),
            share(t.false_pattern)
        );
    }
    println!(
        "\n(1) Gaps without a scale of their own are partly joined into episodes; their rate is not the planted one."
    );
    patterns(&mut random, (benches / 10).max(20));
    sequences(&mut random, (benches / 10).max(20));
}
