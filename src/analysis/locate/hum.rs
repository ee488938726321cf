//! Segments of readings in which hum is looked for.

use std::collections::BTreeMap;

use crate::analysis::ladder::keycheck::Checked;
use crate::analysis::ladder::ripple::{self, Ripple};
use crate::analysis::ladder::{Condition, Windows};
use crate::base::{Key, Nanoseconds};

/// Readings of one condition that are looked at: at 20 a second a segment of 25 s, which shows an amplitude of
/// half a count and costs milliseconds.
const MOST: usize = 512;

/// Fewest that show a line, as in [`ripple::find`].
const FEWEST: usize = 16;

type Samples = Vec<(Nanoseconds, u32)>;

/// The segments of one line, one a condition, at bounded memory.
#[derive(Debug, Default)]
pub(super) struct Hum {
    /// The present hands-off capture, by the key that the readings mean.
    present: BTreeMap<Option<Key>, Samples>,
    segments: Vec<(Condition, Samples)>,
}

impl Hum {
    /// Takes a reading of a hands-off capture.
    pub(super) fn push(&mut self, key: Option<Key>, t: Nanoseconds, counts: u32) {
        let samples = self.present.entry(key).or_default();
        if samples.len() < MOST {
            samples.push((t, counts));
        }
    }

    /// Ends a hands-off capture that was taken in this condition. The level with most readings counts: jumps
    /// between levels are no hum.
    pub(super) fn close(&mut self, condition: &Condition) {
        let levels = std::mem::take(&mut self.present).into_values();
        if let Some(samples) = levels.max_by_key(Vec::len) {
            self.keep(condition, samples);
        }
    }

    /// Takes what was read while keys were held. The hum itself may carry a reading over a window's border, so
    /// that all between the first and the last reading in the key's window count.
    pub(super) fn checked(&mut self, checked: &Checked, windows: &Windows) {
        for (i, asked) in checked.asked.iter().enumerate() {
            let until = checked.asked.get(i + 1).map(|next| next.t);
            let from = checked.readings.partition_point(|r| r.0 < asked.t);
            let to = until.map_or(checked.readings.len(), |t| checked.readings.partition_point(|r| r.0 < t));
            let answer = checked.readings.get(from..to).unwrap_or_default();
            let held = |r: &(Nanoseconds, u32)| windows.key(f64::from(r.1)) == Some(asked.key);
            if let (Some(first), Some(last)) = (answer.iter().position(held), answer.iter().rposition(held)) {
                let samples = answer.get(first..=last).unwrap_or_default();
                self.keep(&Condition::Key(asked.key), samples.iter().take(MOST).copied().collect());
            }
        }
    }

    /// Keeps the longer of two segments of one condition.
    fn keep(&mut self, condition: &Condition, samples: Samples) {
        if samples.len() < FEWEST {
            return;
        }
        match self.segments.iter_mut().find(|(known, _)| known == condition) {
            Some((_, longest)) if longest.len() < samples.len() => *longest = samples,
            Some(_) => {}
            None => self.segments.push((condition.clone(), samples)),
        }
    }

    /// The hum found in each condition.
    pub(super) fn ripples(&self) -> Vec<(Condition, Ripple)> {
        let found = |(condition, samples): &(Condition, Samples)| {
            ripple::find(condition, samples, &[]).map(|ripple| (condition.clone(), ripple))
        };
        self.segments.iter().filter_map(found).collect()
    }

    /// Mean time between two readings of the longest segment; gaps of more than twice the median are no part of
    /// the scan.
    pub(super) fn period(&self) -> Option<Nanoseconds> {
        let (_, samples) = self.segments.iter().max_by_key(|(_, samples)| samples.len())?;
        let mut steps: Vec<i64> = samples.windows(2).map(|pair| pair[1].0.0 - pair[0].0.0).collect();
        steps.sort_unstable();
        let median = *steps.get(steps.len() / 2)?;
        let plain: Vec<i64> =
            steps.into_iter().filter(|s| *s > 0 && *s <= median.saturating_mul(2)).collect();
        let count = i64::try_from(plain.len()).ok().filter(|n| *n > 0)?;
        Some(Nanoseconds(plain.iter().sum::<i64>() / count))
    }
}
