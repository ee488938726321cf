//! From what was found to what is reported.

use crate::analysis::episode::{GapMixture, Press, gaps, learn_gap};
use crate::analysis::event_sequence::EventSequence;
use crate::analysis::pattern::chain::CHANGES;
use crate::analysis::pattern::code;
use crate::analysis::pattern::field::Line;
use crate::analysis::pattern::group::{Group, HORIZON_S};
use crate::analysis::pattern::held::{Held, Repeats};
use crate::analysis::pattern::lock;
use crate::analysis::pattern::motif::Candidate;
use crate::analysis::pattern::token::Sequence;
use crate::analysis::pattern::{Class, MotifEvent, Pattern};
use crate::base::words::{duration, number, plural};
use crate::base::{EventKind, Nanoseconds};

/// Two lengths of gap, where the long ones lie between bursts. Where long follows long beyond chance, the rate itself goes
/// up and down with the time, and there are no bursts: between bursts a long gap has short ones about it.
#[allow(clippy::cast_precision_loss)]
fn bursts(gaps: &[f64]) -> Option<GapMixture> {
    let mixture = learn_gap(gaps).filter(|mixture| mixture.gain > BURST_GAIN)?;
    let long: Vec<bool> = gaps.iter().map(|gap| *gap > mixture.threshold).collect();
    let pairs = long.windows(2).len() as f64;
    let share = long.iter().filter(|long| **long).count() as f64 / long.len() as f64;
    let both = long.windows(2).filter(|pair| pair[0] && pair[1]).count() as f64;
    let spread = (pairs * share * share * (1.0 - share) * (1.0 - share)).sqrt();
    (both - pairs * share * share <= WANDERS * spread).then_some(mixture)
}

/// Standard deviations by which long gaps must follow long ones.
const WANDERS: f64 = 2.0;

/// What all patterns are shares of.
pub(super) struct Scene<'a> {
    pub(super) sequence: &'a EventSequence,
    pub(super) presses: &'a [Press],
    pub(super) strays: usize,
    pub(super) lamps: &'a [f64],
}

/// A repeat that shuffled times would give more often than this is said to be perhaps chance.
const LIKELY: f64 = 0.05;
/// Times that enter the tests for a lock.
const MOST_TIMES: usize = 4000;
/// Share of the time between first and last beat that runs must fill to be called steady, not bursts.
const STEADY_SHARE: f64 = 0.6;

/// Gaps of two lengths must be this much better than one (twice the log-likelihood) to be called bursts:
/// odds of about 1 : 2000.
const BURST_GAIN: f64 = 15.0;

impl Scene<'_> {
    fn blank(&self, symbol: u32, kind: EventKind, taken: &[u32]) -> Pattern {
        let events: u64 = taken.iter().map(|i| u64::from(self.presses[*i as usize].repeats) + 1).sum();
        let first = taken.first().map_or(Nanoseconds::ZERO, |i| self.presses[*i as usize].t);
        let last = taken
            .iter()
            .map(|i| self.presses[*i as usize])
            .fold(first, |last, press| last.max(if press.repeats > 0 { press.end } else { press.t }));
        let event = self.event(symbol, kind, 0.0);
        Pattern {
            id: 0,
            path: event.symbol.path,
            class: Class::Sporadic,
            motif: vec![event],
            period_s: None,
            period_low_s: None,
            period_high_s: None,
            jitter_s: None,
            jitter_locked_s: None,
            jitter_walk_s: None,
            period_first_s: None,
            period_last_s: None,
            locked_hz: None,
            alias_hz: Vec::new(),
            count: taken.len() as u64,
            missed: 0,
            runs: 1,
            coverage: ratio(events, self.strays as u64),
            first_t: first.seconds(),
            last_t: last.seconds(),
            chance: 1.0,
            bits: None,
            saved_bits: None,
            chance_shuffled: None,
            note: String::new(),
        }
    }

    fn event(&self, symbol: u32, kind: EventKind, offset_s: f64) -> MotifEvent {
        MotifEvent { kind, symbol: self.sequence.symbols()[symbol as usize].clone(), offset_s }
    }

    fn label(&self, symbol: u32) -> String {
        self.sequence.symbols()[symbol as usize].label()
    }

    pub(super) fn repeats(&self, found: &Repeats) -> Pattern {
        let reach = 1.96 * found.error;
        let mut pattern = self.blank(found.symbol, found.kind, &found.presses);
        pattern.class = Class::AutoRepeat;
        pattern.period_s = Some(found.period);
        pattern.period_low_s = Some(found.period - reach);
        pattern.period_high_s = Some(found.period + reach);
        pattern.jitter_s = Some(found.jitter);
        pattern.count = found.count;
        pattern.missed = found.missed;
        pattern.runs = found.presses.len() as u64;
        // Each repeat would have to fall within the jitter about its beat by luck.
        let luck = (4.0 * (found.jitter / found.period).max(0.005)).min(1.0);
        pattern.chance =
            (crate::analysis::pattern::period::HYPOTHESES * luck.powf(small(found.count) - 1.0)).min(1.0);
        let sure = if pattern.chance <= LIKELY { "" } else { "; so few that uneven may be chance" };
        pattern.note = format!(
            "{} repeats every {:.0} ms, as when a key is held down{sure}.",
            self.label(found.symbol),
            1000.0 * found.period
        );
        pattern
    }

    pub(super) fn held(&self, found: &Held) -> Pattern {
        let mut pattern = self.blank(found.symbol, EventKind::Press, &found.presses);
        pattern.class = Class::Held;
        // No finger holds a key when hands are off: nothing is left to chance here.
        pattern.chance = 0.0;
        pattern.note =
            format!("{} stays down for {} at a time.", self.label(found.symbol), duration(found.hold));
        pattern
    }

    /// One symbol without a beat: bursts when its gaps come in two lengths, else sporadic.
    pub(super) fn sporadic(&self, symbol: u32, list: &[u32]) -> Pattern {
        let presses: Vec<Press> = list.iter().map(|i| self.presses[*i as usize]).collect();
        let kind = presses.first().map_or(EventKind::Press, |press| press.kind);
        let mut pattern = self.blank(symbol, kind, list);
        let all = gaps(&presses);
        let times = self.times(list);
        if let Some(found) = lock::lock(&times, f64::INFINITY, lock::grid(&times), self.lamps) {
            pattern.class = Class::Locked;
            pattern.locked_hz = Some(found.frequency);
            pattern.period_s = Some(1.0 / found.frequency);
            pattern.chance = found.chance;
            pattern.note = format!(
                "{} comes at irregular times, but always at one phase of {:.2} Hz.",
                self.label(symbol),
                found.frequency
            );
        } else if let Some(mixture) = bursts(&all) {
            pattern.class = Class::Burst;
            pattern.runs = all.iter().filter(|gap| **gap > mixture.threshold).count() as u64 + 1;
            pattern.chance = (-0.5 * mixture.gain).exp().min(1.0);
            pattern.note = format!(
                "{} comes in {} without a beat, about {} apart.",
                self.label(symbol),
                plural(pattern.runs, "burst"),
                duration(mixture.long)
            );
        } else {
            pattern.note =
                format!("{}, {}, no rhythm.", self.label(symbol), plural(list.len() as u64, "time"));
        }
        pattern
    }

    pub(super) fn periodic(
        &self,
        lines: &[Line],
        best: &Candidate,
        taken: &[u32],
        hypotheses: f64,
    ) -> Pattern {
        let (ring, start) = ring(lines, best, self.presses);
        let period = best.fit.period;
        let symbol = lines[ring[start].0].symbol;
        let kind_of = |line: usize| {
            let place = lines[line].index.first().copied().unwrap_or_default();
            self.presses.get(place as usize).map_or(EventKind::Press, |press| press.kind)
        };
        let mut pattern = self.blank(symbol, kind_of(ring[start].0), taken);
        pattern.motif = (0..ring.len())
            .map(|i| {
                let (line, offset) = ring[(start + i) % ring.len()];
                let from_start = (offset - ring[start].1).rem_euclid(1.0) * period;
                self.event(lines[line].symbol, kind_of(line), from_start)
            })
            .collect();
        let (seen, beats) = seen(best, ring.len());
        pattern.count = seen;
        pattern.missed = beats.saturating_sub(seen);
        pattern.runs = best.chain.runs.len() as u64;
        pattern.class = class(&pattern, best, lines);
        pattern.period_s = Some(period);
        pattern.period_low_s = Some(best.fit.low.max(0.0));
        pattern.period_high_s = Some(best.fit.high);
        pattern.jitter_s = Some(best.fit.locked.hypot(best.fit.walk));
        pattern.jitter_locked_s = Some(best.fit.locked);
        pattern.jitter_walk_s = Some(best.fit.walk);
        if seen >= 30 && (best.fit.last / best.fit.first - 1.0).abs() > CHANGES {
            pattern.period_first_s = Some(best.fit.first);
            pattern.period_last_s = Some(best.fit.last);
        }
        pattern.chance = (hypotheses.log2() - best.gain).exp2().min(1.0);
        pattern.bits = Some(best.gain - hypotheses.log2());
        pattern.saved_bits = (ring.len() == 1).then(|| self.saved(lines, best));
        self.hang(&mut pattern, best, taken);
        pattern.note = self.sentence(&pattern);
        pattern
    }

    /// Bits saved by writing unbroken beats as cycles, the unit being the jitter or the grain of the stamps.
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
    fn saved(&self, lines: &[Line], best: &Candidate) -> f64 {
        let line = &lines[best.line];
        let unit = best.fit.locked.hypot(best.fit.walk).max(1e-3);
        let mut segments: Vec<Vec<u64>> = Vec::new();
        for run in &best.chain.runs {
            let mut last = None;
            for hit in best.chain.run(*run) {
                let t = (line.t[hit.place as usize] / unit).round().max(0.0) as u64;
                match segments.last_mut().filter(|_| last.is_some_and(|beat: u32| beat + 1 == hit.beat)) {
                    Some(segment) => segment.push(t),
                    None => segments.push(vec![t]),
                }
                last = Some(hit.beat);
            }
        }
        let span = (self.sequence.exposure().seconds() / unit).max(1.0) as u64;
        code::saved_bits(&segments, line.len() as u64, self.presses.len() as u64, span)
    }

    /// Whether a beat hangs on the mains, or could be an alias of it.
    fn hang(&self, pattern: &mut Pattern, best: &Candidate, taken: &[u32]) {
        let times = self.times(taken);
        let grid = lock::grid(&times);
        let (period, scatter) = (best.fit.period, best.fit.locked.hypot(best.fit.walk));
        let found = lock::lock(&times, scatter, grid, self.lamps).map(|lock| lock.frequency);
        if let Some(frequency) = found.or_else(|| lock::mains_beat(period)) {
            pattern.locked_hz = Some(frequency);
            if pattern.motif.len() == 1 {
                pattern.class = Class::Locked;
            }
        }
        if let Some(grid) = grid {
            let candidates = lock::aliases(period, best.fit.high - best.fit.period, grid, self.lamps);
            pattern.alias_hz = candidates.into_iter().map(|candidate| candidate.frequency).collect();
        }
    }

    /// Times of presses in seconds, each with its capture.
    fn times(&self, list: &[u32]) -> Vec<(f64, u32)> {
        let origin = list.first().map_or(Nanoseconds::ZERO, |i| self.presses[*i as usize].t);
        let most = list.iter().take(MOST_TIMES).map(|i| self.presses[*i as usize]);
        most.map(|press| ((press.t - origin).seconds(), press.segment)).collect()
    }

    /// The presses of a group: leaders that at least half of the group follows, and what follows them.
    pub(super) fn members(&self, lines: &[Line], best: &Group) -> Vec<u32> {
        let leader = &lines[best.line];
        let mut parts = vec![1usize; leader.len()];
        for element in &best.elements {
            element.hits.iter().for_each(|(beat, _)| parts[*beat as usize] += 1);
        }
        let whole = |beat: usize| parts[beat] * 2 > best.elements.len();
        let mut taken: Vec<u32> =
            (0..leader.len()).filter(|i| parts[*i] > 1 && whole(*i)).map(|i| leader.index[i]).collect();
        for element in &best.elements {
            let hits = element.hits.iter().filter(|(beat, _)| whole(*beat as usize));
            taken.extend(hits.map(|(_, place)| lines[element.line].index[*place as usize]));
        }
        taken.sort_unstable();
        taken
    }

    pub(super) fn group(&self, lines: &[Line], best: &Group, taken: &[u32], hypotheses: f64) -> Pattern {
        let kind_of = |line: usize| {
            let place = lines[line].index.first().copied().unwrap_or_default();
            self.presses.get(place as usize).map_or(EventKind::Press, |press| press.kind)
        };
        let leader = &lines[best.line];
        let mut pattern = self.blank(leader.symbol, kind_of(best.line), taken);
        pattern.class = Class::Burst;
        for element in &best.elements {
            let symbol = lines[element.line].symbol;
            pattern.motif.push(self.event(symbol, kind_of(element.line), element.offset * HORIZON_S));
        }
        let leaders = taken.iter().filter(|i| self.presses[**i as usize].symbol == leader.symbol).count();
        pattern.count = leaders as u64;
        pattern.runs = pattern.count;
        pattern.chance = (hypotheses.log2() - best.gain).exp2().min(1.0);
        let names: Vec<String> = pattern.motif.iter().map(|event| event.symbol.label()).collect();
        pattern.note =
            format!("{} come together {} times, at no steady beat.", names.join(", "), pattern.count);
        pattern
    }

    pub(super) fn sequence(&self, found: &Sequence) -> Pattern {
        let kind_of = |symbol: u32| {
            let own = found.taken.iter().map(|i| &self.presses[*i as usize]).find(|p| p.symbol == symbol);
            own.map_or(EventKind::Press, |press| press.kind)
        };
        let leader = found.symbols.first().copied().unwrap_or_default();
        let mut pattern = self.blank(leader, kind_of(leader), &found.taken);
        pattern.class = Class::Cycle;
        let events = found.symbols.iter().zip(&found.offsets);
        pattern.motif = events.map(|(symbol, at)| self.event(*symbol, kind_of(*symbol), *at)).collect();
        pattern.count = found.count;
        pattern.runs = found.count;
        pattern.chance = found.chance;
        let names: Vec<String> = pattern.motif.iter().map(|event| event.symbol.label()).collect();
        pattern.note =
            format!("{} come in this order {} times, at no steady beat.", names.join(", "), found.count);
        pattern
    }

    fn sentence(&self, pattern: &Pattern) -> String {
        let names: Vec<String> = pattern.motif.iter().map(|event| event.symbol.label()).collect();
        let period = number(pattern.period_s.unwrap_or_default());
        let how = match pattern.class {
            Class::Burst => {
                format!("comes in {}, {period} s from one to the next within", plural(pattern.runs, "burst"))
            }
            _ => format!("comes every {period} s"),
        };
        let drift = match (pattern.period_first_s, pattern.period_last_s) {
            (Some(first), Some(last)) => {
                format!("; the period went from {} s to {} s", number(first), number(last))
            }
            _ => String::new(),
        };
        let beats = pattern.count + pattern.missed;
        let hang = pattern.locked_hz.map_or_else(String::new, |f| format!("; it hangs on {f:.2} Hz"));
        let alias = if pattern.alias_hz.is_empty() {
            String::new()
        } else {
            let list: Vec<String> = pattern.alias_hz.iter().map(|f| format!("{f} Hz")).collect();
            format!("; the set looks so seldom that {} would look the same", list.join(" or "))
        };
        format!("{} {how}, seen {} times of {beats}{drift}{hang}{alias}.", names.join(", "), pattern.count)
    }
}

/// The motif as lines and places within the beat, in order of place, and where it begins: after the longest
/// pause, or, where no pause stands out, with the event seen first.
fn ring(lines: &[Line], best: &Candidate, presses: &[Press]) -> (Vec<(usize, f64)>, usize) {
    let mut ring: Vec<(usize, f64, u32)> = Vec::with_capacity(best.elements.len() + 1);
    let anchor = best.chain.hits.first().map_or(0, |hit| lines[best.line].index[hit.place as usize]);
    ring.push((best.line, 0.0, anchor));
    for element in &best.elements {
        let first = element.hits.first().map_or(0, |(_, place)| lines[element.line].index[*place as usize]);
        ring.push((element.line, element.offset, first));
    }
    ring.sort_by(|a, b| a.1.total_cmp(&b.1));
    let n = ring.len();
    let pause = |i: usize| {
        let before = ring[(i + n - 1) % n].1;
        if n == 1 { 1.0 } else { (ring[i].1 - before).rem_euclid(1.0) }
    };
    let mut order: Vec<usize> = (0..n).collect();
    order.sort_by(|a, b| pause(*b).total_cmp(&pause(*a)));
    let stands_out = n == 1 || pause(order[0]) > 1.2 * pause(order[1]);
    let earliest = (0..n).min_by_key(|i| presses.get(ring[*i].2 as usize).map(|press| press.t));
    let start = if stands_out { order[0] } else { earliest.unwrap_or(0) };
    (ring.into_iter().map(|(line, offset, _)| (line, offset)).collect(), start)
}

/// Beats at which at least half of the motif was seen, and all beats.
fn seen(best: &Candidate, size: usize) -> (u64, u64) {
    let mut parts: Vec<u8> = best.beats.iter().map(|beat| u8::from(beat.seen)).collect();
    for element in &best.elements {
        for (beat, _) in &element.hits {
            if let Some(part) = parts.get_mut(*beat as usize) {
                *part += 1;
            }
        }
    }
    let seen = parts.iter().filter(|part| usize::from(**part) * 2 >= size).count() as u64;
    (seen, parts.len() as u64)
}

fn class(pattern: &Pattern, best: &Candidate, lines: &[Line]) -> Class {
    let line = &lines[best.line];
    let mut active = 0.0;
    for run in &best.chain.runs {
        let hits = best.chain.run(*run);
        if let (Some(a), Some(b)) = (hits.first(), hits.last()) {
            active += line.t[b.place as usize] - line.t[a.place as usize] + best.fit.period;
        }
    }
    let one = pattern.motif.windows(2).all(|pair| pair[0].symbol == pair[1].symbol);
    if !one {
        return Class::Cycle;
    }
    let whole = pattern.last_t - pattern.first_t;
    if pattern.motif.len() > 1 || pattern.runs >= 3 && active < STEADY_SHARE * whole {
        return Class::Burst;
    }
    Class::Steady
}

#[allow(clippy::cast_precision_loss)]
fn ratio(part: u64, whole: u64) -> f64 {
    if whole == 0 { 0.0 } else { part as f64 / whole as f64 }
}

/// A count as an exponent, bounded so that a power of it stays a number.
fn small(count: u64) -> f64 {
    f64::from(u32::try_from(count.min(10_000)).unwrap_or(10_000))
}
