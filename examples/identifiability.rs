//! What can be known from readings: simulated jobs with known faults, printed as tables for the documents.
//!
//! `cargo run --release --example identifiability -- [JOBS] [SEED]`, 4000 jobs and seed 1 unless said otherwise.

#![allow(clippy::print_stdout)]

#[path = "../tests/locate/simulation.rs"]
mod simulation;

use simulation::{KINDS, Trial, confusion, coverage, run, sound};

fn main() {
    let mut words = std::env::args().skip(1);
    let jobs = words.next().and_then(|w| w.parse().ok()).unwrap_or(4_000);
    let seed = words.next().and_then(|w| w.parse().ok()).unwrap_or(1);
    let trials = run(jobs, seed);
    println!(
        "{jobs} simulated jobs, seed {seed}; parts uniform within 1 % and 5 %, twenty readings a condition.\n"
    );
    println!(
        "| fault put in | tolerance | jobs | interval holds the truth | model found | location first | first two |"
    );
    println!("|---|---|---|---|---|---|---|");
    let percent = |n: usize, of: usize| format!("{:.1} %", 100.0 * n as f64 / of.max(1) as f64);
    for (kind, name) in KINDS.iter().enumerate() {
        for tolerance in [0.01, 0.05] {
            let of_kind: Vec<&Trial> =
                trials.iter().filter(|t| t.kind == kind && t.tolerance == tolerance).collect();
            let count = |test: fn(&Trial) -> bool| of_kind.iter().filter(|t| test(t)).count();
            println!(
                "| {name} | {:.0} % | {} | {:.1} % | {} | {} | {} |",
                tolerance * 100.0,
                of_kind.len(),
                100.0 * coverage(of_kind.iter().copied()).0,
                percent(count(|t| t.model_found), of_kind.len()),
                percent(count(|t| t.is_place(t.first)), of_kind.len()),
                percent(count(|t| t.is_place(t.first) || t.is_place(t.second)), of_kind.len()),
            );
        }
    }
    let (share, intervals) = coverage(trials.iter());
    println!("\nAll intervals: {:.2} % of {intervals} hold the truth.", 100.0 * share);
    println!(
        "Leading model accepted: {}.",
        percent(trials.iter().filter(|t| t.accepted).count(), trials.len())
    );
    println!("True model in play: {}.\n", percent(trials.iter().filter(|t| t.in_play).count(), trials.len()));
    println!("Sound ladders (500 each) that a fault was told of:\n");
    println!("| tolerance | readings a condition | noise up to | told of a fault | of which |");
    println!("|---|---|---|---|---|");
    for tolerance in [0.0, 0.01, 0.05] {
        for (count, noise) in [(20, 1.0), (3, 1.0), (20, 6.0), (3, 6.0)] {
            let leaders = sound(500, seed, tolerance, count, noise);
            let faults: Vec<_> = leaders.iter().filter(|(model, _)| *model != "healthy").collect();
            let told: usize = faults.iter().map(|(_, n)| **n).sum();
            let mut cells: Vec<_> = faults.into_iter().collect();
            cells.sort_by_key(|cell| std::cmp::Reverse(*cell.1));
            let cells: Vec<String> = cells.iter().take(4).map(|(model, n)| format!("{model} {n}")).collect();
            println!(
                "| {:.0} % | {count} | {noise} counts | {} | {} |",
                100.0 * tolerance,
                percent(told, 500),
                cells.join(", ")
            );
        }
    }
    println!("\n| fault put in | location that came first, with how often |");
    println!("|---|---|");
    for (name, row) in KINDS.iter().zip(confusion(&trials)) {
        let mut cells: Vec<_> = row.into_iter().collect();
        cells.sort_by_key(|cell| std::cmp::Reverse(cell.1));
        let cells: Vec<String> = cells.iter().map(|(place, n)| format!("{place} {n}")).collect();
        println!("| {name} | {} |", cells.join(", "));
    }
    println!("\n| fault put in | model that led most often |");
    println!("|---|---|");
    for (kind, name) in KINDS.iter().enumerate() {
        let mut count: std::collections::BTreeMap<&str, usize> = std::collections::BTreeMap::new();
        for trial in trials.iter().filter(|t| t.kind == kind) {
            *count.entry(&trial.leader).or_default() += 1;
        }
        let mut cells: Vec<_> = count.into_iter().collect();
        cells.sort_by_key(|cell| std::cmp::Reverse(cell.1));
        let cells: Vec<String> = cells.iter().take(4).map(|(model, n)| format!("{model} {n}")).collect();
        println!("| {name} | {} |", cells.join(", "));
    }
}
