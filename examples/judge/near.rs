//! `gone` with the excursions of a line as second endpoint, beside strays alone: a line touches a key's level by one of the
//! process laws, and one touch in ten to forty lasts long enough for a stray. Baseline of 20 min, a break of 2 to 15 min.

use crate::process::{Process, Source, Stream};
use straykey::analysis::compare::{CompareOptions, NearSeen, Observation, PathSeen, compare};
use straykey::analysis::event_sequence::EventSequence;
use straykey::analysis::ledger::{Ledger, PathId, PathTotal};
use straykey::analysis::level::Departures;
use straykey::base::{ControlPath, Event, EventKind, Key, Nanoseconds, Span};

const BASELINE_S: f64 = 1200.0;
/// Looked at each minute for so long.
const SOAK_S: f64 = 5400.0;
/// Readings a second.
const RATE: f64 = 20.0;
const TOUCHED: u32 = 156;

const PROCESSES: [Process; 10] = [
    Process::Poisson,
    Process::Bursts,
    Process::Weibull,
    Process::Pareto,
    Process::LogNormal,
    Process::LogLogistic,
    Process::Turns,
    Process::Chance,
    Process::Swing,
    Process::Beat,
];

struct Case {
    strays: Vec<f64>,
    touches: Vec<f64>,
    /// Strays, touches of any length, after the break: the first, and of touches the second.
    stray: f64,
    touch: f64,
    second: f64,
    away: f64,
}

fn case(stream: &mut Stream, process: Process) -> Case {
    loop {
        let source = Source::draw(stream, process, 5.0, 40.0);
        let share = stream.log_between(1.0 / 40.0, 1.0 / 10.0);
        let away = stream.between(120.0, 900.0);
        let all = source.strays(stream, BASELINE_S + away + SOAK_S);
        let marks: Vec<(f64, bool)> = all.into_iter().map(|t| (t, stream.unit() < share)).collect();
        let before = |stray: bool| {
            let own = marks.iter().filter(move |(t, mark)| *t < BASELINE_S && *mark == stray);
            own.map(|(t, _)| *t).collect::<Vec<f64>>()
        };
        let (strays, touches) = (before(true), before(false));
        if strays.len() < 3 || touches.len() < 10 {
            continue;
        }
        let from = BASELINE_S + away;
        let later: Vec<(f64, bool)> =
            marks.iter().filter(|(t, _)| *t >= from).map(|(t, mark)| (t - from, *mark)).collect();
        let at = |place: usize| later.get(place).map_or(SOAK_S, |(t, _)| *t);
        let stray = later.iter().find(|(_, mark)| *mark).map_or(SOAK_S, |(t, _)| *t);
        return Case { strays, touches, stray, touch: at(0), second: at(1), away };
    }
}

fn at(t: f64) -> Nanoseconds {
    Nanoseconds::from_seconds(t)
}

/// One side of so many seconds that ends or begins at an instant of the wall clock.
#[allow(clippy::cast_possible_truncation)]
fn side(strays: &[f64], touches: &[f64], length: f64, wall: f64, near: bool) -> Observation {
    let id = PathId::line("KEY1");
    let span = Span { start: Nanoseconds::ZERO, end: at(length) };
    let mut sequence = EventSequence::new();
    for t in strays {
        let mut event = Event::new(at(*t), ControlPath::Keypad, EventKind::Press);
        event.key = Key::from_name("KEY_VOLUMEDOWN");
        event.line.clone_from(&id.line);
        sequence.push(&event);
    }
    sequence.observe(span);
    let mut ledger = Ledger::simulated(std::slice::from_ref(&id), span);
    for path in &mut ledger.paths {
        path.departures = Some(Departures {
            from: span.start,
            until: None,
            rest: 1023.0,
            reach: 3.0,
            excursions: touches.iter().map(|t| (at(*t), TOUCHED)).collect(),
            of_strays: (!strays.is_empty()).then_some((TOUCHED, TOUCHED)),
            readings: (RATE * length) as u64,
        });
    }
    let path = PathSeen {
        total: PathTotal::of(&id, std::slice::from_ref(&ledger)),
        near: NearSeen::of(&id, &sequence, &[ledger]).filter(|_| near),
        sequence: sequence.clone(),
    };
    let wall = Some(Span { start: at(wall), end: at(wall + length) });
    Observation {
        sequence,
        hands_off: true,
        paths: vec![path],
        span_s: length,
        wall,
        ..Observation::default()
    }
}

/// Quiet asked for, 95 and 99 %, as a soak begins, seconds; and whether excursions count.
fn asked(case: &Case, near: bool) -> ([f64; 2], bool) {
    let before = side(&case.strays, &case.touches, BASELINE_S, 0.0, near);
    let after = side(&[], &[], 1.0, BASELINE_S + case.away, near);
    let found = compare(&before, &after, &CompareOptions::default()).paths[0].figures;
    let counts = found.excursions.is_some_and(|found| found.counts);
    let needed = [found.soak_more_95_s, found.soak_more_99_s];
    (needed.map(|more| more.map_or(f64::INFINITY, |more| ((more + 1.0) / 60.0).ceil() * 60.0)), counts)
}

fn median(mut values: Vec<f64>) -> String {
    values.sort_by(f64::total_cmp);
    match values.get(values.len() / 2) {
        Some(value) if value.is_finite() => format!("{:.0}", value / 60.0),
        _ => "–".to_owned(),
    }
}

pub(crate) fn report(seed: u64, trials: u32) -> String {
    let mut out = String::from(
        "| touches | excursions count | unrepaired, false at 95 %: strays alone | with excursions | at 99 %: strays alone | with excursions | minutes \
         asked, 95 %: strays alone | with excursions | 99 %: strays alone | with excursions |\n|---|---|---|---|---|---|---|---|---|---|\n",
    );
    for (place, process) in (0u64..).zip(PROCESSES) {
        let mut stream = Stream::new(seed ^ (place + 301) << 32);
        let mut wrong = [0u32; 4];
        let mut counted = 0;
        let mut lengths: [Vec<f64>; 4] = [(); 4].map(|()| Vec::new());
        for _ in 0..trials {
            let case = case(&mut stream, process);
            let ((alone, _), (both, counts)) = (asked(&case, false), asked(&case, true));
            counted += u32::from(counts);
            for level in 0..2 {
                let by_strays = case.stray > alone[level] && alone[level] < SOAK_S;
                wrong[2 * level] += u32::from(by_strays);
                // Two touches take back what quiet strays would say.
                let by_touches = case.touch > both[level] && both[level] < SOAK_S;
                let any = by_touches || by_strays && case.second > alone[level];
                wrong[2 * level + 1] += u32::from(any);
                lengths[2 * level].push(alone[level]);
                lengths[2 * level + 1].push(both[level]);
            }
        }
        let wrong = wrong.map(|count| format!("{count} of {trials}"));
        out += &format!(
            "| {process:?} | {counted} of {trials} | {} | {} |\n",
            wrong.join(" | "),
            lengths.map(median).join(" | ")
        );
    }
    out
}
