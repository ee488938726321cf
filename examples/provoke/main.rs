//! What provocation reaches on simulated sets: false effects, effects found, intervals. Prints tables in Markdown.
//!
//!     cargo run --release --example provoke [TRIALS [SEED [PART]]] > examples/provoke.md
//!
//! PART is one of false, found, intervals, together, again; all when left out.
//!
//! Rules and constants were tuned with the seeds 1 to 9; the tables are made with a seed that was used for nothing else.
#![allow(
    clippy::unwrap_used,
    clippy::print_stdout,
    clippy::cast_precision_loss,
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "a report for developers"
)]

mod ideal;
mod set;
mod together;

use ideal::{Knows, evidence};
use set::{Acts, LIGHT, Law, MOISTURE, Pace, Seen, Stream, TAP, carry_out};
use straykey::analysis::provoke::{
    Forecast, Kind, Looks, Plan, Timing, Wish, forecast, judge_all, ratio, shift,
};
use straykey::base::Nanoseconds;

/// Used for these tables and for nothing else.
const SEED: u64 = 5_550_123;
const LAWS: [Law; 7] =
    [Law::Poisson, Law::Bursts, Law::Episodes, Law::Turns, Law::Warming, Law::LogNormal, Law::Pareto];

/// What is simulated in one row.
#[derive(Clone)]
struct Row {
    acts: Vec<Acts>,
    law: Law,
    minutes: f64,
    per_hour: f64,
    wash_out_s: f64,
}

impl Row {
    fn stressors(&self) -> Vec<Timing> {
        let [block, wash_out] = [9.0, self.wash_out_s].map(Nanoseconds::from_seconds);
        vec![Timing { block, wash_out }; self.acts.len()]
    }

    fn forecast(&self) -> Forecast {
        let wish = Wish {
            stressors: &self.stressors(),
            time: Nanoseconds::from_seconds(60.0 * self.minutes),
            per_minute: self.per_hour / 60.0,
            alpha: 0.05,
        };
        forecast(&wish, 1).unwrap()
    }

    /// The answers of all trials, two at a time.
    fn trials<T: Send>(&self, trials: u64, seed: u64, ask: impl Fn(&Plan, &Seen, u64) -> T + Sync) -> Vec<T> {
        let forecast = self.forecast();
        let one = |trial: u64| {
            let mut stream = Stream::new(seed ^ trial << 32);
            let plan = Plan::draw(self.acts.len(), forecast.slot, forecast.rounds, stream.bits()).unwrap();
            let seen = carry_out(&plan, &self.acts, self.law, self.per_hour / 60.0, &mut stream);
            ask(&plan, &seen, stream.bits())
        };
        let half = |odd: u64| (0..trials).filter(|trial| trial % 2 == odd).map(one).collect::<Vec<T>>();
        std::thread::scope(|scope| {
            let other = scope.spawn(|| half(1));
            let mut all = half(0);
            all.extend(other.join().unwrap());
            all
        })
    }
}

fn percent<T>(answers: &[T], holds: impl Fn(&T) -> bool) -> f64 {
    100.0 * answers.iter().filter(|answer| holds(answer)).count() as f64 / answers.len() as f64
}

/// For the stressors asked for: the smallest p, whether found at 5 % and 1 % with looks after each round, and the share
/// of the plan that the former took.
struct Found {
    p: f64,
    at_5: bool,
    at_1: bool,
    share: f64,
}

fn found(plan: &Plan, kind: Kind, asked: &[usize], seed: u64) -> Found {
    let kinds = [kind];
    let outcomes = judge_all(&kinds, None, seed);
    let certain = |alpha: f64| {
        let looks = Looks { alpha, planned: plan.planned() };
        let outcomes = judge_all(&kinds, Some(looks), seed);
        asked.iter().filter_map(|j| outcomes[*j][0].certain).min().map(f64::from)
    };
    let p = asked.iter().map(|j| outcomes[*j][0].p).fold(1.0, f64::min);
    let at_5 = certain(0.05);
    Found {
        p,
        at_5: at_5.is_some(),
        at_1: certain(0.01).is_some(),
        share: at_5.map_or(1.0, |rounds| rounds / f64::from(plan.planned())),
    }
}

/// Counts as the product sees them.
fn counted(plan: &Plan, seen: &Seen) -> Kind {
    Kind::counts([&seen.counts, &seen.begun].map(|numbers| plan.table(numbers).unwrap()).to_vec())
}

/// What the observer who knows the law, and who knows all but the rate, makes of a plan.
pub(crate) fn observed(row: &Row, plan: &Plan, seen: &Seen, act: &Acts) -> [f64; 2] {
    [Knows::All, Knows::AllButTheRate]
        .map(|knows| evidence(plan, seen, act, row.law, row.per_hour / 60.0, knows))
}

/// Share of plans in which each of them finds the first stressor's effect, its error set to `alpha` on as many plans without.
pub(crate) fn ideal(row: &Row, seen: &[[f64; 2]], seed: u64, alpha: f64) -> [f64; 2] {
    let act = row.acts[0];
    let idle = [Acts { factor: 1.0, shift: 0.0, ..act }].into_iter().chain(row.acts[1..].iter().copied());
    let without = Row { acts: idle.collect(), ..row.clone() };
    let trials = seen.len() as u64;
    let other = without.trials(trials, !seed, |plan, seen, _| observed(row, plan, seen, &act));
    [0, 1].map(|one: usize| {
        let mut none: Vec<f64> = other.iter().map(|each| each[one]).collect();
        none.sort_by(f64::total_cmp);
        let bound = none[((1.0 - alpha) * none.len() as f64) as usize];
        percent(seen, |each| each[one] > bound)
    })
}

fn false_effects(trials: u64, seed: u64) {
    println!("\n## Effects called where none is\n");
    println!("Share of plans in which any idle stressor is called, in percent; each row {trials} plans.\n");
    println!(
        "| what comes by itself | judged | stressors | rounds | once, at the end: 5 % | 1 % | looks after each round: 5 % | 1 % |"
    );
    println!("|---|---|---|---|---|---|---|---|");
    let row = |law: Law, acts: Vec<Acts>, minutes: f64, per_hour: f64, level: bool| {
        let idle: Vec<usize> =
            (0..acts.len()).filter(|j| acts[*j].factor == 1.0 && acts[*j].shift == 0.0).collect();
        let (count, real) = (acts.len(), acts.len() - idle.len());
        let row = Row { acts, law, minutes, per_hour, wash_out_s: 5.0 };
        let rounds = row.forecast().rounds;
        let answers = row.trials(trials, seed, |plan, seen, seed| {
            let kind =
                if level { Kind::level(plan.table(&seen.levels).unwrap()) } else { counted(plan, seen) };
            found(plan, kind, &idle, seed)
        });
        let judged = if level { "level".to_owned() } else { format!("{per_hour} an hour") };
        let stressors = if real > 0 { format!("{count}, {real} of them works") } else { count.to_string() };
        println!(
            "| {law:?} | {judged}, {minutes} min | {stressors} | {rounds} | {:.1} | {:.1} | {:.1} | {:.1} |",
            percent(&answers, |f| f.p <= 0.05),
            percent(&answers, |f| f.p <= 0.01),
            percent(&answers, |f| f.at_5),
            percent(&answers, |f| f.at_1),
        );
    };
    for law in LAWS {
        row(law, vec![Acts::IDLE], 15.0, 60.0, false);
        row(law, vec![Acts::IDLE; 3], 15.0, 60.0, false);
    }
    for (law, per_hour) in [(Law::Poisson, 6.0), (Law::Poisson, 300.0), (Law::Bursts, 300.0)] {
        row(law, vec![Acts::IDLE], 15.0, per_hour, false);
    }
    row(Law::Turns, vec![Acts::IDLE; 6], 30.0, 300.0, false);
    row(Law::Poisson, vec![Acts::IDLE; 1], 15.0, 6.0, true);
    row(Law::Poisson, vec![Acts::IDLE; 3], 15.0, 6.0, true);
    // A real one that works on into the blocks of the others.
    for tau in [20.0, 120.0, 300.0] {
        let warm = Acts { pace: Pace(tau, tau), factor: 30.0, shift: -8.0 };
        for law in [Law::Poisson, Law::Bursts, Law::Pareto] {
            row(law, vec![warm, Acts::IDLE, Acts::IDLE], 15.0, 60.0, false);
        }
        row(Law::Poisson, vec![warm, Acts::IDLE, Acts::IDLE], 15.0, 60.0, true);
    }
}

fn effects_found(trials: u64, seed: u64) {
    println!("\n## A tenfold effect found\n");
    println!(
        "Share of plans that find it at 5 %, in percent, all time counted; each row {trials} plans. The stressor works"
    );
    println!(
        "tenfold once its time constant is over; `plan says` is the factor that the forecast promises to find in 80 %.\n"
    );
    println!(
        "| stressor | judged | of | minutes | wash-out, s | rounds × labels | slot, s | plan says | found | with looks | minutes then, mean | ideal | ideal, rate unknown |"
    );
    println!("|---|---|---|---|---|---|---|---|---|---|---|---|---|");
    let row = |name: &str,
               pace: Pace,
               wash_out_s: f64,
               law: Law,
               minutes: f64,
               per_hour: f64,
               idle: usize| {
        let mut acts = vec![Acts { pace, factor: 10.0, shift: 0.0 }];
        acts.extend(vec![Acts::IDLE; idle]);
        let row = Row { acts, law, minutes, per_hour, wash_out_s };
        let says = row.forecast();
        let answers = row.trials(trials, seed, |plan, seen, seed| {
            let ours = found(plan, counted(plan, seen), &[0], seed);
            (ours, observed(&row, plan, seen, &row.acts[0]))
        });
        let (answers, seen): (Vec<Found>, Vec<[f64; 2]>) = answers.into_iter().unzip();
        let ideal = ideal(&row, &seen, seed, 0.05);
        let mean = answers.iter().map(|f| f.share).sum::<f64>() / answers.len() as f64;
        println!(
            "| {name} | {law:?}, {per_hour} an hour | {} | {minutes} | {wash_out_s} | {} × {} | {:.0} | {} | {:.1} | {:.1} | {:.1} | {:.1} | {:.1} |",
            idle + 1,
            says.rounds,
            idle + 2,
            says.slot.length().seconds(),
            says.effect.map_or("nothing".to_owned(), |e| format!("{e:.1}")),
            percent(&answers, |f| f.p <= 0.05),
            percent(&answers, |f| f.at_5),
            mean * minutes,
            ideal[0],
            ideal[1],
        );
    };
    for minutes in [15.0, 20.0, 25.0, 30.0] {
        row("light", LIGHT, 0.0, Law::Poisson, minutes, 6.0, 0);
    }
    row("light", LIGHT, 0.0, Law::Episodes, 30.0, 6.0, 0);
    row("tap", TAP, 3.0, Law::Poisson, 15.0, 6.0, 0);
    for law in LAWS {
        row("light", LIGHT, 0.0, law, 15.0, 60.0, 0);
    }
    row("tap", TAP, 3.0, Law::Poisson, 15.0, 60.0, 0);
    row("moisture", MOISTURE, 20.0, Law::Poisson, 15.0, 60.0, 0);
    for (tau, wash_out_s) in [(20.0, 10.0), (20.0, 20.0), (60.0, 20.0), (60.0, 30.0), (300.0, 20.0)] {
        row(&format!("warm {tau} s"), Pace(tau, tau), wash_out_s, Law::Poisson, 15.0, 60.0, 0);
    }
    row("warm 60 s", Pace(60.0, 60.0), 30.0, Law::Poisson, 30.0, 60.0, 0);
    row("warm 60 s", Pace(60.0, 60.0), 30.0, Law::LogNormal, 30.0, 60.0, 0);
    row("warm 300 s", Pace(300.0, 300.0), 120.0, Law::Poisson, 60.0, 60.0, 0);
    row("light", LIGHT, 0.0, Law::Poisson, 15.0, 60.0, 2);
    row("tap", TAP, 3.0, Law::Turns, 15.0, 60.0, 2);
    row("warm 20 s", Pace(20.0, 20.0), 10.0, Law::Poisson, 15.0, 60.0, 2);
    row("light", LIGHT, 0.0, Law::Poisson, 30.0, 60.0, 5);
    println!(
        "\nThe best unbiased test of two constant rates, all time counted, half each, its last step by lot, would find at 6 an"
    );
    let best = |minutes: f64| format!("{:.1} % in {minutes} min", best_possible(minutes, 6.0, 10.0));
    println!("hour {}, {}, {}, {}.", best(15.0), best(20.0), best(25.0), best(30.0));
}

/// Power at 5 % of the best unbiased test of two Poisson rates, half of the time each, nothing washed out: the binomial test
/// of the counts, its last step by lot (Lehmann & Romano 2005, Testing Statistical Hypotheses, section 4.5).
fn best_possible(minutes: f64, per_hour: f64, factor: f64) -> f64 {
    let alone = per_hour / 120.0 * minutes;
    let (mean, share) = (alone * (1.0 + factor), factor / (1.0 + factor));
    let choose = |n: u32, k: u32| (0..k).map(|i| f64::from(n - i) / f64::from(k - i)).product::<f64>();
    let term =
        |n: u32, k: u32, p: f64| choose(n, k) * p.powf(f64::from(k)) * (1.0 - p).powf(f64::from(n - k));
    let mut weight = (-mean).exp();
    let mut power = 0.0;
    for n in 0..200 {
        let mut left = 0.05;
        for k in (0..=n).rev() {
            let taken = (left / term(n, k, 0.5)).min(1.0);
            power += weight * taken * term(n, k, share);
            left -= taken * term(n, k, 0.5);
            if taken < 1.0 {
                break;
            }
        }
        weight *= mean / f64::from(n + 1);
    }
    100.0 * power
}

fn intervals(trials: u64, seed: u64) {
    println!("\n## Intervals\n");
    println!(
        "Share of 95 % intervals that hold the truth, and of one-sided lower bounds of 95 % that lie below it, in percent;"
    );
    println!(
        "each row {trials} plans. The truth is the mean count under the stressor over that without, in this plan, from five"
    );
    println!("times as many other plans. `longer`: median of upper over lower end.\n");
    println!("| stressor | what | plan | truth | covers | lower bound holds | longer |");
    println!("|---|---|---|---|---|---|---|");
    let row = |name: &str, acts: Acts, law: Law, minutes: f64, per_hour: f64, wash_out_s: f64| {
        let row = Row { acts: vec![acts], law, minutes, per_hour, wash_out_s };
        let rounds = row.forecast().rounds;
        let totals = row.trials(5 * trials, seed ^ 0x7275_7468, |plan, seen, _| {
            let table = plan.table(&seen.counts).unwrap();
            table.pairs(0).iter().fold((0.0, 0.0), |sum, pair| (sum.0 + pair.0, sum.1 + pair.1))
        });
        let sums = totals.iter().fold((0.0, 0.0), |sum, pair| (sum.0 + pair.0, sum.1 + pair.1));
        let truth = sums.1 / sums.0;
        let answers = row.trials(trials, seed, |plan, seen, seed| {
            let table = plan.table(&seen.counts).unwrap();
            (ratio(&table, 0, 0.95, seed).interval, ratio(&table, 0, 0.90, seed).interval.low)
        });
        let mut longer: Vec<f64> = answers.iter().map(|(both, _)| both.high / both.low).collect();
        longer.sort_by(f64::total_cmp);
        println!(
            "| {name} | {law:?}, {per_hour} an hour | {minutes} min, {rounds} rounds | {truth:.2} | {:.1} | {:.1} | {:.1} |",
            percent(&answers, |(both, _)| both.holds(truth)),
            percent(&answers, |(_, low)| *low <= truth),
            longer[longer.len() / 2],
        );
    };
    let light = |factor: f64| Acts { pace: LIGHT, factor, shift: 0.0 };
    for law in LAWS {
        row("none", light(1.0), law, 30.0, 60.0, 0.0);
        row("light", light(10.0), law, 30.0, 60.0, 0.0);
    }
    for (factor, per_hour) in
        [(1.0, 6.0), (10.0, 6.0), (30.0, 6.0), (10.0, 20.0), (3.0, 60.0), (0.2, 60.0), (3.0, 300.0)]
    {
        row("light", light(factor), Law::Poisson, 15.0, per_hour, 0.0);
    }
    for tau in [20.0, 60.0, 300.0] {
        row(
            &format!("warm {tau} s"),
            Acts { pace: Pace(tau, tau), factor: 10.0, shift: 0.0 },
            Law::Poisson,
            15.0,
            60.0,
            20.0,
        );
    }
    println!(
        "\n| level moves by | plan | covers | lower bound holds | median length |\n|---|---|---|---|---|"
    );
    for (shifted, minutes, wash_out_s) in
        [(0.0, 15.0, 0.0), (-5.0, 15.0, 0.0), (-5.0, 15.0, 20.0), (3.0, 30.0, 20.0)]
    {
        let acts = vec![Acts { pace: LIGHT, factor: 1.0, shift: shifted }];
        let row = Row { acts, law: Law::Poisson, minutes, per_hour: 6.0, wash_out_s };
        let rounds = row.forecast().rounds;
        let answers = row.trials(trials, seed, |plan, seen, seed| {
            let table = plan.table(&seen.levels).unwrap();
            let interval = |confidence: f64| shift(&table, 0, confidence, seed).unwrap().interval.unwrap();
            (interval(0.95), interval(0.90).low)
        });
        let mut length: Vec<f64> = answers.iter().map(|(both, _)| both.high - both.low).collect();
        length.sort_by(f64::total_cmp);
        println!(
            "| {shifted} counts | {minutes} min, {rounds} rounds | {:.1} | {:.1} | {:.2} counts |",
            percent(&answers, |(both, _)| both.holds(shifted)),
            percent(&answers, |(_, low)| *low <= shifted),
            length[length.len() / 2],
        );
    }
}

fn main() {
    let given: Vec<u64> = std::env::args().skip(1).filter_map(|arg| arg.parse().ok()).collect();
    let trials = given.first().copied().unwrap_or(2000);
    let seed = given.get(1).copied().unwrap_or(SEED);
    let part = std::env::args().nth(3);
    println!("# What provocation reaches\n");
    println!(
        "Invented data. Made by `cargo run --release --example provoke {trials} {seed}`. Tuned with the seeds 1 to 9."
    );
    type Part = (&'static str, fn(u64, u64), u64);
    let parts: [Part; 5] = [
        ("false", false_effects, 0),
        ("found", effects_found, 0x66_6f75_6e64),
        ("intervals", intervals, 0x656e_6473),
        ("together", together::together, 0x746f),
        ("again", together::again, 0x6167),
    ];
    for (_, print, mix) in parts.iter().filter(|(name, ..)| part.as_deref().is_none_or(|part| part == *name))
    {
        print(trials, seed ^ mix);
    }
}
