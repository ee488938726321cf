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
mod share;
mod truth;

use std::collections::BTreeMap;

use process::Stream;
use share::Share;
use straykey::analysis::compare::{CompareOptions, Comparison, Verdict, compare, plan};
use straykey::analysis::quiet::LIKELY;
use straykey::analysis::rate::{Count, quiet_needed};
use truth::{INTERMITTENCIES, Pair, Repair};

/// Used for this table and for nothing else.
const SEED: u64 = 20_261_129;

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
    /// What somebody could find who knows the law and its shape: at 95 %, of ten episodes or more, at 99 %.
    known: [Share; 3],
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
        ]
        .into_iter()
        .chain(self.known.iter_mut().zip(other.known));
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
                self.known[0].take(pair.luck_by_baseline < 0.05);
                if found.before.episodes >= 10 {
                    self.found_95_many.take(gone);
                    self.known[1].take(pair.luck_by_baseline < 0.05);
                }
            }
            if pair.luck < 0.01 {
                self.found_99.take(found.figures.hand_back);
                self.known[2].take(pair.luck_by_baseline < 0.01);
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

/// Why a justified `gone` was not said, the first reason that stands alone in the way.
fn missed(pair: &Pair, found: &Comparison) -> &'static str {
    let plan = plan(&pair.before, &CompareOptions::default());
    let exposure = plan.exposure_of(&pair.after.sequence);
    let quiet = found.after.observed_s;
    let Some(needed) = plan.likely_s else {
        return if plan.no_variance { "gaps without variance" } else { "pauses too uneven" };
    };
    let exact = quiet_needed(Count { count: plan.episodes, exposure: plan.exposure_s }, LIKELY);
    let floor = exact.is_some_and(|exact| (needed / exact - 1.0).abs() < 1e-9);
    match () {
        () if quiet >= needed && exposure.quiet_s < needed => "warming up: quiet that did not count",
        () if quiet >= needed => "the first wait must be outlasted",
        () if plan.whole_gaps < 2 => "fewer than two pauses seen whole",
        () if floor => "never less than for independent episodes",
        () if pair.luck_by_baseline >= 0.05 => "asked for more, and so would who knows the law",
        () if quiet >= 0.8 * needed => "asked for up to a quarter more",
        () if quiet >= 0.5 * needed => "asked for up to twice as much",
        () => "asked for over twice as much",
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
         four of them from a cold start; before the step a third of the sets are switched on in the capture, a third print their \
         uptime (0 to 60 min); the repair does nothing, makes the strays two to eight times rarer, or mends. The \
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
    let mut reasons: BTreeMap<&str, [u32; 5]> = BTreeMap::new();
    let mut kinds = vec![Tally::default(); truth::FAULTS.len()];
    for (place, process) in (0u64..).zip(INTERMITTENCIES) {
        let mut stream = Stream::new(seed ^ (place + 1) << 40);
        let mut tally = Tally::default();
        for _ in 0..pairs / INTERMITTENCIES.len() as u64 {
            let pair = Pair::draw(&mut stream, process);
            let found = compare(&pair.before, &pair.after, &CompareOptions::default());
            let mut one = Tally::default();
            one.take(&pair, &found);
            if one.found_95.of > one.found_95.hit {
                reasons.entry(missed(&pair, &found)).or_insert([0; 5])[place as usize] += 1;
            }
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
    let [likely, many, certain] = all.known.map(Share::words);
    println!(
        "\nWho knows the law and its shape, and estimates its scale from the baseline, finds {likely} at 95 %, {many} of those \
         with ten episodes or more, {certain} at 99 %."
    );
    println!(
        "\n| why a justified `gone` was not said | {} | all |",
        INTERMITTENCIES.map(|p| format!("{p:?}")).join(" | ")
    );
    println!("|---|---|---|---|---|---|---|");
    for (reason, counts) in &reasons {
        let each: Vec<String> = counts.iter().map(u32::to_string).collect();
        println!("| {reason} | {} | {} |", each.join(" | "), counts.iter().sum::<u32>());
    }
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
