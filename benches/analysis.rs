//! Speed of the statistics: patterns at 10^5, 10^6 and 10^7 events, and a live update with a million behind it.
//!
//!     cargo bench --bench analysis
//!     cargo bench --bench analysis -- write FILE N && python3 tests/reference/speed.py FILE
#![allow(
    clippy::unwrap_used,
    clippy::print_stdout,
    clippy::cast_precision_loss,
    reason = "a report for developers"
)]

use std::time::Instant;

use straykey::analysis::compare::{CompareOptions, Observation};
use straykey::analysis::pattern::{PatternOptions, find};
use straykey::analysis::random::Random;
use straykey::analysis::{EventSequence, Soak, compare};
use straykey::base::{ControlPath, Event, EventKind, Key, Nanoseconds, Span};

/// Two steady patterns, a cycle of three and a third of foreign events, by time.
fn events(count: usize) -> (EventSequence, f64) {
    let names = ["KEY_VOLUMEDOWN", "KEY_MENU", "KEY_VOLUMEUP", "KEY_ENTER", "KEY_POWER"];
    let keys: Vec<Key> = names.iter().map(|name| Key::from_name(name).unwrap()).collect();
    let mut random = Random::new(1);
    // Events a second: 1/0.9 + 3/2 + 1/7.3, and as much again by half from elsewhere.
    let rate = 1.5 * (1.0 / 0.9 + 3.0 / 2.0 + 1.0 / 7.3);
    let seconds = count as f64 / rate;
    let mut points: Vec<(i64, u8)> = Vec::with_capacity(count + 100);
    let mut beats = |period: f64, motif: &[(f64, u8)], random: &mut Random| {
        let mut t = random.unit() * period;
        while t < seconds {
            points.extend(
                motif.iter().map(|(place, key)| (((t + place + 0.01 * random.normal()) * 1e9) as i64, *key)),
            );
            t += period;
        }
    };
    beats(0.9, &[(0.0, 0)], &mut random);
    beats(2.0, &[(0.0, 1), (0.5, 2), (1.2, 3)], &mut random);
    beats(7.3, &[(0.0, 4)], &mut random);
    let mut t = 0.0;
    while t < seconds {
        t += random.exponential() / (rate / 3.0);
        points.push(((t * 1e9) as i64, random.below(5) as u8));
    }
    points.sort_unstable();
    let mut sequence = EventSequence::new();
    let mut event = Event::new(Nanoseconds::ZERO, ControlPath::Keypad, EventKind::Press);
    for (t, key) in points {
        event.t = Nanoseconds(t);
        event.key = Some(keys[usize::from(key)]);
        sequence.push(&event);
        event.kind = EventKind::Release;
        event.t = Nanoseconds(t + 1_000_000);
        sequence.push(&event);
        event.kind = EventKind::Press;
    }
    sequence.observe(Span { start: Nanoseconds::ZERO, end: Nanoseconds::from_seconds(seconds) });
    (sequence, seconds)
}

/// Highest resident memory so far, MB.
fn memory() -> f64 {
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let line = status.lines().find(|line| line.starts_with("VmHWM"));
    line.and_then(|line| line.split_whitespace().nth(1)?.parse::<f64>().ok()).unwrap_or(f64::NAN) / 1024.0
}

/// Processor seconds used so far, from the kernel's count of 10 ms ticks.
fn processor() -> f64 {
    let stat = std::fs::read_to_string("/proc/self/stat").unwrap_or_default();
    let fields: Vec<&str> = stat.rsplit(')').next().unwrap_or_default().split_whitespace().collect();
    let ticks = |place: usize| fields.get(place).and_then(|v| v.parse::<f64>().ok()).unwrap_or(f64::NAN);
    (ticks(11) + ticks(12)) / 100.0
}

/// The same questions as `tests/reference/speed.py`, on the same sequence.
fn write(file: &str, count: usize) {
    let (sequence, _) = events(count);
    let lines: Vec<String> = sequence
        .occurrences()
        .iter()
        .map(|o| {
            let key = sequence.symbols()[o.symbol as usize].key;
            format!("{},{}\n", o.t, key.map_or("none", |key| key.name()))
        })
        .collect();
    std::fs::write(file, lines.concat()).unwrap();
    let start = processor();
    let options = PatternOptions { surrogates: 20, ..PatternOptions::default() };
    let found = find(&sequence, &options);
    let one = Observation::soak(sequence);
    std::hint::black_box(compare(&one, &one, &CompareOptions::default()));
    println!(
        "{} patterns and a comparison of {count} events: {:.2} s of processor",
        found.patterns.len(),
        processor() - start
    );
}

fn main() {
    let arguments: Vec<String> = std::env::args().skip(1).filter(|a| !a.starts_with("--")).collect();
    if let [word, file, count] = arguments.as_slice()
        && word == "write"
    {
        return write(file, count.parse().unwrap());
    }
    let most = std::env::args().skip(1).find_map(|a| a.parse::<usize>().ok()).unwrap_or(10_000_000);
    let mut last: Option<(f64, f64)> = None;
    for count in [100_000, 1_000_000, 10_000_000].into_iter().filter(|count| *count <= most) {
        let (sequence, seconds) = events(count);
        let (start, used) = (Instant::now(), processor());
        let found = find(&sequence, &PatternOptions::default());
        let (wall, took) = (start.elapsed().as_secs_f64(), processor() - used);
        let exponent = last.map_or(String::new(), |(n, t)| {
            format!(", exponent {:.3}", (took / t).ln() / (sequence.len() as f64 / n).ln())
        });
        let periods: Vec<String> =
            found.patterns.iter().filter_map(|p| p.period_s).map(|p| format!("{p:.4}")).collect();
        println!(
            "{} events over {:.0} h: patterns in {took:.2} s of processor, {wall:.2} s by the clock{exponent}; peak {:.0} MB; periods {}",
            sequence.len(),
            seconds / 3600.0,
            memory(),
            periods.join(" ")
        );
        last = Some((sequence.len() as f64, took));
        if count == 1_000_000 {
            live(&sequence);
        }
    }
}

/// Times a thousand updates, each the best of five runs: what is left of a pause of the machine is not the program's.
fn updates(mut step: impl FnMut(usize, usize)) -> (f64, f64) {
    let mut best = vec![f64::INFINITY; 1000];
    for run in 0..5 {
        for (i, best) in best.iter_mut().enumerate() {
            let start = Instant::now();
            step(run, i);
            *best = best.min(start.elapsed().as_secs_f64());
        }
    }
    (best.iter().sum::<f64>() / 1e3 * 1e6, best.iter().copied().fold(0.0, f64::max) * 1e6)
}

/// A soak with a million strays behind it: each further event and look.
fn live(history: &EventSequence) {
    let (small, _) = events(2000);
    let mut soak = Soak::new(Some(&Observation::soak(small.clone())), &CompareOptions::default(), None);
    soak.tick_observed(Nanoseconds::ZERO);
    let mut event = Event::new(Nanoseconds::ZERO, ControlPath::Keypad, EventKind::Press);
    event.key = Key::from_name("KEY_MENU");
    for occurrence in history.occurrences() {
        event.t = occurrence.t;
        soak.push_observed(&event);
    }
    let from = history.exposure();
    let mut soaks = vec![soak; 5];
    let (mean, worst) = updates(|run, i| {
        event.t = from.saturating_add(Nanoseconds::from_millis(900 * i as i64));
        soaks[run].push_observed(&event);
        std::hint::black_box(soaks[run].tick_observed(event.t));
    });
    println!("live update behind {} events: mean {mean:.1} us, worst {worst:.1} us", history.len());
    // A quiet soak after a step with as many before it: every look weighs the chance of so much quiet. The boots are
    // what a set may print meanwhile.
    let mut soaks =
        vec![Soak::new(Some(&Observation::soak(history.clone())), &CompareOptions::default(), None); 5];
    let mut boot = Event::new(Nanoseconds::ZERO, ControlPath::System, EventKind::Boot);
    let (mean, worst) = updates(|run, i| {
        boot.t = Nanoseconds::from_millis(1 + (1i64 << (i / 25)) * 20 + i as i64);
        if i % 100 == 0 {
            soaks[run].push_observed(&boot);
        }
        std::hint::black_box(soaks[run].tick_observed(boot.t));
    });
    println!(
        "quiet look after {} events before the step: mean {mean:.1} us, worst {worst:.1} us",
        history.len()
    );
    let (few, _) = events(300);
    let mut soaks = vec![Soak::new(Some(&Observation::soak(few)), &CompareOptions::default(), None); 5];
    let (mean, worst) = updates(|run, i| {
        std::hint::black_box(soaks[run].tick_observed(Nanoseconds::from_millis(300 * i as i64)));
    });
    println!("quiet look after 300 events before the step: mean {mean:.1} us, worst {worst:.1} us");
    baseline("even chance", |random| random.exponential());
    // Weibull gaps of shape 1/2: a square of what an exponential gives.
    baseline("heavy tails", |random| 0.5 * random.exponential().powi(2));
    let start = Instant::now();
    let two = Observation::soak(small);
    std::hint::black_box(compare(&Observation::soak(history.clone()), &two, &CompareOptions::default()));
    println!("comparison of {} events with 2000: {:.3} s", history.len(), start.elapsed().as_secs_f64());
}

/// A baseline soak: each stray begins an episode, so that each look works out anew what a repair would need. The first
/// looks weigh most shapes of off-times, since few gaps tell little.
fn baseline(name: &str, gap: impl Fn(&mut Random) -> f64) {
    let (mut random, mut t) = (Random::new(2), 0.0);
    let looks: Vec<Nanoseconds> = (0..20_000)
        .map(|_| {
            t += 1.5 + 30.0 * gap(&mut random);
            Nanoseconds::from_seconds(t)
        })
        .collect();
    let mut event = Event::new(Nanoseconds::ZERO, ControlPath::Keypad, EventKind::Press);
    event.key = Key::from_name("KEY_MENU");
    let mut best = vec![f64::INFINITY; looks.len()];
    for _ in 0..3 {
        let mut soak = Soak::new(None, &CompareOptions::default(), None);
        soak.tick_observed(Nanoseconds::ZERO);
        for (look, best) in looks.iter().zip(&mut best) {
            event.t = *look;
            let start = Instant::now();
            soak.push_observed(&event);
            std::hint::black_box(soak.tick_observed(event.t));
            *best = best.min(start.elapsed().as_secs_f64());
        }
    }
    best.sort_by(f64::total_cmp);
    let of = |share: usize| best[(best.len() - 1) * share / 1000] * 1e6;
    println!(
        "new episode in a baseline of {} ({name}): median {:.1} us, 99 % {:.1} us, worst {:.1} us",
        best.len(),
        of(500),
        of(990),
        of(1000)
    );
}
