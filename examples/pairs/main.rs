//! Pairs of captures before and after a repair step, judged by the product and by an ideal observer who knows how the
//! strays come. Prints a table in Markdown.
//!
//!     cargo run --example pairs [PAIRS [SEED]] > examples/pairs.md
//!
//! The simulator has its own laws, its own faults and its own random stream, and shares nothing with the demo's set. Nothing
//! was tuned with it but what the table says; the table is made with a seed that was used for nothing else.
#![allow(
    clippy::unwrap_used,
    clippy::print_stdout,
    clippy::cast_precision_loss,
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "a report for developers"
)]

#[allow(dead_code, reason = "the judge's example uses other parts of it")]
#[path = "../judge/process.rs"]
mod process;
mod truth;

use process::Stream;
use straykey::analysis::compare::{CompareOptions, Comparison, Verdict, compare};
use truth::{INTERMITTENCIES, Pair, Repair};

/// Used for this table and for nothing else.
const SEED: u64 = 20_261_129;

/// So many of so many.
#[derive(Clone, Copy, Default)]
struct Share {
    hit: u32,
    of: u32,
}

impl Share {
    fn take(&mut self, hit: bool) {
        self.hit += u32::from(hit);
        self.of += 1;
    }

    fn words(self) -> String {
        if self.of == 0 {
            return "–".to_owned();
        }
        format!("{} of {} ({:.1} %)", self.hit, self.of, 100.0 * f64::from(self.hit) / f64::from(self.of))
    }
}

/// What is asked of all pairs of one way in which strays come.
#[derive(Clone, Copy, Default)]
struct Tally {
    found_95: Share,
    found_95_many: Share,
    found_99: Share,
    luck_95: Share,
    luck_99: Share,
    false_95: Share,
    false_99: Share,
    changed: Share,
    reduced: Share,
    held: Share,
}

impl Tally {
    fn add(&mut self, other: &Self) {
        let pairs = [
            (&mut self.found_95, other.found_95),
            (&mut self.found_95_many, other.found_95_many),
            (&mut self.found_99, other.found_99),
            (&mut self.luck_95, other.luck_95),
            (&mut self.luck_99, other.luck_99),
            (&mut self.false_95, other.false_95),
            (&mut self.false_99, other.false_99),
            (&mut self.changed, other.changed),
            (&mut self.reduced, other.reduced),
            (&mut self.held, other.held),
        ];
        for (own, more) in pairs {
            own.hit += more.hit;
            own.of += more.of;
        }
    }

    fn take(&mut self, pair: &Pair, found: &Comparison) {
        let gone = found.figures.verdict == Verdict::Gone;
        let quiet = found.after.strays == 0;
        if pair.repair == Repair::None {
            self.false_95.take(gone);
            self.false_99.take(found.figures.hand_back);
        }
        if quiet && found.before.strays > 0 {
            if pair.luck < 0.05 {
                self.found_95.take(gone);
                if found.before.episodes >= 10 {
                    self.found_95_many.take(gone);
                }
            }
            if pair.luck < 0.01 {
                self.found_99.take(found.figures.hand_back);
            }
            if pair.luck >= 0.12 {
                self.luck_95.take(gone);
                self.luck_99.take(found.figures.hand_back);
            }
        }
        if !quiet && found.before.strays > 0 {
            match pair.repair {
                Repair::None => {
                    self.changed.take(matches!(found.figures.verdict, Verdict::Reduced | Verdict::Worse))
                }
                Repair::Partial { .. } => self.reduced.take(found.figures.verdict == Verdict::Reduced),
                Repair::Full => {}
            }
            if let Repair::None | Repair::Partial { .. } = pair.repair {
                let ratio = pair.repair.fold();
                self.held.take(found.figures.ratio_any_low <= ratio && ratio <= found.figures.ratio_any_high);
            }
        }
    }

    fn row(&self, name: &str) {
        let cells = [
            self.found_95,
            self.found_95_many,
            self.found_99,
            self.luck_95,
            self.luck_99,
            self.false_95,
            self.false_99,
            self.changed,
            self.reduced,
            self.held,
        ];
        let cells: Vec<String> = cells.iter().map(|share| share.words()).collect();
        println!("| {name} | {} |", cells.join(" | "));
    }
}

fn main() {
    let given: Vec<u64> = std::env::args().skip(1).filter_map(|arg| arg.parse().ok()).collect();
    let pairs = given.first().copied().unwrap_or(600);
    let seed = given.get(1).copied().unwrap_or(SEED);
    println!("# Pairs before and after a step\n");
    println!("Invented data. Made by `cargo run --example pairs {pairs} {seed}`.\n");
    println!(
        "A pair: one of twelve kinds of fault, strays that come in one of five ways (mean pause of 20 to 300 s), a baseline \
         of 10 to 40 min, a break of 2 to 15 min for the repair (none in one of three pairs), a soak of 1 to 30 min, one of \
         four of them from a cold start; the repair does nothing, makes the strays two to eight times rarer, or mends. The \
         ideal observer knows how the strays come and when the last one came; its chance of such quiet is counted on 400 \
         continuations of the unrepaired set.\n"
    );
    println!(
        "| strays | `gone` where luck is below 5 % | the same, ten episodes or more | hand-back where luck is below 1 % | \
         `gone` where luck is 12 % or more | hand-back there | unrepaired: called gone | hand-back | unrepaired, strays go \
         on: a change is said | rarer: `reduced` is said | the interval of all looks holds the ratio |"
    );
    println!("|---|---|---|---|---|---|---|---|---|---|---|");
    let mut all = Tally::default();
    let (mut cold, mut warm) = (Tally::default(), Tally::default());
    let mut kinds = vec![Tally::default(); truth::FAULTS.len()];
    for (place, process) in (0u64..).zip(INTERMITTENCIES) {
        let mut stream = Stream::new(seed ^ (place + 1) << 40);
        let mut tally = Tally::default();
        for _ in 0..pairs / INTERMITTENCIES.len() as u64 {
            let pair = Pair::draw(&mut stream, process);
            let found = compare(&pair.before, &pair.after, &CompareOptions::default());
            let mut one = Tally::default();
            one.take(&pair, &found);
            tally.add(&one);
            kinds[pair.fault].add(&one);
            if pair.cold { cold.add(&one) } else { warm.add(&one) }
        }
        tally.row(&format!("{process:?}"));
        all.add(&tally);
    }
    all.row("all");
    warm.row("all that were not switched on in the soak");
    cold.row("all that were switched on in it");
    println!(
        "\n| fault | `gone` where luck is below 5 % | unrepaired: called gone | a change is said |\n|---|---|---|---|"
    );
    for (fault, tally) in truth::FAULTS.iter().zip(&kinds) {
        println!(
            "| {} | {} | {} | {} |",
            fault.name,
            tally.found_95.words(),
            tally.false_95.words(),
            tally.changed.words()
        );
    }
}
