//! `gone` from quiet alone, the process running on after a baseline of 30 min with ten episodes or more.

use crate::process::{Process, Source, Stream, episodes};
use straykey::analysis::laws::{From, Laws, Proof};
use straykey::analysis::quiet_intervals::QuietIntervals;

const BASELINE_S: f64 = 1800.0;
/// Strays are simulated so far beyond the baseline.
const AFTER_S: f64 = 200_000.0;
const JOINED_S: f64 = 3.0;

struct Case {
    source: Source,
    seen: QuietIntervals,
    /// Quiet from the end of the baseline to the next stray.
    next: f64,
    /// The same from a moment long after it.
    later: f64,
    /// A break, and the same from its end.
    away: f64,
    back: f64,
}

fn case(stream: &mut Stream, process: Process) -> Case {
    loop {
        let turns = matches!(process, Process::Warm | Process::Cold | Process::Turns | Process::Chance);
        let source = Source::draw(stream, process, 20.0, if turns { 60.0 } else { 300.0 });
        let strays = source.strays(stream, BASELINE_S + 400.0 * 300.0);
        let joined = if process == Process::Bursts { JOINED_S } else { 0.0 };
        let all = episodes(&strays, joined);
        let before: Vec<(f64, f64)> = all.iter().copied().filter(|e| e.0 < BASELINE_S).collect();
        if before.len() < 10 {
            continue;
        }
        let next = all.get(before.len()).map_or(AFTER_S, |e| e.0) - BASELINE_S;
        let last = before.last().map_or(0.0, |e| e.1.min(BASELINE_S));
        let mut seen = QuietIntervals {
            whole: before.windows(2).map(|two| two[1].0 - two[0].1).collect(),
            leading: vec![before[0].0],
            trailing: vec![BASELINE_S - last],
            least: joined,
        };
        if process == Process::Cold {
            // Begun as the set is switched on: the first quiet is a whole one.
            seen.whole.append(&mut seen.leading);
        }
        let moment = BASELINE_S + stream.between(60.0, 80.0) * 300.0;
        let later = all.iter().find(|e| e.0 > moment).map_or(AFTER_S, |e| e.0 - moment);
        let away = stream.between(120.0, 900.0);
        let moment = BASELINE_S + away;
        let back = all.iter().find(|e| e.0 > moment).map_or(AFTER_S, |e| e.0 - moment);
        return Case { source, seen, next, later, away, back };
    }
}

/// Quiet that an oracle asks for, who knows law and shape and estimates the scale from the same gaps.
fn oracle(case: &Case, chance: f64) -> Option<f64> {
    let seen = &case.seen;
    let cut: f64 = seen.leading.iter().chain(&seen.trailing).sum();
    let n = seen.whole.len() as f64;
    let since = seen.trailing[0];
    let times = -chance.ln();
    Some(match case.source.process {
        Process::Poisson | Process::Bursts => times * (seen.whole.iter().sum::<f64>() + cut) / n,
        Process::Weibull => {
            let power = |x: &f64| x.powf(0.4);
            let all = seen.whole.iter().chain(&seen.leading).chain(&seen.trailing);
            let scale = all.map(power).sum::<f64>() / n;
            (since.powf(0.4) + times * scale).powf(2.5) - since
        }
        Process::Pareto => {
            let shortest = seen.whole.iter().copied().fold(f64::INFINITY, f64::min);
            since.max(shortest) * chance.powf(-1.0 / 1.5) - since
        }
        Process::Warm | Process::Cold | Process::Turns => case.source.off + times * case.source.mean,
        _ => return None,
    })
}

fn median(values: &mut [f64]) -> f64 {
    values.sort_by(f64::total_cmp);
    values.get(values.len() / 2).copied().unwrap_or(f64::NAN)
}

const PROCESSES: [Process; 14] = [
    Process::Poisson,
    Process::Bursts,
    Process::Weibull,
    Process::Pareto,
    Process::Warm,
    Process::Cold,
    Process::Turns,
    Process::Chance,
    Process::LogNormal,
    Process::Gamma,
    Process::LogLogistic,
    Process::Swing,
    Process::Beat,
    Process::Dead,
];

/// Looks each minute: `gone` is said at the first whole minute not before the quiet asked for.
fn said(asked: f64) -> f64 {
    (asked / 60.0).ceil() * 60.0
}

pub(crate) fn report(seed: u64, trials: u32) -> String {
    let mut out = String::from(
        "| strays | false at 99 % | false at 95 % | asked over the oracle's, 99 % | 95 % | asked in mean gaps, 99 % |\n|---|---|---|---|---|---|\n",
    );
    for (place, process) in (0u64..).zip(PROCESSES) {
        let mut stream = Stream::new(seed ^ (place + 1) << 32);
        let (mut wrong, mut likely_wrong) = (0, 0);
        let (mut over, mut over_95, mut means) = (Vec::new(), Vec::new(), Vec::new());
        for _ in 0..trials {
            let case = case(&mut stream, process);
            let Some(found) = Laws::fit(&case.seen) else { continue };
            let asked = |chance| match found.proof(From::LastEpisode, chance) {
                Proof::After { seconds } => seconds,
                Proof::TailsTooHeavy { .. } => f64::INFINITY,
            };
            let (certain, likely) = (asked(0.01), asked(0.05));
            wrong += u32::from(case.next > said(certain));
            likely_wrong += u32::from(case.next > said(likely));
            if let (Some(one), Some(two)) = (oracle(&case, 0.01), oracle(&case, 0.05)) {
                over.push(certain / one);
                over_95.push(likely / two);
            }
            means.push(certain * case.seen.whole.len() as f64 / case.seen.whole.iter().sum::<f64>());
        }
        let cell = |values: &mut Vec<f64>| {
            if values.is_empty() { "–".to_owned() } else { format!("{:.2}", median(values)) }
        };
        out += &format!(
            "| {process:?} | {wrong} of {trials} | {likely_wrong} of {trials} | {} | {} | {:.1} |\n",
            cell(&mut over),
            cell(&mut over_95),
            median(&mut means)
        );
    }
    out
}

/// The same, from a moment that has nothing to do with the baseline's end.
pub(crate) fn report_unrelated(seed: u64, trials: u32) -> String {
    let mut out = String::from(
        "| strays | false at 99 % | false at 95 % | no soak proves it, 99 % | 95 % | asked in mean gaps where one does, 99 % | 95 % |\n|---|---|---|---|---|---|---|\n",
    );
    for (place, process) in (0u64..).zip(PROCESSES) {
        let mut stream = Stream::new(seed ^ (place + 101) << 32);
        let (mut wrong, mut never, mut asked) = ([0, 0], [0, 0], [Vec::new(), Vec::new()]);
        for _ in 0..trials {
            let case = case(&mut stream, process);
            let Some(found) = Laws::fit(&case.seen) else { continue };
            for (i, chance) in [0.01, 0.05].into_iter().enumerate() {
                match found.proof(From::Unrelated, chance) {
                    Proof::After { seconds } => {
                        wrong[i] += u32::from(case.later > said(seconds));
                        asked[i].push(
                            seconds * case.seen.whole.len() as f64 / case.seen.whole.iter().sum::<f64>(),
                        );
                    }
                    Proof::TailsTooHeavy { .. } => never[i] += 1,
                }
            }
        }
        out += &format!(
            "| {process:?} | {} of {trials} | {} of {trials} | {} | {} | {:.1} | {:.1} |\n",
            wrong[0],
            wrong[1],
            never[0],
            never[1],
            median(&mut asked[0]),
            median(&mut asked[1])
        );
    }
    out
}

/// The same after a break of 2 to 15 min, as a repair makes one: with its length known, and taken for none.
pub(crate) fn report_broken(seed: u64, trials: u32) -> String {
    let mut out = String::from(
        "| strays | false at 99 % | false at 95 % | taken for no break: 99 % | 95 % | asked in mean gaps, 95 % | taken for none |\n|---|---|---|---|---|---|---|\n",
    );
    for (place, process) in (0u64..).zip(PROCESSES) {
        let mut stream = Stream::new(seed ^ (place + 201) << 32);
        let (mut wrong, mut asked) = ([0; 4], [Vec::new(), Vec::new()]);
        for _ in 0..trials {
            let case = case(&mut stream, process);
            let Some(found) = Laws::fit(&case.seen) else { continue };
            for (kind, from) in
                [From::Break { seconds: Some(case.away) }, From::LastEpisode].into_iter().enumerate()
            {
                for (level, chance) in [0.01, 0.05].into_iter().enumerate() {
                    let Proof::After { seconds } = found.proof(from, chance) else {
                        asked[kind].extend((level == 1).then_some(f64::INFINITY));
                        continue;
                    };
                    wrong[2 * kind + level] += u32::from(case.back > said(seconds));
                    let mean = case.seen.whole.iter().sum::<f64>() / case.seen.whole.len() as f64;
                    asked[kind].extend((level == 1).then_some(seconds / mean));
                }
            }
        }
        let [a, b, c, d] = wrong.map(|count| format!("{count} of {trials}"));
        let [known, none] = &mut asked;
        out += &format!(
            "| {process:?} | {a} | {b} | {c} | {d} | {:.1} | {:.1} |\n",
            median(known),
            median(none)
        );
    }
    out
}
