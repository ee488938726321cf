//! Where the fault is, asked of jobs whose fault is known: each is written as text, built into a job, decoded and located as
//! the program does it. Prints tables in Markdown.
//!
//!     cargo run --release --example place -- [JOBS [SEED [SOUND]]] > tables.md
//!
//! Circuit, faults, noise and steps are this example's own and share nothing with the program's models; values of faults and
//! shares of kinds are not the program's priors.
#![allow(
    clippy::unwrap_used,
    clippy::print_stdout,
    clippy::print_stderr,
    clippy::cast_precision_loss,
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "a report for developers"
)]

mod ideal;
mod job;
mod set;
#[path = "../pairs/share.rs"]
mod share;

use std::collections::BTreeMap;
use std::path::Path;

use ideal::{Ideal, ideal};
use job::{Job, Plan};
use set::{Dice, KINDS, Kind};
use share::Share;
use straykey::analysis::event_sequence::Occurrence;
use straykey::analysis::locate::Located;
use straykey::base::EventKind;
use straykey::bench::keycheck::of_capture;
use straykey::bench::{Loaded, StageView, located, views};
use straykey::timeline::Protocols;
use straykey::timeline::job::Hands;

/// Used for the committed table and for nothing else.
const SEED: u64 = 20_261_130;

/// Posterior of somebody who knows the simulator from which the steps can tell.
const TELLS: f64 = 0.8;

/// One job through the program.
fn run(
    kind: Kind,
    plan: Plan,
    dice: &mut Dice,
    protocols: &Protocols,
    strays: &mut Strays,
) -> (Job, Located) {
    let folder = tempfile::tempdir().unwrap();
    let job = Job::draw(kind, plan, dice, folder.path());
    let stated = plan.sheet.then(|| with_sheet(&job, folder.path()));
    let made = folder.path().join("job");
    drop(straykey::timeline::job::build(&folder.path().join("ticket.toml"), &made).unwrap());
    let protocols = stated.as_ref().unwrap_or(protocols);
    let loaded = Loaded::open(&made, protocols, false).unwrap();
    let views = views(&loaded).unwrap();
    strays.take(&job, &loaded, &views, protocols);
    let found = located(&loaded, &views, &[], protocols).unwrap();
    (job, found)
}

/// Inputs that nobody made, and what the program calls strays: with hands off and on, by dialect and path.
#[derive(Default)]
struct Strays {
    sums: BTreeMap<(&'static str, &'static str, &'static str), [u64; 3]>,
    untold: u64,
}

/// A stray within so many seconds of a phantom is that one.
const NEAR_S: f64 = 0.5;

impl Strays {
    /// What nobody made in the hands-off captures and in the key checks of a job, against what is called stray.
    fn take(&mut self, job: &Job, loaded: &Loaded, views: &[StageView], protocols: &Protocols) {
        let soaked = |view: &&StageView| view.stage.captures.iter().any(|c| c.hands == Hands::Off);
        for (truth, view) in job.stages.iter().zip(views.iter().filter(soaked)) {
            let Some(phantoms) = &truth.phantoms else { continue };
            let sequence = &view.stage.seen.sequence;
            let shift =
                sequence.segments().first().map_or(0.0, |s| (s.span.start - s.in_capture().start).seconds());
            let strays = sequence.occurrences().iter().filter(|o| o.kind != EventKind::Repeat);
            let path = |o: &Occurrence| sequence.symbols()[o.symbol as usize].path.word();
            self.judge((job, "off"), phantoms, shift, strays.map(|o| (path(o), o.t.seconds())).collect());
        }
        self.untold += job.untold;
        for (name, phantoms) in &job.checks {
            let mut captures =
                loaded.job.stages().iter().flat_map(|s| s.captures.iter().map(|c| (s.number, c)));
            let (stage, capture) = captures.find(|(_, capture)| capture.name == *name).unwrap();
            let check = of_capture(loaded, stage, capture, protocols).unwrap();
            let strays = check.strays.iter().filter(|stray| stray.kind != EventKind::Repeat);
            self.judge(
                (job, "on"),
                phantoms,
                0.0,
                strays.map(|stray| (stray.path.word(), stray.t)).collect(),
            );
        }
    }

    fn judge(
        &mut self,
        (job, hands): (&Job, &'static str),
        phantoms: &[(&'static str, f64)],
        shift: f64,
        strays: Vec<(&str, f64)>,
    ) {
        for path in ["keypad", "infrared", "cec", "menu"] {
            let mut left: Vec<f64> =
                phantoms.iter().filter(|own| own.0 == path).map(|own| own.1 + shift).collect();
            let sums = self.sums.entry((hands, job.dialect.name(), path)).or_default();
            sums[0] += left.len() as u64;
            for (_, t) in strays.iter().filter(|stray| stray.0 == path) {
                sums[1] += 1;
                let nearest =
                    (0..left.len()).min_by(|a, b| (left[*a] - t).abs().total_cmp(&(left[*b] - t).abs()));
                if let Some(nearest) = nearest.filter(|i| (left[*i] - t).abs() <= NEAR_S) {
                    left.swap_remove(nearest);
                    sums[2] += 1;
                }
            }
        }
    }

    fn print(&self) {
        println!(
            "\n| hands | dialect | path | inputs that nobody made | found (recall) | of the strays right (precision) |"
        );
        println!("|---|---|---|---|---|---|");
        for ((hands, dialect, path), [phantoms, strays, hits]) in &self.sums {
            if phantoms + strays > 0 {
                let share = |of: u64| {
                    if of > 0 {
                        format!("{hits} of {of} ({:.2} %)", 100.0 * *hits as f64 / of as f64)
                    } else {
                        "–".to_owned()
                    }
                };
                println!(
                    "| {hands} | {dialect} | {path} | {phantoms} | {} | {} |",
                    share(*phantoms),
                    share(*strays)
                );
            }
        }
        println!(
            "\nOne input came where a hand pressed and the fault held the line, {} times: nobody can tell whose it is, and it is not \
             listed.",
            self.untold
        );
    }
}

/// The shipped file with what a data sheet states beside it.
fn with_sheet(job: &Job, folder: &Path) -> Protocols {
    let name = job.dialect.name();
    let shipped = std::fs::read_to_string(format!("protocols/chassis/{name}.toml")).unwrap();
    let (input, contact) = job.sheet();
    let stated = format!("[[line]]\ninput_ohm = {input}\ncontact_ohm = {contact}\n");
    let own = folder.join("protocols");
    std::fs::create_dir_all(&own).unwrap();
    std::fs::write(own.join(format!("{name}.toml")), shipped.replace("[[line]]\n", &stated)).unwrap();
    Protocols::load(Some(&own)).unwrap()
}

/// The first places of the answer for the path on which this kind strays.
fn places(found: &Located, kind: Kind) -> Vec<(&'static str, f64)> {
    let path = match kind {
        Kind::Light | Kind::Receiver | Kind::Remote => "infrared",
        Kind::Box => "cec",
        Kind::Software => "menu",
        _ => "keypad",
    };
    let own = found.causes().find(|cause| cause.path.is_some_and(|p| p.word() == path));
    own.unwrap_or(found).locations.iter().map(|belief| (belief.location, belief.probability)).collect()
}

/// The class of the program's model word.
fn class(model: &str) -> &str {
    let first = model.split('+').next().unwrap_or(model);
    match first {
        "key-board-leak-to-ground"
        | "cable-leak-to-ground"
        | "main-board-leak-to-ground"
        | "input-pin-leak" => "leak",
        "pull-up-value" | "main-board-leak-to-supply" | "pull-up-on-key-board" => "pull-up-value",
        other if other.starts_with("switch-leak") => "switch-leak",
        other => other,
    }
}

#[derive(Default)]
struct Row {
    first: Share,
    two: Share,
    first_all: Share,
    ideal_all: Share,
    kind: Share,
    kind_all: Share,
    ideal_kind: Share,
    /// What came first instead.
    instead: BTreeMap<&'static str, u32>,
}

impl Row {
    fn take(&mut self, job: &Job, found: &Located, ideal: &Ideal) {
        let truth = job.kind.location();
        let list = places(found, job.kind);
        let is = |n: usize| list.get(n).is_some_and(|place| place.0 == truth);
        let best = |list: &BTreeMap<&'static str, f64>| {
            list.iter().max_by(|a, b| a.1.total_cmp(b.1)).map(|(name, _)| *name)
        };
        if ideal.places.get(truth).is_some_and(|p| *p >= TELLS) {
            self.first.take(is(0));
            self.two.take(is(0) || is(1));
            if !is(0) {
                *self.instead.entry(list.first().map_or("nothing", |place| place.0)).or_default() += 1;
            }
        }
        self.first_all.take(is(0));
        self.ideal_all.take(best(&ideal.places) == Some(truth));
        if let Some(electric) = &job.electric {
            let own = electric.mechanism.class();
            let entry = found.ladder.first();
            let models = entry.iter().flat_map(|e| {
                std::iter::once(e.model.as_str()).chain(e.also.iter().map(|value| value.model.as_str()))
            });
            let right = models.map(class).any(|found| found == own);
            if ideal.classes.get(own).is_some_and(|p| *p >= TELLS) {
                self.kind.take(right);
            }
            self.kind_all.take(right);
            self.ideal_kind.take(best(&ideal.classes) == Some(own));
        }
    }

    fn print(&self, name: &str) {
        let cells =
            [self.first, self.two, self.first_all, self.ideal_all, self.kind, self.kind_all, self.ideal_kind];
        let cells: Vec<String> = cells.iter().map(|share| share.words()).collect();
        let mut instead: Vec<_> = self.instead.iter().collect();
        instead.sort_by_key(|(_, n)| std::cmp::Reverse(**n));
        let instead: Vec<String> = instead.iter().take(4).map(|(place, n)| format!("{place} {n}")).collect();
        println!("| {name} | {} | {} |", cells.join(" | "), instead.join(", "));
    }
}

/// Chance given to the first place, and whether it was right, in ten bins.
#[derive(Default)]
struct Bins([(f64, f64, f64); 10]);

impl Bins {
    fn take(&mut self, chance: f64, right: bool, weight: f64) {
        let bin = &mut self.0[((chance * 10.0) as usize).min(9)];
        bin.0 += weight;
        bin.1 += weight * chance;
        bin.2 += weight * f64::from(u8::from(right));
    }

    fn print(&self) {
        println!("\n| called | jobs (weight) | mean chance | right |\n|---|---|---|---|");
        let all: f64 = self.0.iter().map(|bin| bin.0).sum();
        let mut error = 0.0;
        for (i, (n, chance, right)) in self.0.iter().enumerate().filter(|(_, bin)| bin.0 > 0.0) {
            println!("| {}–{} % | {n:.0} | {:.3} | {:.3} |", 10 * i, 10 * (i + 1), chance / n, right / n);
            error += (chance - right).abs();
        }
        println!("\nCalibration error of the first place: {:.3}.", error / all);
    }
}

/// Shares of the kinds in workshops as the fault tree has them, for the calibration.
fn workshop(kind: Kind) -> f64 {
    let tree = straykey::analysis::locate::faults().unwrap();
    let prior = tree.locations.iter().find(|place| place.name == kind.location()).map_or(0.0, |p| p.prior);
    let sharing = KINDS.iter().filter(|other| other.location() == kind.location()).count();
    prior / sharing as f64
}

fn kinds(jobs: u64, seed: u64, protocols: &Protocols) {
    let mut rows: BTreeMap<usize, Row> = BTreeMap::new();
    let (mut even, mut weighed) = (Bins::default(), Bins::default());
    let mut all = Row::default();
    let mut strays = Strays::default();
    for number in 0..jobs {
        let kind = KINDS[number as usize % KINDS.len()];
        let mut dice = Dice::new(seed.wrapping_mul(1_000_003) ^ number);
        let noise = [0.05, 0.7, 1.5][dice.pick(3)];
        let (job, found) =
            run(kind, Plan { noise, steady: false, sheet: false }, &mut dice, protocols, &mut strays);
        let perfect = ideal(&job);
        if std::env::var_os("PLACE_SHOW").is_some() {
            show(number, &job, &found, &perfect);
        }
        rows.entry(kind as usize).or_default().take(&job, &found, &perfect);
        all.take(&job, &found, &perfect);
        if let Some((place, chance)) = places(&found, kind).first() {
            even.take(*chance, *place == kind.location(), 1.0);
            weighed.take(*chance, *place == kind.location(), workshop(kind) * KINDS.len() as f64);
        }
    }
    println!(
        "| fault | place first, where the steps can tell | among the first two | first, all jobs | first by the ideal | kind \
         right, where levels can tell | kind right, all | kind by the ideal | first instead |"
    );
    println!("|---|---|---|---|---|---|---|---|---|");
    for kind in KINDS {
        rows.entry(kind as usize).or_default().print(kind.name());
    }
    all.print("all");
    println!("\nCalibration, every kind as often as the other:");
    even.print();
    println!("\nThe same, kinds weighed as the fault tree's priors say:");
    weighed.print();
    strays.print();
}

/// One job in a line, to look into.
fn show(number: u64, job: &Job, found: &Located, perfect: &Ideal) {
    let truth = job.kind.location();
    let list = places(found, job.kind);
    let top: Vec<String> = list.iter().take(3).map(|(place, p)| format!("{place} {p:.2}")).collect();
    let lead = found.ladder.first().map_or("-", |entry| entry.model.as_str());
    let stages: Vec<String> = job
        .stages
        .iter()
        .map(|stage| format!("{:?} {:.0}s {}", stage.about.line, stage.seconds, stage.shown))
        .collect();
    for entry in found.ladder.iter().take(5) {
        eprintln!(
            "    {} {:?} {:?} weight {:.3} chi2 {:.1} p {:.3}",
            entry.model,
            entry.value,
            (entry.low, entry.high),
            entry.weight,
            entry.chi2,
            entry.p
        );
    }
    for note in &found.stages {
        eprintln!("    {}", note.text);
    }
    eprintln!(
        "{number} {:?} {:?} {}: {} ideal {:.2} | {} | ladder {lead} {:?} | {:?} | {}",
        job.kind,
        job.dialect,
        if list.first().is_some_and(|p| p.0 == truth) { "ok" } else { "MISS" },
        truth,
        perfect.places.get(truth).copied().unwrap_or(0.0),
        top.join(", "),
        found.ladder.first().and_then(|entry| entry.value),
        job.electric.map(|e| (e.mechanism, e.value, e.steady, e.rests != set::Wrong::default())),
        stages.join("; ")
    );
}

/// Whether the interval of a steady fault's value holds it, by noise.
fn coverage(faults: u64, seed: u64, protocols: &Protocols) {
    println!("\n| noise, counts | interval holds the value | nothing said of it |\n|---|---|---|");
    for noise in [0.05, 0.7, 1.5] {
        let (mut holds, mut missing) = (Share::default(), BTreeMap::<&str, u32>::new());
        let mut by: BTreeMap<&str, Share> = BTreeMap::new();
        for number in 0..faults {
            let kind = KINDS[number as usize % 7];
            let mut dice = Dice::new(seed.wrapping_mul(7_000_003) ^ number ^ ((noise * 1e3) as u64) << 40);
            let (job, found) = run(
                kind,
                Plan { noise, steady: true, sheet: false },
                &mut dice,
                protocols,
                &mut Strays::default(),
            );
            let Some(electric) = job.electric else { continue };
            let word = electric.mechanism.word();
            let entry = found.ladder.first().into_iter().flat_map(|e| {
                let first = (e.model.as_str(), e.low, e.high);
                let own = e.values.iter().chain(&e.also).map(|v| (v.model.as_str(), v.low, v.high));
                std::iter::once(first).chain(own).collect::<Vec<_>>()
            });
            match entry.into_iter().find(|(model, ..)| model.starts_with(word)) {
                Some((_, low, high)) => {
                    let value = electric.value;
                    let hit = low.is_none_or(|low| low <= value) && high.is_none_or(|high| value <= high);
                    holds.take(hit);
                    by.entry(word).or_default().take(hit);
                }
                None => *missing.entry(word).or_default() += 1,
            }
        }
        let by: Vec<String> =
            by.iter().map(|(word, share)| format!("{word} {}/{}", share.hit, share.of)).collect();
        let missing: Vec<String> = missing.iter().map(|(word, n)| format!("{word} {n}")).collect();
        println!("| {noise} | {} ({}) | {} |", holds.words(), by.join(", "), missing.join(", "));
    }
}

/// Sound sets that are told of a fault.
fn sound(sets: u64, seed: u64, protocols: &Protocols) {
    println!(
        "\n| noise, counts | data sheet stated | a place named | of the ladder a fault told | a powered test first |"
    );
    println!("|---|---|---|---|---|");
    for sheet in [false, true] {
        for noise in [0.05, 0.7, 1.5] {
            let (mut blamed, mut told, mut powered) = (Share::default(), Share::default(), Share::default());
            let mut which: BTreeMap<String, u32> = BTreeMap::new();
            for number in 0..sets {
                let mut dice =
                    Dice::new(seed.wrapping_mul(9_000_011) ^ number ^ ((noise * 1e3) as u64) << 40);
                let plan = Plan { noise, steady: false, sheet };
                let (_, found) = run(Kind::Sound, plan, &mut dice, protocols, &mut Strays::default());
                let first = found.locations.first();
                blamed.take(first.is_some_and(|f| f.location != "none" && f.probability >= 0.5));
                let lead = found.ladder.first().map(|entry| entry.model.as_str());
                told.take(lead.is_some_and(|model| model != "healthy"));
                if let Some(model) = lead.filter(|model| *model != "healthy") {
                    *which.entry(model.to_owned()).or_default() += 1;
                }
                let high = straykey::analysis::locate::Risk::High;
                powered.take(found.next_test().is_some_and(|test| test.risk == high));
            }
            println!(
                "| {noise} | {} | {} | {} {which:?} | {} |",
                if sheet { "yes" } else { "no" },
                blamed.words(),
                told.words(),
                powered.words()
            );
        }
    }
}

fn main() {
    let given: Vec<u64> = std::env::args().skip(1).filter_map(|word| word.parse().ok()).collect();
    let at = |n: usize, usual: u64| given.get(n).copied().unwrap_or(usual);
    let (jobs, seed, sets, faults) = (at(0, 1200), at(1, SEED), at(2, 300), at(3, 210));
    let protocols = Protocols::load(None).unwrap();
    println!("# Where the fault is, asked of known faults\n");
    println!(
        "Invented data. Made by `cargo run --release --example place -- {jobs} {seed} {sets} {faults}`.\n"
    );
    if jobs > 0 {
        kinds(jobs, seed, &protocols);
    }
    if faults > 0 {
        coverage(faults, seed, &protocols);
    }
    if sets > 0 {
        sound(sets, seed, &protocols);
    }
}
