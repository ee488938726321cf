//! Ratios of rates as `compare` and a live soak say them: intervals at a fixed time and at any look, what is found and what is
//! excluded, and what a rate does to them that drifts or whose gaps have no variance.

use crate::process::{Process, Source, Stream};
use straykey::analysis::compare::{CompareOptions, Figures, Observation, Verdict, compare};
use straykey::analysis::event_sequence::EventSequence;
use straykey::analysis::soak::Soak;
use straykey::base::{ControlPath, Event, EventKind, Key, Nanoseconds, Span};

const BEFORE_S: f64 = 1800.0;
const AFTER_S: f64 = 1200.0;

/// Poisson times in 0..end.
fn poisson(stream: &mut Stream, mean: f64, end: f64) -> Vec<f64> {
    let mut t = mean * stream.wait();
    let mut times = Vec::new();
    while t < end {
        times.push(t);
        t += mean * stream.wait();
    }
    times
}

fn share(count: u32, of: u32) -> String {
    format!("{:.1} % of {of}", 100.0 * f64::from(count) / f64::from(of.max(1)))
}

/// On infrared, where warmth says nothing.
fn stray(t: f64) -> Event {
    let mut event = Event::new(Nanoseconds::from_seconds(t), ControlPath::Infrared, EventKind::Press);
    event.key = Key::from_name("KEY_MENU");
    event
}

fn seen(times: &[f64], length: f64) -> Observation {
    let mut sequence = EventSequence::new();
    times.iter().for_each(|t| sequence.push(&stray(*t)));
    sequence.observe(Span { start: Nanoseconds::ZERO, end: Nanoseconds::from_seconds(length) });
    Observation::soak(sequence)
}

/// What is said of these times before and after a step; the second begin at zero again.
fn said(before: &[f64], after: &[f64]) -> Figures {
    compare(&seen(before, BEFORE_S), &seen(after, AFTER_S), &CompareOptions::default()).figures
}

fn holds(figures: &Figures, ratio: f64) -> bool {
    figures.ratio_low <= ratio && ratio <= figures.ratio_high
}

fn holds_at_any_look(figures: &Figures, ratio: f64) -> bool {
    figures.ratio_any_low <= ratio && ratio <= figures.ratio_any_high
}

fn changes(figures: &Figures) -> bool {
    matches!(figures.verdict, Verdict::Reduced | Verdict::Worse)
}

/// Clusters that come at random: their sizes geometric of this mean, their members six seconds apart on average.
fn clusters(stream: &mut Stream, mean_gap: f64, size: f64, end: f64) -> (usize, Vec<f64>) {
    let starts = poisson(stream, mean_gap, end);
    let mut times = Vec::new();
    for start in &starts {
        let mut t = *start;
        times.push(t);
        while stream.unit() > 1.0 / size {
            t += 6.0 * stream.wait();
            times.push(t);
        }
    }
    times.retain(|t| *t < end);
    times.sort_by(f64::total_cmp);
    (starts.len(), times)
}

fn fixed(stream: &mut Stream, trials: u32) -> String {
    let mut out = String::new();
    let (mut held, mut of) = (0, 0);
    while of < trials {
        let mean = stream.log_between(20.0, 300.0);
        let fall = stream.log_between(0.25, 4.0);
        let (one, two) = (poisson(stream, mean, BEFORE_S), poisson(stream, mean * fall, AFTER_S));
        if one.is_empty() || two.is_empty() {
            continue;
        }
        held += u32::from(holds(&said(&one, &two), fall));
        of += 1;
    }
    out += &format!(
        "| 95 % interval at a fixed time holds the ratio: Poisson, one stray or more a side | {} |\n",
        share(held, of)
    );
    for least in [5, 15, 40] {
        let (mut held, mut of) = (0, 0);
        while of < trials / 2 {
            let mean = stream.log_between(15.0, 120.0);
            let size = stream.between(1.5, 8.0);
            let (n, one) = clusters(stream, mean, size, BEFORE_S);
            let (m, two) = clusters(stream, mean, size, AFTER_S);
            if n < least || m < least {
                continue;
            }
            held += u32::from(holds(&said(&one, &two), 1.0));
            of += 1;
        }
        out += &format!(
            "| the same, clusters of 1.5 to 8 on average, {least} or more a side | {} |\n",
            share(held, of)
        );
    }
    out
}

/// What the looks of one soak find: whether a change is said by the planned end, whether ever, and whether the true ratio was
/// missed ever.
fn looks(stream: &mut Stream, before: &[f64], mean: f64, fall: f64, times: f64) -> (bool, bool, bool) {
    let mut soak = Soak::new(Some(&seen(before, BEFORE_S)), &CompareOptions::default(), Some(AFTER_S));
    soak.tick_observed(Nanoseconds::ZERO);
    let strays = poisson(stream, mean * fall, times * AFTER_S);
    let mut due = strays.iter().peekable();
    let (mut planned, mut ever, mut missed) = (false, false, false);
    let steps = (times * AFTER_S / 60.0) as u32;
    for minute in 1..=steps {
        let now = 60.0 * f64::from(minute);
        while let Some(t) = due.next_if(|t| **t <= now) {
            soak.push_observed(&stray(*t));
        }
        let state = soak.tick_observed(Nanoseconds::from_seconds(now));
        let Some(figures) = state.paths.iter().find_map(|path| path.figures) else { continue };
        let differs = changes(&figures);
        ever |= differs;
        planned |= differs && now <= AFTER_S;
        missed |= figures.strayed_after && !holds_at_any_look(&figures, fall);
    }
    (planned, ever, missed)
}

fn sequential(stream: &mut Stream, trials: u32) -> String {
    let mut out = String::new();
    for (name, fall, least, times) in [
        ("no change: ever false, looks each minute up to three times the planned end", 1.0, 1, 3.0),
        ("rate halved, 30 + 20 min, ten episodes or more before: found by the planned end", 2.0, 10, 1.0),
        ("the same, twenty or more", 2.0, 20, 1.0),
        ("rate halved: found by three times the planned end", 2.0, 10, 3.0),
        ("rate a quarter: found by the planned end", 4.0, 10, 1.0),
    ] {
        let (mut found, mut missed, mut of) = (0, 0, 0);
        while of < trials {
            let mean = stream.log_between(20.0, 300.0);
            let before = poisson(stream, mean, BEFORE_S);
            if before.len() < least {
                continue;
            }
            of += 1;
            let (planned, ever, wrong) = looks(stream, &before, mean, fall, times);
            found += u32::from(if times > 1.0 { ever } else { planned });
            missed += u32::from(wrong);
        }
        out += &format!("| {name} | {} |\n", share(found, of));
        if fall == 1.0 || times > 1.0 {
            out += &format!("| – all looks at once hold the ratio | {} |\n", share(of - missed, of));
        }
    }
    let mut folds = Vec::new();
    for _ in 0..trials {
        let mean = BEFORE_S / 68.0;
        let found = said(&poisson(stream, mean, BEFORE_S), &poisson(stream, mean, AFTER_S));
        folds.push(found.ratio_any_high.max(1.0 / found.ratio_any_low).max(1.0));
    }
    folds.sort_by(f64::total_cmp);
    let twofold = folds.iter().filter(|fold| **fold <= 2.0).count() as u32;
    out += &format!(
        "| no change, 68 + 45 episodes expected: more than so many fold is excluded, median | {:.2} |\n| – twofold is excluded | {} |\n",
        folds[folds.len() / 2],
        share(twofold, trials)
    );
    out
}

/// A log-linear rate by thinning; `fold` over the whole time.
fn drifting(stream: &mut Stream, mean: f64, fold: f64, end: f64) -> Vec<f64> {
    let top = fold.max(1.0);
    poisson(stream, mean / top, end)
        .into_iter()
        .filter(|t| stream.unit() < fold.powf(t / end) / top)
        .collect()
}

/// No step at all: how often a change is said, at a fixed time and at any look.
fn unchanged(trials: u32, mut draw: impl FnMut() -> Vec<f64>) -> String {
    let (mut fixed, mut any, mut of) = (0, 0, 0);
    while of < trials {
        let all = draw();
        let (one, two) = all.split_at(all.partition_point(|t| *t < BEFORE_S));
        if one.len() < 10 || two.is_empty() {
            continue;
        }
        of += 1;
        let two: Vec<f64> = two.iter().map(|t| t - BEFORE_S).collect();
        let figures = said(one, &two);
        fixed += u32::from(!holds(&figures, 1.0));
        any += u32::from(changes(&figures));
    }
    format!("{} | {}", share(fixed, of), share(any, of))
}

pub(crate) fn report(seed: u64, trials: u32) -> String {
    let mut stream = Stream::new(seed ^ 0x7261);
    let mut out = String::from("| question | measured |\n|---|---|\n");
    out += &fixed(&mut stream, trials);
    out += &sequential(&mut stream, trials / 4);
    out += "\n| no step, over 50 min | the interval at a fixed time leaves no change out | a change is said |\n|---|---|---|\n";
    for fold in [1.0, 0.33, 0.1, 3.0] {
        let draw = || {
            let mean = stream.log_between(20.0, 150.0);
            drifting(&mut stream, mean, fold, BEFORE_S + AFTER_S)
        };
        out += &format!("| the rate drifts by {fold} fold | {} |\n", unchanged(trials / 4, draw));
    }
    for process in [Process::Poisson, Process::Weibull, Process::LogNormal, Process::Pareto] {
        let draw = || {
            let source = Source::draw(&mut stream, process, 20.0, 150.0);
            source.strays(&mut stream, BEFORE_S + AFTER_S)
        };
        out += &format!("| gaps by {process:?} | {} |\n", unchanged(trials / 4, draw));
    }
    out
}
