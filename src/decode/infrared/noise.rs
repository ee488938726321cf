//! What is no frame, summarised: one event for at most ten seconds of it, never one for each glitch.
//!
//! A summary says how many bursts a second, how long the marks are, whether the groups of bursts keep step
//! with the mains, and for which share of the time a receiver would have its gain turned down.

use std::sync::LazyLock;

use crate::base::{ControlPath, Event, EventKind, Name, Nanoseconds};
use crate::signal::carrier::Cycles;

/// Longest stretch that one summary covers, nanoseconds.
const WINDOW: i64 = 10_000_000_000;
/// Stretch within which the mains count as steady: 0.1 Hz off is a tenth of a period after it.
const BLOCK: i64 = 1_000_000_000;
/// A burst after at least this much space begins a group, nanoseconds: bursts of one group are not
/// independent of each other, groups in different half waves are.
const GROUP: u32 = 2_500_000;
/// Periods of the mains, nanoseconds. Rectified mains are twice as fast: the second harmonic of the same bins.
const PERIODS: [i64; 2] = [20_000_000, 16_666_667];
/// What is looked for: hertz, which of the periods, which harmonic.
const MAINS: [(u32, usize, usize); 4] = [(50, 0, 1), (60, 1, 1), (100, 0, 2), (120, 1, 2)];
const BINS: usize = 64;
/// Stretch over which the gain of a receiver is judged, nanoseconds.
const SLOT: i64 = 100_000_000;
/// Most short bursts a second that every gain-control type accepts (Vishay "suitable data format" tables:
/// 800 to 2200, depending on the type).
const MOST_BURSTS_PER_SLOT: u32 = 80;
/// A burst beyond 70 carrier cycles at 38 kHz makes the gain control act (same tables), nanoseconds.
const LONG_BURST: u32 = 1_842_000;
/// 10 cycles less 5 of stretch at 38 kHz: no shorter mark can be light (Vishay TSOP48.. data sheet).
const SHORTEST_LIGHT: u32 = 132_000;
/// Light of electronic lamp ballasts and of compact lamps flickers at 20 to 100 kHz (EMSD Hong Kong, "Interference problems
/// of fluorescent lamps … with infrared remote control equipment", 2003): shortest and longest cycle, nanoseconds.
const BALLAST: std::ops::RangeInclusive<u32> = 10_000..=50_000;
/// Fewest cycles from which a frequency is said, a hundredth of a second of them at most.
const FEWEST_CYCLES: f64 = 200.0;
/// Near-frames of one window that get an event of their own.
const MOST_NEAR: u32 = 16;
/// Chance, over the four frequencies, below which keeping step is said.
const CERTAIN: f64 = 1e-6;

/// Sine and cosine of the bins. Where in a bin its phase is taken does not matter, only that it is one place.
static CIRCLE: LazyLock<[(f64, f64); BINS]> =
    LazyLock::new(|| std::array::from_fn(|bin| (bin as f64 / BINS as f64 * std::f64::consts::TAU).sin_cos()));

/// Collects what is no frame.
#[derive(Debug)]
pub(super) struct Noise {
    window: Option<Window>,
}

/// Frequency in kilohertz of cycles that are many of the bursts and all about equal.
fn kilohertz(cycles: &Cycles, bursts: u64) -> Option<f64> {
    let (mean, spread) = cycles.mean_and_spread()?;
    let many = cycles.count >= FEWEST_CYCLES && cycles.count >= 0.5 * bursts as f64;
    (many && spread < 0.1).then_some(1e3 / mean)
}

#[derive(Debug)]
struct Window {
    start: i64,
    last: i64,
    bursts: u64,
    near: u32,
    widths: Box<[u32; 256]>,
    shortest: u32,
    longest: u32,
    too_short: u64,
    /// Cycles as short as a lamp ballast's: a space and the mark after it.
    cycles: Cycles,
    block: i64,
    groups: u32,
    bins: [[u32; BINS]; 2],
    power: [f64; 4],
    counted: f64,
    blocks: u32,
    slot: i64,
    slot_bursts: u32,
    slot_long: bool,
    slots_held: u32,
    offset: u64,
    end_offset: u64,
}

impl Window {
    fn new(t: i64, offset: u64) -> Self {
        Self {
            start: t,
            last: t,
            bursts: 0,
            near: 0,
            widths: Box::new([0; 256]),
            shortest: u32::MAX,
            longest: 0,
            too_short: 0,
            cycles: Cycles::default(),
            block: 0,
            groups: 0,
            bins: [[0; BINS]; 2],
            power: [0.0; 4],
            counted: 0.0,
            blocks: 0,
            slot: 0,
            slot_bursts: 0,
            slot_long: false,
            slots_held: 0,
            offset,
            end_offset: offset,
        }
    }

    fn add(&mut self, t: i64, mark: u32, space_before: u32, offset: u64) {
        self.last = t + i64::from(mark);
        self.end_offset = offset;
        self.bursts += 1;
        self.shortest = self.shortest.min(mark);
        self.longest = self.longest.max(mark);
        self.too_short += u64::from(mark < SHORTEST_LIGHT);
        let cycle = mark.saturating_add(space_before);
        if BALLAST.contains(&cycle) {
            self.cycles.add(f64::from(cycle) / 1e3);
        }
        if let Some(count) = self.widths.get_mut(bucket(mark)) {
            *count = count.saturating_add(1);
        }
        let since = t - self.start;
        if since / SLOT != self.slot {
            self.close_slot();
            self.slot = since / SLOT;
        }
        self.slot_bursts = self.slot_bursts.saturating_add(1);
        self.slot_long |= mark > LONG_BURST;
        if space_before >= GROUP {
            if since / BLOCK != self.block {
                self.close_block();
                self.block = since / BLOCK;
            }
            self.groups = self.groups.saturating_add(1);
            let bins = [bin::<0>(t), bin::<1>(t)];
            for (bin, counts) in bins.into_iter().zip(&mut self.bins) {
                if let Some(count) = counts.get_mut(bin) {
                    *count = count.saturating_add(1);
                }
            }
        }
    }

    fn close_slot(&mut self) {
        self.slots_held += u32::from(self.slot_long || self.slot_bursts >= MOST_BURSTS_PER_SLOT);
        self.slot_bursts = 0;
        self.slot_long = false;
    }

    /// Adds the block's Rayleigh statistic of each frequency.
    fn close_block(&mut self) {
        // Fewer groups than this carry next to nothing.
        if self.groups >= 5 {
            let n = f64::from(self.groups);
            for ((_, period, harmonic), power) in MAINS.into_iter().zip(&mut self.power) {
                let (mut c, mut s) = (0.0, 0.0);
                let circle = CIRCLE.iter().cycle().step_by(harmonic);
                for (count, (sine, cosine)) in self.bins[period].iter().zip(circle) {
                    c += f64::from(*count) * cosine;
                    s += f64::from(*count) * sine;
                }
                *power += (c * c + s * s) / n;
            }
            self.counted += n;
            self.blocks += 1;
        }
        self.groups = 0;
        self.bins = [[0; BINS]; 2];
    }

    /// The lowest mains frequency with which the groups keep step, and the chance of that in random groups.
    ///
    /// # Formula
    /// Rayleigh's test: with `R` the mean resultant of `n` phases, `2 n R²` is chi-square of 2 degrees of
    /// freedom when phases are random; the sum over `k` blocks has `2 k`, of which the upper tail is
    /// `exp(-x/2) Σ_{j<k} (x/2)^j / j!`.
    ///
    /// # Source
    /// Mardia and Jupp (2000), "Directional Statistics", section 6.3 (from memory); the tail is the closed
    /// form for even degrees of freedom.
    fn in_step(&self) -> Option<(u32, f64)> {
        if self.blocks == 0 {
            return None;
        }
        MAINS.iter().zip(self.power).find_map(|((hertz, _, _), power)| {
            let (mut term, mut sum) = (1.0, 1.0);
            for j in 1..self.blocks {
                term *= power / f64::from(j);
                sum += term;
            }
            let chance = ((-power).exp() * sum * MAINS.len() as f64).min(1.0);
            // A weak link in thousands of groups is certain and means nothing: half of the length is asked for.
            let strong = power / self.counted >= 0.25;
            (chance < CERTAIN && strong).then_some((*hertz, chance))
        })
    }

    /// The mark length that a share of the marks does not exceed, nanoseconds, to an eighth.
    fn quantile(&self, share: f64) -> u32 {
        let wanted = (self.bursts as f64 * share).ceil() as u64;
        let mut seen = 0;
        for (i, count) in self.widths.iter().enumerate() {
            seen += u64::from(*count);
            if seen >= wanted {
                return middle(i).clamp(self.shortest, self.longest);
            }
        }
        self.longest
    }

    fn summary(&mut self, until: i64, capture: &Name) -> Event {
        self.close_slot();
        self.close_block();
        let mut note = if self.bursts == 0 { String::from("near-frames only") } else { self.describe(until) };
        if self.near > MOST_NEAR {
            note.push_str(&format!("; {} near-frames, {MOST_NEAR} of them shown", self.near));
        }
        let mut event = Event::new(Nanoseconds(until), ControlPath::Infrared, EventKind::Noise);
        event.note = Some(note.into());
        event.capture = Some(capture.clone());
        event.offset = Some(self.offset);
        event.length = u32::try_from(self.end_offset.saturating_sub(self.offset)).ok();
        event
    }

    fn describe(&self, until: i64) -> String {
        let span = (until - self.start).max(1) as f64 / 1e9;
        let micros = |length: u32| f64::from(length) / 1e3;
        let mut note = format!(
            "noise for {span:.1} s: {} bursts, {:.1} a second; marks {:.0} to {:.0} µs, half of them up to about {:.0} µs",
            self.bursts,
            self.bursts as f64 / span,
            micros(self.shortest),
            micros(self.longest),
            micros(self.quantile(0.5)),
        );
        let share = |count: f64, of: f64| (100.0 * count / of).round();
        let ballast = kilohertz(&self.cycles, self.bursts);
        if let Some(kilohertz) = ballast {
            note.push_str(&format!(
                "; a steady {kilohertz:.1} kHz, as the light of an electronic lamp ballast (20 to 100 kHz) before the receiver module"
            ));
        } else if self.too_short > 0 {
            note.push_str(&format!(
                "; {} % too short for light: look for an electrical cause",
                share(self.too_short as f64, self.bursts as f64).max(1.0)
            ));
        }
        match self.in_step() {
            Some((hertz @ (100 | 120), chance)) => note
                .push_str(&format!("; in step with {hertz} Hz as a lamp on the mains (chance {chance:.0e})")),
            Some((hertz, chance)) => {
                note.push_str(&format!("; in step with {hertz} Hz mains (chance {chance:.0e})"));
            }
            None => {}
        }
        let slots = ((until - self.start) as f64 / SLOT as f64).ceil().max(1.0);
        let held = share(f64::from(self.slots_held), slots);
        note.push_str(&format!("; receiver gain held down {held} % of the time"));
        note
    }
}

/// Bin of the phase of `t` at one of [`PERIODS`]; the constant spares a division.
fn bin<const PERIOD: usize>(t: i64) -> usize {
    let period = const { PERIODS[PERIOD] };
    (t.rem_euclid(period) * BINS as i64 / period) as usize
}

/// Buckets of an eighth of an octave.
fn bucket(length: u32) -> usize {
    let length = length.max(8);
    let octave = length.ilog2();
    (octave * 8 + ((length >> (octave - 3)) & 7)) as usize
}

fn middle(bucket: usize) -> u32 {
    let (octave, eighth) = (bucket / 8, bucket % 8);
    if !(3..=31).contains(&octave) {
        return 8;
    }
    let step = 1u64 << (octave - 3);
    u32::try_from((8 + eighth as u64) * step + step / 2).unwrap_or(u32::MAX)
}

impl Noise {
    pub(super) fn new() -> Self {
        Self { window: None }
    }

    /// One mark that belongs to no frame. The window must have been closed up to `t`.
    pub(super) fn add(&mut self, t: i64, mark: u32, space_before: u32, offset: u64) {
        self.window.get_or_insert_with(|| Window::new(t, offset)).add(t, mark, space_before, offset);
    }

    /// One near-frame; `true` when it may have an event of its own.
    pub(super) fn add_near(&mut self, t: i64, offset: u64) -> bool {
        let window = self.window.get_or_insert_with(|| Window::new(t, offset));
        window.near = window.near.saturating_add(1);
        window.near <= MOST_NEAR
    }

    /// Whether a window ends at or before `t`.
    #[inline]
    pub(super) fn is_due(&self, t: i64) -> bool {
        self.window.as_ref().is_some_and(|window| t - window.start >= WINDOW)
    }

    /// The summary of a window that ends at or before `t`.
    pub(super) fn close_due(&mut self, t: i64, capture: &Name) -> Option<Event> {
        if !self.is_due(t) {
            return None;
        }
        let mut window = self.window.take()?;
        let until = window.start + WINDOW;
        (window.bursts > 0 || window.near > MOST_NEAR).then(|| window.summary(until, capture))
    }

    /// The summary of what is left at the end of the capture.
    pub(super) fn finish(&mut self, end: i64, capture: &Name) -> Option<Event> {
        let mut window = self.window.take()?;
        let until = end.min(window.start + WINDOW).max(window.last);
        (window.bursts > 0 || window.near > MOST_NEAR).then(|| window.summary(until, capture))
    }
}
