//! Two programs on the same input, in turns, so that what else the machine does meets both alike.

// Each bench uses a part of it.
#![allow(dead_code)]

use std::hint::black_box;
use std::time::Duration;

/// Time that this thread spent on a processor, so that other work on the machine does not count.
pub(crate) fn busy() -> Duration {
    let time = rustix::time::clock_gettime(rustix::time::ClockId::ThreadCPUTime);
    Duration::new(time.tv_sec as u64, time.tv_nsec as u32)
}

/// What a race came to; times are medians, the ratio is the median of the pairs' own ratios.
pub(crate) struct Race {
    pub(crate) ours: Duration,
    pub(crate) theirs: Duration,
    /// Their time in ours.
    pub(crate) ratio: f64,
    /// Lower and upper quartile of the ratio.
    pub(crate) spread: (f64, f64),
    /// What the last run of each gave.
    pub(crate) found: (usize, usize),
}

/// Runs both in turns, `pairs` times each, after one run of each that does not count.
pub(crate) fn race(pairs: usize, mut ours: impl FnMut() -> usize, mut theirs: impl FnMut() -> usize) -> Race {
    let mut found = (black_box(ours()), black_box(theirs()));
    let (mut own, mut other, mut ratios) = (Vec::new(), Vec::new(), Vec::new());
    for _ in 0..pairs {
        let start = busy();
        found.0 = black_box(ours());
        let middle = busy();
        found.1 = black_box(theirs());
        let (a, b) = (middle - start, busy() - middle);
        own.push(a);
        other.push(b);
        ratios.push(b.as_secs_f64() / a.as_secs_f64());
    }
    own.sort();
    other.sort();
    ratios.sort_by(f64::total_cmp);
    let middle = pairs / 2;
    Race {
        ours: own[middle],
        theirs: other[middle],
        ratio: ratios[middle],
        spread: (ratios[pairs / 4], ratios[pairs * 3 / 4]),
        found,
    }
}
