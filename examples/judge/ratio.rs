//! Ratios of rates: intervals at a fixed time and at any look, what is found and what is excluded, and what a rate does
//! to them that drifts or whose gaps have no variance.

use crate::process::{Process, Source, Stream};
use straykey::analysis::drift::{DRIFTS, Watched, drift, ratio_with};
use straykey::analysis::laws::Laws;
use straykey::analysis::quiet_intervals::{QuietIntervals, dispersion};
use straykey::analysis::ratio::{Sequence, Side, ratio};

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

fn side(clusters: &[u32], exposure: f64) -> Side<'_> {
    Side { clusters, exposure, dispersion: 1.0 }
}

fn ones(count: usize) -> Vec<u32> {
    vec![1; count]
}

/// Sizes of clusters that come at random: geometric of this mean.
fn clusters(stream: &mut Stream, mean_gap: f64, size: f64, end: f64) -> Vec<u32> {
    poisson(stream, mean_gap, end)
        .iter()
        .map(|_| {
            let mut episodes = 1;
            while stream.unit() > 1.0 / size {
                episodes += 1;
            }
            episodes
        })
        .collect()
}

fn fixed(stream: &mut Stream, trials: u32) -> String {
    let mut out = String::new();
    let (mut held, mut of) = (0, 0);
    while of < trials {
        let mean = stream.log_between(20.0, 300.0);
        let fall = stream.log_between(0.25, 4.0);
        let (one, two) = (poisson(stream, mean, BEFORE_S), poisson(stream, mean * fall, AFTER_S));
        if one.is_empty() && two.is_empty() {
            continue;
        }
        let (one, two) = (ones(one.len()), ones(two.len()));
        let found = ratio(&side(&one, BEFORE_S), &side(&two, AFTER_S), 0.95);
        held += u32::from(found.interval.holds(fall));
        of += 1;
    }
    out += &format!("| 95 % interval at a fixed time holds the ratio: Poisson | {} |\n", share(held, of));
    for least in [5, 15, 40] {
        let (mut held, mut of) = (0, 0);
        while of < trials {
            let mean = stream.log_between(15.0, 120.0);
            let size = stream.between(1.5, 8.0);
            let one = clusters(stream, mean, size, BEFORE_S);
            let two = clusters(stream, mean, size, AFTER_S);
            if one.len() < least || two.len() < least {
                continue;
            }
            let found = ratio(&side(&one, BEFORE_S), &side(&two, AFTER_S), 0.95);
            held += u32::from(found.interval.holds(1.0));
            of += 1;
        }
        out += &format!(
            "| the same, clusters of 1.5 to 8 on average, {least} or more a side | {} |\n",
            share(held, of)
        );
    }
    out
}

/// What the looks of one soak find: whether by the planned end, whether ever, and whether the true ratio was missed ever.
fn looks(
    stream: &mut Stream,
    sequence: &Sequence,
    mean: f64,
    before: usize,
    fall: f64,
    times: f64,
) -> (bool, bool, bool) {
    let one = ones(before);
    let before_side = side(&one, BEFORE_S);
    let strays = poisson(stream, mean * fall, times * AFTER_S);
    let (mut planned, mut ever, mut missed) = (false, false, false);
    let steps = (times * AFTER_S / 60.0) as u32;
    for minute in 1..=steps {
        let now = 60.0 * f64::from(minute);
        let two = ones(strays.partition_point(|t| *t <= now));
        let found = sequence.look(&before_side, &side(&two, now));
        ever |= found.differs();
        planned |= found.differs() && now <= AFTER_S;
        missed |= !found.interval.holds(fall);
    }
    (planned, ever, missed)
}

fn sequential(stream: &mut Stream, trials: u32) -> String {
    let mut out = String::new();
    let sequence = Sequence::new(&side(&[], BEFORE_S), AFTER_S, 60.0);
    for (name, fall, least, times) in [
        ("no change: ever false, looks each minute up to three times the planned end", 1.0, 0, 3.0),
        ("rate halved, 30 + 20 min, ten episodes or more before: found by the planned end", 2.0, 10, 1.0),
        ("the same, twenty or more", 2.0, 20, 1.0),
        ("rate halved: found by three times the planned end", 2.0, 10, 3.0),
        ("rate a quarter: found by the planned end", 4.0, 10, 1.0),
    ] {
        let (mut found, mut missed, mut of) = (0, 0, 0);
        while of < trials {
            let mean = stream.log_between(20.0, 300.0);
            let before = poisson(stream, mean, BEFORE_S).len();
            if before < least {
                continue;
            }
            of += 1;
            let (planned, ever, wrong) = looks(stream, &sequence, mean, before, fall, times);
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
        let found = |n: usize, m: usize| {
            let (one, two) = (ones(n), ones(m));
            let before = side(&one, BEFORE_S);
            sequence.look(&before, &side(&two, AFTER_S)).excluded_fold()
        };
        let mean = BEFORE_S / 68.0;
        folds.push(found(poisson(stream, mean, BEFORE_S).len(), poisson(stream, mean, AFTER_S).len()));
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

fn drifts(stream: &mut Stream, trials: u32) -> String {
    let mut out = String::new();
    for fold in [1.0, 0.33, 0.1, 3.0] {
        let (mut plain, mut said, mut recognised, mut of) = (0, 0, 0, 0);
        while of < trials {
            let mean = stream.log_between(20.0, 150.0);
            let end = BEFORE_S + AFTER_S;
            let all = drifting(stream, mean, fold, end);
            let (one, two) = all.split_at(all.partition_point(|t| *t < BEFORE_S));
            if one.len() < 10 {
                continue;
            }
            of += 1;
            let before = Watched { times: one, start: 0.0, end: BEFORE_S };
            let after = Watched { times: two, start: BEFORE_S, end };
            let counts = (ones(one.len()), ones(two.len()));
            let steady = ratio(&side(&counts.0, BEFORE_S), &side(&counts.1, AFTER_S), 0.95);
            plain += u32::from(steady.differs());
            let slope = drift(&[before, after]).filter(|slope| slope.chance < DRIFTS);
            recognised += u32::from(slope.is_some());
            let guarded = slope
                .map_or(steady, |slope| ratio_with(steady, before.counted(), after.counted(), &slope, 0.95));
            said += u32::from(guarded.differs());
        }
        out += &format!(
            "| {fold} fold | {} | {} | {} |\n",
            share(recognised, of),
            share(plain, of),
            share(said, of)
        );
    }
    out
}

fn heavy(stream: &mut Stream, trials: u32) -> String {
    let mut out = String::new();
    for process in [Process::Poisson, Process::Weibull, Process::LogNormal, Process::Pareto] {
        let (mut recognised, mut plain, mut said, mut guarded, mut of) = (0, 0, 0, 0, 0);
        while of < trials / 4 {
            let source = Source::draw(stream, process, 20.0, 150.0);
            let all = source.strays(stream, BEFORE_S + AFTER_S);
            let (one, two) = all.split_at(all.partition_point(|t| *t < BEFORE_S));
            if one.len() < 10 {
                continue;
            }
            of += 1;
            let seen = QuietIntervals {
                whole: one.windows(2).map(|pair| pair[1] - pair[0]).collect(),
                leading: vec![one[0]],
                trailing: vec![BEFORE_S - one[one.len() - 1]],
                least: 0.0,
            };
            let none = Laws::fit(&seen).is_some_and(|found| found.no_variance() > 0.5);
            let counts = (ones(one.len()), ones(two.len()));
            let by = |dispersion: f64| {
                let before = Side { dispersion, ..side(&counts.0, BEFORE_S) };
                ratio(&before, &side(&counts.1, AFTER_S), 0.95).differs()
            };
            let differs = by(dispersion(&[seen]));
            recognised += u32::from(none);
            plain += u32::from(by(1.0));
            said += u32::from(differs);
            guarded += u32::from(differs && !none);
        }
        out += &format!(
            "| {process:?} | {} | {} | {} | {} |\n",
            share(recognised, of),
            share(plain, of),
            share(said, of),
            share(guarded, of)
        );
    }
    out
}

pub(crate) fn report(seed: u64, trials: u32) -> String {
    let mut stream = Stream::new(seed ^ 0x7261);
    let mut out = String::from("| question | measured |\n|---|---|\n");
    out += &fixed(&mut stream, trials);
    out += &sequential(&mut stream, trials);
    out += "\n| no step, but the rate changes over 50 min | drift recognised | a change is said, drift ignored | a change is said, where a drift is recognised only beyond it |\n|---|---|---|---|\n";
    out += &drifts(&mut stream, trials);
    out += "\n| no step, gaps by this law | no variance recognised in the baseline | a change is said by counts | with their dispersion | and where it is not recognised |\n|---|---|---|---|---|\n";
    out += &heavy(&mut stream, trials);
    out
}
