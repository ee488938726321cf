//! A soak of a year in compressed time, by the runner that terminal and daemon share: memory after one and after twelve
//! months, and how long one more event and a look at everything take behind a million events.
//!
//!     cargo run --release --example year
#![allow(
    clippy::unwrap_used,
    clippy::print_stdout,
    clippy::cast_precision_loss,
    reason = "a report for developers"
)]

use std::time::Instant;

use straykey::analysis::compare::{CompareOptions, Observation};
use straykey::analysis::event_sequence::EventSequence;
use straykey::analysis::ledger::{Builder, Expected};
use straykey::base::{ControlPath, Event, EventKind, Key, Name, Nanoseconds, Span};
use straykey::bench::{SoakPlan, SoakRun};
use straykey::decode::report::{LineState, Report, Reported};
use straykey::source::{Mark, What};
use straykey::timeline::Watch;

const DAY: i64 = 86_400;

fn at(seconds: i64) -> Nanoseconds {
    Nanoseconds(seconds * 1_000_000_000)
}

fn press(t: Nanoseconds, line: &str, kind: EventKind) -> Event {
    let mut event = Event::new(t, ControlPath::Keypad, kind);
    event.key = Key::from_name("KEY_VOLUMEDOWN");
    event.line = Some(Name::from(line));
    event.offset = Some(0);
    event
}

/// Before the step: a stray each five minutes for an hour.
fn before() -> Observation {
    let mut sequence = EventSequence::new();
    for i in 0..12 {
        let t = at(300 * i + 97 * i % 200);
        sequence.push(&press(t, "KEY1", EventKind::Press));
        sequence.push(&press(t + Nanoseconds::from_millis(200), "KEY1", EventKind::Release));
    }
    sequence.observe(Span { start: Nanoseconds::ZERO, end: at(3600) });
    Observation::soak(sequence)
}

fn run() -> SoakRun {
    let mut builder = Builder::default();
    // A reading of each line each second: a year of twenty a second, thinned in time.
    let expected =
        |line: &str| Expected { line: line.to_owned(), period_s: Some(1.0), silent: false, debounce: 1 };
    builder.expect(vec![expected("KEY1"), expected("KEY2")]);
    let plan = SoakPlan { seconds: 1e9, full: true, attended: false, on_for: None };
    SoakRun::new(Some(&before()), &CompareOptions::default(), plan, builder, Vec::new())
}

fn reading(run: &mut SoakRun, line: &Name, t: Nanoseconds, counts: u32) {
    let what = Reported::Reading { line: Name::clone(line), counts, state: LineState::Rest };
    run.report(&Report { t, what });
}

/// Resident memory, now and at its highest, MB.
fn memory() -> (f64, f64) {
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let of = |name: &str| {
        let line = status.lines().find(|line| line.starts_with(name));
        line.and_then(|line| line.split_whitespace().nth(1)?.parse::<f64>().ok()).unwrap_or(f64::NAN) / 1024.0
    };
    (of("VmRSS"), of("VmHWM"))
}

/// One look as terminal and daemon take it: the clock goes on, and the state is written out.
fn look(run: &mut SoakRun, now: Nanoseconds) -> usize {
    run.tick(now);
    run.proceed();
    serde_json::to_string(run.state()).unwrap().len()
}

/// A year: standby each night, pauses too long for the cadence, the port pulled each week, a restart each month, a stray now
/// and then.
fn year() {
    let (one, two) = (Name::from("KEY1"), Name::from("KEY2"));
    let mut run = run();
    let mut truth = 0i64;
    let (mut asleep, mut gone) = (false, false);
    for second in 0..365 * DAY {
        let (day, time) = (second / DAY, second % DAY);
        let now = at(second);
        let night = time < 6 * 3600;
        if night != asleep {
            asleep = night;
            let mut power = Event::new(now, ControlPath::System, EventKind::Standby);
            power.value = Some(Name::from(if night { "standby" } else { "on" }));
            run.event(&power);
        }
        let pulled = day % 7 == 3 && (40_000..40_600).contains(&time);
        if pulled != gone {
            gone = pulled;
            let what = if pulled { What::PortGone } else { What::PortBack { device: "again".to_owned() } };
            run.mark(&Mark { t: now, what });
        }
        let restart = day % 30 == 11 && (50_000..50_015).contains(&time);
        let pause = (30_000..30_030).contains(&time) || (70_000..70_012).contains(&time);
        if !night && !pulled && !restart && !pause {
            truth += 1;
            run.bytes(Some(now));
            reading(&mut run, &one, now, 1023 - (second % 3) as u32);
            reading(&mut run, &two, now, 1022);
        }
        if day % 40 == 20 && time == 60_000 {
            run.event(&press(now, "KEY1", EventKind::Press));
            run.event(&press(now + Nanoseconds::from_millis(200), "KEY1", EventKind::Release));
        }
        if second % 600 == 0 {
            look(&mut run, now);
        }
        if (second + 1) % (365 * DAY / 12) == 0 {
            let month = (second + 1) / (365 * DAY / 12);
            if [1, 2, 6, 12].contains(&month) {
                let started = Instant::now();
                let bytes = look(&mut run, now);
                let took = started.elapsed().as_secs_f64();
                let observed = run.ledger().paths.first().map_or(0.0, |path| path.observed().seconds());
                let (resident, most) = memory();
                println!(
                    "month {month}: {resident:.1} MB resident, {most:.1} at most; observed {:.3} % of the truth; a look \
                     {:.0} us, {bytes} bytes of JSON",
                    100.0 * observed / truth as f64,
                    1e6 * took
                );
            }
        }
    }
}

/// A million events, a stray each 1.7 s, and where `broken` a hole each ten minutes: then one more and a look, a thousand times.
fn live(broken: bool) {
    let name = Name::from("KEY1");
    let mut run = run();
    let mut at_ms = 0i64;
    let mut step = |run: &mut SoakRun, i: i64| {
        at_ms += 850;
        if broken && i % 706 == 0 {
            at_ms += 60_000;
        }
        let t = Nanoseconds::from_millis(at_ms);
        run.bytes(Some(t));
        reading(run, &name, t, 1023);
        run.event(&press(t, "KEY1", if i % 2 == 0 { EventKind::Press } else { EventKind::Release }));
        t
    };
    for i in 0..1_000_000 {
        step(&mut run, i);
    }
    let mut times: Vec<f64> = (0..1000)
        .map(|i| {
            let started = Instant::now();
            let t = step(&mut run, 1_000_000 + i);
            std::hint::black_box(look(&mut run, t));
            1e6 * started.elapsed().as_secs_f64()
        })
        .collect();
    times.sort_by(f64::total_cmp);
    println!(
        "one event and a look behind 10^6 events{}: median {:.0} us, 99 % {:.0} us, worst {:.0} us",
        if broken { " and 1416 holes" } else { "" },
        times[500],
        times[990],
        times[999]
    );
}

fn main() {
    live(false);
    live(true);
    year();
}
