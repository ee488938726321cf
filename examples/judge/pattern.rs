//! Beats and sequences planted among foreign presses, and presses without any.

use crate::process::{Process, Source, Stream};
use straykey::analysis::event_sequence::EventSequence;
use straykey::analysis::pattern::{Class, Pattern, PatternOptions, find};
use straykey::base::{ControlPath, Event, EventKind, Key, Nanoseconds, Span};

const KEYS: [&str; 8] = [
    "KEY_VOLUMEDOWN",
    "KEY_MENU",
    "KEY_VOLUMEUP",
    "KEY_ENTER",
    "KEY_CHANNELUP",
    "KEY_CHANNELDOWN",
    "KEY_POWER",
    "KEY_LEFT",
];

fn event(t: f64, key: usize, kind: EventKind) -> Event {
    let mut event = Event::new(Nanoseconds::from_seconds(t), ControlPath::Keypad, kind);
    event.key = Key::from_name(KEYS[key % KEYS.len()]);
    event
}

/// Presses of 40 ms, stamps in milliseconds.
fn sequence(mut points: Vec<(f64, usize)>, end: f64) -> EventSequence {
    points.retain(|point| (0.0..end).contains(&point.0));
    points.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut sequence = EventSequence::new();
    for (place, (t, key)) in points.iter().enumerate() {
        let t = (t * 1000.0).round() / 1000.0;
        let next = points.get(place + 1).map_or(f64::INFINITY, |next| next.0);
        sequence.push(&event(t, *key, EventKind::Press));
        sequence.push(&event((t + 0.04).min(0.5 * (t + next)), *key, EventKind::Release));
    }
    sequence.observe(Span { start: Nanoseconds::ZERO, end: Nanoseconds::from_seconds(end) });
    sequence
}

fn patterns(points: Vec<(f64, usize)>, end: f64) -> Vec<Pattern> {
    find(&sequence(points, end), &PatternOptions::default()).patterns
}

/// How the jitter of a beat comes.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Jitter {
    Clock,
    Adds,
}

/// 150 beats of one key, three in ten missed, three presses in ten foreign: of the same key, at random.
fn beat(stream: &mut Stream, jitter: Jitter, share: f64) -> (Vec<(f64, usize)>, f64, f64) {
    let period = stream.log_between(0.5, 20.0);
    let mut clock = period * stream.unit();
    let mut points = Vec::new();
    for _ in 0..150 {
        let t = if jitter == Jitter::Clock { clock + share * period * stream.normal() } else { clock };
        if stream.unit() > 0.3 {
            points.push((t, 0));
        }
        clock += period * if jitter == Jitter::Adds { 1.0 + share * stream.normal() } else { 1.0 };
    }
    let foreign = points.len() as f64 * 0.3 / 0.7;
    let mut t = clock / foreign * stream.wait();
    while t < clock {
        points.push((t, 0));
        t += clock / foreign * stream.wait();
    }
    (points, clock, period)
}

fn share(count: u32, of: u32) -> String {
    format!("{:.1} % of {of}", 100.0 * f64::from(count) / f64::from(of.max(1)))
}

/// Whether it is a beat at this period: within 1 %, or 3 % where the clock itself wanders.
fn is_beat(pattern: &Pattern, period: f64, within: f64) -> bool {
    pattern.motif.len() == 1 && pattern.period_s.is_some_and(|found| (found / period - 1.0).abs() < within)
}

pub(crate) fn beats(stream: &mut Stream, trials: u32) -> String {
    let mut out = String::new();
    for (jitter, within) in [(Jitter::Clock, 0.01), (Jitter::Adds, 0.03)] {
        for percent in [2.0, 5.0, 7.0, 10.0] {
            let right = (0..trials)
                .filter(|_| {
                    let (points, end, period) = beat(stream, jitter, percent / 100.0);
                    patterns(points, end).first().is_some_and(|one| is_beat(one, period, within))
                })
                .count() as u32;
            let how = if jitter == Jitter::Clock { "against a clock" } else { "adds up" };
            out += &format!(
                "| beat, jitter of {percent} % {how}, 30 % missed, 30 % foreign: found first | {} |\n",
                share(right, trials)
            );
        }
    }
    out
}

const NULLS: [Process; 6] = [
    Process::Poisson,
    Process::Flurries,
    Process::Weibull,
    Process::Pareto,
    Process::LogNormal,
    Process::Swing,
];

pub(crate) fn nulls(stream: &mut Stream, trials: u32) -> String {
    let mut out = String::new();
    for process in NULLS {
        let wrong = (0..trials)
            .filter(|_| {
                let source = Source::draw(stream, process, 5.0, 60.0);
                let presses = stream.between(40.0, 300.0);
                let end =
                    (source.mean * presses / if process == Process::Flurries { 6.0 } else { 1.0 }).max(60.0);
                let keys = 1 + (3.0 * stream.unit()) as usize;
                let points: Vec<(f64, usize)> = source
                    .strays(stream, end)
                    .into_iter()
                    .map(|t| (t, (stream.unit() * keys as f64) as usize))
                    .collect();
                patterns(points, end).iter().any(|one| one.period_s.is_some())
            })
            .count() as u32;
        out += &format!("| no beat, {process:?}: one is found | {wrong} of {trials} |\n");
    }
    let mut bursts = 0;
    for _ in 0..trials.min(300) {
        let source = Source::draw(stream, Process::Swing, 5.0, 30.0);
        let points: Vec<(f64, usize)> = source.strays(stream, 5000.0).into_iter().map(|t| (t, 0)).collect();
        bursts += u32::from(patterns(points, 5000.0).iter().any(|one| one.class == Class::Burst));
    }
    out + &format!("| a rate that follows the time: called bursts | {} |\n", share(bursts, trials.min(300)))
}

pub(crate) fn sequences(stream: &mut Stream, trials: u32) -> String {
    let mut out = String::new();
    for repeats in [20, 10, 5] {
        let right = (0..trials)
            .filter(|_| {
                let mut motif: Vec<usize> = (0..8).collect();
                for i in (1..8).rev() {
                    motif.swap(i, (stream.unit() * (i as f64 + 1.0)) as usize);
                }
                let mut points = Vec::new();
                let mut t = 1.0;
                for _ in 0..repeats {
                    t += 40.0 * stream.wait();
                    for key in &motif {
                        while stream.unit() < 0.3 {
                            t += 3.0 * stream.wait();
                            points.push((t, (8.0 * stream.unit()) as usize));
                        }
                        t += 3.0 * stream.wait();
                        points.push((t, *key));
                    }
                }
                let wanted: Vec<Option<Key>> = motif.iter().map(|key| Key::from_name(KEYS[*key])).collect();
                patterns(points, t + 1.0).iter().any(|one| {
                    let found: Vec<Option<Key>> = one.motif.iter().map(|event| event.symbol.key).collect();
                    one.class == Class::Cycle
                        && found.len() == 8
                        && (0..8).any(|turn| {
                            let mut turned = wanted.clone();
                            turned.rotate_left(turn);
                            turned == found
                        })
                })
            })
            .count() as u32;
        out += &format!(
            "| sequence of eight keys, 30 % foreign, {repeats} times: found whole | {} |\n",
            share(right, trials)
        );
    }
    out
}

/// Keys in no sequence: three of eight for a while, a walk among neighbours, a chain with preferences.
pub(crate) fn orders(stream: &mut Stream, trials: u32) -> String {
    let mut out = String::new();
    for (kind, name) in
        ["three keys for a while", "a walk among neighbours", "a chain of preferences"].iter().enumerate()
    {
        let wrong = (0..trials)
            .filter(|_| {
                let presses = 50 + (300.0 * stream.unit()) as usize;
                let liking: Vec<f64> = (0..64).map(|_| stream.wait()).collect();
                let mut spell = [0, 1, 2];
                let (mut key, mut t) = (3, 1.0);
                let mut points = Vec::new();
                for _ in 0..presses {
                    t += 3.0 * stream.wait();
                    match kind {
                        0 => {
                            if stream.unit() < 0.04 {
                                t += 200.0 * stream.wait();
                                spell = [0; 3].map(|_| (8.0 * stream.unit()) as usize);
                            }
                            key = spell[(3.0 * stream.unit()) as usize];
                        }
                        1 if key == 0 || key < 7 && stream.unit() < 0.5 => key += 1,
                        1 => key -= 1,
                        _ => {
                            let own = &liking[8 * key..8 * key + 8];
                            let mut left = stream.unit() * own.iter().sum::<f64>();
                            key = own
                                .iter()
                                .position(|like| {
                                    left -= like;
                                    left <= 0.0
                                })
                                .unwrap_or(7);
                        }
                    }
                    points.push((t, key));
                }
                patterns(points, t + 1.0).iter().any(|one| one.class == Class::Cycle)
            })
            .count() as u32;
        out += &format!("| no sequence, {name}: one is found | {wrong} of {trials} |\n");
    }
    out
}

/// A beat whose stamps come in lumps of an adapter.
pub(crate) fn lumps(stream: &mut Stream, trials: u32) -> String {
    let mut out = String::new();
    for lump in [0.001, 0.016] {
        let (mut held, mut found) = (0, 0);
        for _ in 0..trials {
            let period = stream.log_between(0.1, 1.0);
            let phase = lump * stream.unit();
            let points: Vec<(f64, usize)> = (0..120)
                .map(|i| period * (f64::from(i) + 0.5) + 0.002 * period * stream.normal())
                .map(|t| (((t - phase) / lump).ceil() * lump + phase, 0))
                .collect();
            if let Some(one) =
                patterns(points, 121.0 * period).first().filter(|one| is_beat(one, period, 0.01))
            {
                found += 1;
                held += u32::from(
                    one.period_low_s.unwrap_or(0.0) <= period && period <= one.period_high_s.unwrap_or(0.0),
                );
            }
        }
        out += &format!(
            "| steady beat, stamps in lumps of {} ms: interval holds the period | {} |\n",
            1000.0 * lump,
            share(held, found)
        );
    }
    out
}

/// One key at the frame period of a picture: a beat, not a held key's repeats.
pub(crate) fn frames(stream: &mut Stream) -> String {
    let mut out = String::new();
    for period in [0.02, 1.0 / 60.0, 0.04] {
        let points: Vec<(f64, usize)> =
            (0..400).map(|i| (period * f64::from(i) + 0.0004 * stream.normal() + 0.01, 0)).collect();
        let end = 401.0 * period;
        let first = patterns(points, end)
            .first()
            .map(|one| (one.class, one.period_s.map(|p| (p * 1e5).round() / 100.0)));
        out += &format!("| one key every {:.2} ms | {first:?} |\n", 1000.0 * period);
    }
    out
}
