//! How much of the time of sound sets is called observed: five dialects, ten hours each with standby, a restart and a slow
//! menu, and 600 captures of half a minute to half an hour. The table is in `examples/sound.md`.
//!
//!     cargo run --release --example sound [-- SEED]
#![allow(clippy::unwrap_used, clippy::print_stdout, clippy::print_stderr, reason = "a report for developers")]
#![allow(unreachable_pub, dead_code, reason = "shared with the tests")]

#[path = "../../tests/support/hearing.rs"]
mod hearing;
#[path = "../../tests/support/random.rs"]
mod random;
#[path = "../../tests/support/sound.rs"]
mod sound;

use hearing::{Heard, live, saved};
use random::Random;
use sound::{Dialect, Plan};
use straykey::timeline::Protocols;

/// A capture taken and its paths judged.
type Way = fn(&Plan, u64, &Protocols) -> Vec<Heard>;

/// Further than this from the truth, a capture is called unobserved.
const FAR: f64 = 0.02;

fn main() {
    let seed: u64 = std::env::args().nth(1).and_then(|text| text.parse().ok()).unwrap_or(1);
    let protocols = Protocols::load(None).unwrap();
    hours(seed, &protocols);
    captures(seed, &protocols);
}

fn hours(seed: u64, protocols: &Protocols) {
    println!("| 10 h of | path | truth, s | observed, s | lost, % | beyond the truth, % |");
    println!("| --- | --- | --- | --- | --- | --- |");
    let hour = 3600.0;
    let standby = [(2.0 * hour, 2.5 * hour), (6.1 * hour, 7.0 * hour), (9.0 * hour, 9.01 * hour)];
    let restarts = [(1.3 * hour, 1.3 * hour + 9.0), (8.0 * hour, 8.0 * hour + 14.0)];
    for dialect in Dialect::ALL {
        let sleeps = if dialect == Dialect::LinuxInput { &standby[..0] } else { &standby[..] };
        let plan = Plan::new(dialect, 10.0 * hour, seed).with_breaks(sleeps, &restarts);
        for heard in live(&plan, seed, protocols) {
            let share = |part: Option<f64>| 100.0 * part.unwrap_or(f64::NAN) / heard.truth_s;
            println!(
                "| {} | {} | {:.1} | {:.1} | {:.4} | {:.4} |",
                dialect.name(),
                heard.path,
                heard.truth_s,
                heard.observed_s,
                share(heard.lost_s),
                share(heard.over_s)
            );
            if heard.lost_s.is_some_and(|lost| lost > 0.001 * heard.truth_s) {
                println!("    {}", heard.why);
            }
        }
    }
}

fn captures(seed: u64, protocols: &Protocols) {
    println!("\n| captures of | as | number | called unobserved | furthest from the truth, % |");
    println!("| --- | --- | --- | --- | --- |");
    let ways: [(&str, Way); 2] = [("live", live), ("saved log", saved)];
    for dialect in Dialect::ALL {
        for (name, hear) in ways {
            let (mut unobserved, mut furthest) = (0, 0.0f64);
            for number in 0..60 {
                let own =
                    Random(seed.wrapping_mul(0x9e37).wrapping_add(number * 7919 + dialect as u64)).next();
                let length = 30.0 * (60.0f64).powf((own >> 11) as f64 / (1u64 << 53) as f64);
                let plan = Plan::new(dialect, length, own);
                let heard = hear(&plan, own, protocols);
                let worst = heard.iter().map(Heard::off).fold(0.0, f64::max);
                furthest = furthest.max(worst);
                if worst > FAR {
                    unobserved += 1;
                    for path in heard.iter().filter(|path| path.off() > FAR) {
                        eprintln!("{} {name} {number} {length:.0} s: {path:?}", dialect.name());
                    }
                }
            }
            println!("| {} | {name} | 60 | {unobserved} | {:.2} |", dialect.name(), 100.0 * furthest);
        }
    }
}
