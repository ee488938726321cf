//! Infrared decoding with all shipped formats, against the independent decoder crate on the same edges.
//!
//! Promise: 20 million edges a second on one core, and faster than the crate `infrared` 0.14.2 with the five
//! protocols that it knows. `cargo bench --bench infrared` prints the ratio first, then the table.

// A bench has nobody to report an error to.
#![allow(clippy::panic, clippy::print_stdout)]

use std::hint::black_box;
use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

use divan::Bencher;
use divan::counter::ItemsCount;
use infrared::protocol::{Nec, Nec16, Rc5, Rc6, SamsungNec};
use infrared::receiver::MultiReceiver;
use race::busy;
use rand_pcg::Pcg64;
use rand_pcg::rand_core::{Rng, SeedableRng};
use straykey::base::{Event, Nanoseconds};
use straykey::decode::infrared::{Code, Decoder, Formats, encode, pulses};
use straykey::signal::Pulse;

mod race;

type Crate = (Nec, Nec16, SamsungNec, Rc5, Rc6);

/// What is on the line.
#[derive(Clone, Copy, Debug)]
enum Traffic {
    /// Frames of the five formats that both decoders know, 40 ms apart.
    Frames,
    /// Plain NEC frames alone.
    Nec,
    /// Marks of 130 to 1000 µs, spaces of 150 µs to 10 ms: a model of noise, no source.
    Noise,
}

/// Few enough to stay in the processor's second cache, as the pulses of a running decoder do.
const EDGES: usize = 50_000;

fn line(traffic: Traffic) -> Vec<Pulse> {
    let mut random = Pcg64::seed_from_u64(1);
    let mut lengths: Vec<Nanoseconds> = Vec::new();
    let formats = Formats::shipped().unwrap_or_else(|error| panic!("{error}"));
    let names: &[&str] = match traffic {
        Traffic::Nec => &["nec"],
        _ => &["nec", "nec-16", "nec-4500", "rc-5", "rc-6-0"],
    };
    let mut turn = 0;
    while lengths.len() < EDGES {
        if let Traffic::Noise = traffic {
            lengths.push(Nanoseconds::from_micros(i64::from(130 + random.next_u32() % 870)));
            lengths.push(Nanoseconds::from_micros(i64::from(150 + random.next_u32() % 9850)));
            continue;
        }
        turn += 1;
        let code =
            Code { address: random.next_u32() & 31, command: random.next_u32() & 63, toggle: turn % 2 == 0 };
        let frame = formats.find(names[turn % names.len()]).map(|format| encode(format, code));
        let Some(Ok(frame)) = frame else { continue };
        lengths.extend(frame);
        lengths.push(Nanoseconds::from_millis(40));
    }
    pulses(Nanoseconds::SECOND, &lengths)
}

fn ours(formats: &Arc<Formats>, line: &[Pulse], events: &mut Vec<Event>) -> usize {
    let mut decoder = Decoder::new(Arc::clone(formats), "bench".into());
    let mut count = 0;
    for pulse in line {
        decoder.push(*pulse, events);
        if events.len() > 1000 {
            count += events.len();
            events.clear();
        }
    }
    decoder.finish(Nanoseconds(i64::MAX / 2), events);
    count += events.len();
    events.clear();
    count
}

/// The crate wants the time since the last edge, in microseconds, and whether a mark begins.
fn theirs(line: &[(u32, bool)]) -> usize {
    let mut receiver = MultiReceiver::<5, Crate, ()>::new(1_000_000, ());
    let mut count = 0;
    for (since, rising) in line {
        count += receiver.event_generic_iter(*since, *rising).count();
    }
    count
}

fn theirs_nec(line: &[(u32, bool)]) -> usize {
    let mut receiver = infrared::receiver::Builder::default().protocol::<Nec>().build();
    line.iter().filter(|(since, rising)| matches!(receiver.event(*since, *rising), Ok(Some(_)))).count()
}

fn for_crate(line: &[Pulse]) -> Vec<(u32, bool)> {
    let mut since = 1_000_000;
    line.iter()
        .map(|pulse| {
            let edge = (since, pulse.mark);
            since = (pulse.length.0 / 1000) as u32;
            edge
        })
        .collect()
}

const TRAFFIC: [Traffic; 3] = [Traffic::Frames, Traffic::Nec, Traffic::Noise];

#[divan::bench(args = TRAFFIC)]
fn all_formats(bencher: Bencher<'_, '_>, traffic: Traffic) {
    let line = line(traffic);
    let formats = Formats::shipped().unwrap_or_else(|error| panic!("{error}"));
    let mut events = Vec::new();
    bencher
        .counter(ItemsCount::new(line.len()))
        .bench_local(|| black_box(ours(&formats, black_box(&line), &mut events)));
}

#[divan::bench(args = TRAFFIC)]
fn crate_infrared_five_protocols(bencher: Bencher<'_, '_>, traffic: Traffic) {
    let line = for_crate(&line(traffic));
    bencher.counter(ItemsCount::new(line.len())).bench_local(|| black_box(theirs(black_box(&line))));
}

#[divan::bench(args = TRAFFIC)]
fn crate_infrared_nec_alone(bencher: Bencher<'_, '_>, traffic: Traffic) {
    let line = for_crate(&line(traffic));
    bencher.counter(ItemsCount::new(line.len())).bench_local(|| black_box(theirs_nec(black_box(&line))));
}

/// Times of several decoders on the same edges, in turns, the best of 300 each, with what they found.
fn best<const N: usize>(mut runs: [&mut dyn FnMut() -> usize; N]) -> [(Duration, usize); N] {
    let mut best = [(Duration::MAX, 0); N];
    for _ in 0..300 {
        for (run, best) in runs.iter_mut().zip(&mut best) {
            let start = busy();
            let count = black_box(run());
            *best = (*best).min((busy() - start, count));
        }
    }
    best
}

/// The ratio, by processor time.
fn ratio() {
    let formats = Formats::shipped().unwrap_or_else(|error| panic!("{error}"));
    let text = include_str!("../protocols/remote/nec.toml");
    let nec_alone = Formats::parse(Path::new("nec.toml"), text).unwrap_or_else(|error| panic!("{error}"));
    let nec_alone = Arc::new(nec_alone);
    for traffic in TRAFFIC {
        let pulses = line(traffic);
        let edges = for_crate(&pulses);
        let mut events = Vec::new();
        let mut more = Vec::new();
        let [(own, found), (own_nec, own_nec_found), (five, theirs_found), (nec, nec_found)] = best([
            &mut || ours(&formats, &pulses, &mut events),
            &mut || ours(&nec_alone, &pulses, &mut more),
            &mut || theirs(&edges),
            &mut || theirs_nec(&edges),
        ]);
        let rate = |time: Duration| pulses.len() as f64 / time.as_secs_f64() / 1e6;
        println!(
            "{traffic:?}: ours {:.1} M edges/s ({found} events), crate with 5 protocols {:.1} ({theirs_found}), \
             ratio {:.2}; nec alone: ours {:.1} ({own_nec_found}), crate {:.1} ({nec_found}), ratio {:.2}",
            rate(own),
            rate(five),
            five.as_secs_f64() / own.as_secs_f64(),
            rate(own_nec),
            rate(nec),
            nec.as_secs_f64() / own_nec.as_secs_f64()
        );
    }
}

fn main() {
    // With a filter somebody looks at one figure.
    if std::env::args().skip(1).all(|argument| argument == "--bench") {
        ratio();
    }
    divan::main();
}
