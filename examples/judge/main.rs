//! The judge's mathematics against simulated truth: quiet, ratios, drifts, patterns. Prints a table in Markdown.
//!
//!     cargo run --release --example judge [TRIALS [SEED]] > examples/judge.md
//!
//! The simulator has its own laws and its own random stream. Priors and thresholds were tuned with the seeds 5 to 11; the
//! table is made with a seed that was used for nothing else.
#![allow(
    clippy::unwrap_used,
    clippy::print_stdout,
    clippy::cast_precision_loss,
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    clippy::format_push_string,
    reason = "a report for developers"
)]

mod near;
mod pattern;
mod process;
mod quiet;
mod ratio;

use process::Stream;

/// Used for this table and for nothing else.
const SEED: u64 = 20_261_130;

fn main() {
    let given: Vec<u64> = std::env::args().skip(1).filter_map(|arg| arg.parse().ok()).collect();
    let trials = given.first().map_or(1500, |trials| u32::try_from(*trials).unwrap_or(1500));
    let seed = given.get(1).copied().unwrap_or(SEED);
    println!("# What the judge's mathematics reaches\n");
    println!(
        "Invented data. Made by `cargo run --release --example judge {trials} {seed}`. Tuned with the seeds 5 to 11."
    );
    println!("\n## Quiet, the process running on from a baseline of 30 min with ten episodes or more\n");
    print!("{}", quiet::report(seed, trials));
    println!(
        "\nPoisson, bursts, Weibull, Pareto, beats, turns and log-logistic gaps are laws of the average; the others are not."
    );
    println!("\n## Quiet after a break of 2 to 15 min\n");
    print!("{}", quiet::report_broken(seed, trials / 2));
    println!("\n## Quiet from a moment long after the baseline\n");
    print!("{}", quiet::report_unrelated(seed, trials / 3));
    println!("\n## Excursions of a line beside its strays, after a break of 2 to 15 min\n");
    print!("{}", near::report(seed, trials / 3));
    println!(
        "\nA line touches a key's level by the law; one touch in 10 to 40 lasts and is a stray. At least three strays and ten \
         touches in 20 min before. Strays alone and both were judged on the same draws, looked at each minute for 90 min."
    );
    println!("\n## Ratios\n");
    print!("{}", ratio::report(seed, 2 * trials + trials / 7));
    println!("\n## Patterns\n\n| question | measured |\n|---|---|");
    let mut stream = Stream::new(seed ^ 0x7061_7474);
    print!("{}", pattern::beats(&mut stream, trials / 5));
    print!("{}", pattern::nulls(&mut stream, trials / 3));
    print!("{}", pattern::sequences(&mut stream, trials / 10));
    print!("{}", pattern::orders(&mut stream, trials / 5));
    print!("{}", pattern::lumps(&mut stream, trials / 5));
    print!("{}", pattern::frames(&mut stream));
}
