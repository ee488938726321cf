//! The truth of a pair: what the fault is, how its strays come, what the repair does, and what quiet is worth to somebody
//! who knows all that.

use crate::process::{Process, Source, Stream, episodes};
use straykey::analysis::EventSequence;
use straykey::analysis::compare::Observation;
use straykey::base::{ControlPath, Event, EventKind, Key, Nanoseconds, Span};

/// How strays come.
pub(crate) const INTERMITTENCIES: [Process; 5] =
    [Process::Poisson, Process::Bursts, Process::Weibull, Process::Pareto, Process::Turns];

/// What a fault presses: keys, on which path, for how long.
pub(crate) struct Fault {
    pub(crate) name: &'static str,
    path: ControlPath,
    keys: &'static [&'static str],
    held_s: (f64, f64),
    /// It comes only once the set has been on for so long, seconds.
    warms_s: f64,
}

const fn fault(
    name: &'static str,
    path: ControlPath,
    keys: &'static [&'static str],
    held_s: (f64, f64),
    warms_s: f64,
) -> Fault {
    Fault { name, path, keys, held_s, warms_s }
}

/// Twelve kinds of fault, as they look from outside.
pub(crate) const FAULTS: [Fault; 12] = [
    fault("leaky switch", ControlPath::Keypad, &["KEY_MENU"], (0.1, 0.6), 0.0),
    fault("stuck switch", ControlPath::Keypad, &["KEY_VOLUMEDOWN"], (1.0, 8.0), 0.0),
    fault("moisture on the key board", ControlPath::Keypad, &["KEY_VOLUMEUP", "KEY_MENU"], (0.1, 2.0), 0.0),
    fault("leak that grows with warmth", ControlPath::Keypad, &["KEY_CHANNELUP"], (0.1, 1.0), 600.0),
    fault("loose connector", ControlPath::Keypad, &["KEY_POWER", "KEY_MENU", "KEY_LEFT"], (0.05, 0.3), 0.0),
    fault("ground bond", ControlPath::Keypad, &["KEY_VOLUMEUP", "KEY_CHANNELUP"], (0.05, 0.4), 0.0),
    fault("supply of the ladder", ControlPath::Keypad, &["KEY_ENTER"], (0.1, 0.5), 0.0),
    fault(
        "light on the receiver",
        ControlPath::Infrared,
        &["KEY_1", "KEY_5", "KEY_9", "KEY_MUTE"],
        (0.1, 0.2),
        0.0,
    ),
    fault("remote with a stuck key", ControlPath::Infrared, &["KEY_VOLUMEUP"], (0.1, 1.0), 0.0),
    fault("receiver that is too sensitive", ControlPath::Infrared, &["KEY_2", "KEY_MUTE"], (0.1, 0.2), 0.0),
    fault("another box on HDMI", ControlPath::Cec, &["KEY_POWER"], (0.1, 0.2), 0.0),
    fault("software of the set", ControlPath::Cec, &["KEY_MENU", "KEY_LEFT"], (0.1, 0.2), 0.0),
];

/// What the step did.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Repair {
    None,
    Partial { fold: f64 },
    Full,
}

impl Repair {
    /// How many times rarer the strays are.
    pub(crate) fn fold(self) -> f64 {
        match self {
            Self::None => 1.0,
            Self::Partial { fold } => fold,
            Self::Full => f64::INFINITY,
        }
    }
}

/// One pair with its truth.
pub(crate) struct Pair {
    pub(crate) fault: usize,
    pub(crate) repair: Repair,
    pub(crate) cold: bool,
    pub(crate) before: Observation,
    pub(crate) after: Observation,
    /// Chance that the unrepaired set would be quiet for the whole soak, to somebody who knows how the strays come.
    pub(crate) luck: f64,
    /// The same to somebody who knows the law and its shape, and has to estimate its scale from the baseline: the most that
    /// a judge can know.
    pub(crate) luck_by_baseline: f64,
}

/// Continuations of which the ideal observer counts the quiet ones.
const CONTINUATIONS: u32 = 400;

impl Pair {
    pub(crate) fn draw(stream: &mut Stream, process: Process) -> Self {
        loop {
            if let Some(pair) = Self::try_draw(stream, process) {
                return pair;
            }
        }
    }

    /// `None` where no stray came before: nothing to judge by.
    fn try_draw(stream: &mut Stream, process: Process) -> Option<Self> {
        let fault = (stream.unit() * FAULTS.len() as f64) as usize;
        let turns = process == Process::Turns;
        let source = Source::draw(stream, process, 20.0, if turns { 60.0 } else { 300.0 });
        let before_s = 60.0 * stream.log_between(10.0, 40.0);
        let break_s = if stream.unit() < 1.0 / 3.0 { 0.0 } else { 60.0 * stream.between(2.0, 15.0) };
        let after_s = 60.0 * stream.log_between(1.0, 30.0);
        // How the age of the set is known before the step: it is switched on in the capture, it prints its uptime, or not at all.
        let (born, age_s) = match stream.unit() {
            u if u < 1.0 / 3.0 => (true, Some(0.0)),
            u if u < 2.0 / 3.0 => (false, Some(stream.between(0.0, 3600.0))),
            _ => (false, None),
        };
        let cold = break_s > 0.0 && stream.unit() < 0.375;
        let repair = match stream.unit() {
            u if u < 0.4 => Repair::None,
            u if u < 0.6 => Repair::Partial { fold: stream.log_between(2.0, 8.0) },
            _ => Repair::Full,
        };
        let begun = before_s + break_s;
        let needs = FAULTS[fault].warms_s;
        // Warm throughout but after a cold start; who knows no age sees a set that has been on for long.
        let not_before = age_s.map_or(0.0, |age_s| (needs - age_s).max(0.0));
        let quiet_until = if cold { begun + needs } else { 0.0 };
        let all = source.strays(stream, begun + after_s);
        let before: Vec<f64> = all.iter().copied().filter(|t| (not_before..before_s).contains(t)).collect();
        before.first()?;
        let after: Vec<f64> = match repair {
            Repair::Full => Vec::new(),
            Repair::None => all.iter().copied().filter(|t| *t >= begun.max(quiet_until)).collect(),
            Repair::Partial { fold } => {
                let rarer = Source { mean: source.mean * fold, ..source };
                let later = rarer.strays(stream, after_s);
                later.into_iter().map(|t| t + begun).filter(|t| *t >= quiet_until).collect()
            }
        };
        let luck = luck(stream, &source, &before, before_s, begun, quiet_until, after_s);
        // A stream of its own: the pairs stay the same whatever is asked about them.
        let mut own = Stream::new(luck.to_bits() ^ after_s.to_bits());
        let luck_by_baseline = source.estimated(&before, before_s).map_or(1.0, |source| {
            self::luck(&mut own, &source, &before, before_s, begun, quiet_until, after_s)
        });
        let shift = |times: &[f64], by: f64| times.iter().map(|t| t - by).collect::<Vec<_>>();
        Some(Self {
            fault,
            repair,
            cold,
            before: observed(stream, &FAULTS[fault], &before, (0.0, before_s), born, age_s),
            after: observed(stream, &FAULTS[fault], &shift(&after, begun), (begun, after_s), cold, None),
            luck,
            luck_by_baseline,
        })
    }
}

/// The share of continuations of the unrepaired set in which nothing comes in the soak.
fn luck(
    stream: &mut Stream,
    source: &Source,
    before: &[f64],
    before_s: f64,
    begun: f64,
    quiet_until: f64,
    after_s: f64,
) -> f64 {
    let end = begun + after_s;
    let from = begun.max(quiet_until);
    if from >= end {
        return 1.0;
    }
    let last = before.last().copied().unwrap_or(0.0);
    let since = before_s - last;
    let (mut quiet, mut all) = (0, 0);
    let mut tries = 0;
    while all < CONTINUATIONS && tries < 400 * CONTINUATIONS {
        tries += 1;
        // Goes on from the last stray, if the pause that was seen since is borne out.
        let Some(next) = source.following(stream, since, before, before_s, end) else { continue };
        all += 1;
        quiet += u32::from(!next.iter().any(|t| (from..end).contains(t)));
    }
    if all == 0 { 1.0 } else { f64::from(quiet) / f64::from(all) }
}

impl Source {
    /// The same law with the scale that fits these strays best; `None` where they show none.
    fn estimated(&self, before: &[f64], before_s: f64) -> Option<Self> {
        let joined = if self.process == Process::Bursts { 3.0 } else { 0.0 };
        let seen = episodes(before, joined);
        let gaps: Vec<f64> = seen.windows(2).map(|two| two[1].0 - two[0].1).collect();
        let cut = [seen.first()?.0, before_s - seen.last()?.1];
        let n = gaps.len() as f64;
        let whole: f64 = gaps.iter().chain(&cut).sum();
        let mean = match self.process {
            _ if gaps.is_empty() => return None,
            Process::Weibull => {
                let power: f64 = gaps.iter().chain(&cut).map(|gap| gap.powf(0.4)).sum();
                (power / n).powf(2.5) * 3.323_350_970_447_843
            }
            Process::Pareto => {
                3.0 * gaps.iter().copied().fold(f64::INFINITY, f64::min) * (1.0 - 1.0 / (1.5 * n)).max(0.3)
            }
            Process::Turns => {
                let short: Vec<f64> = gaps.iter().copied().filter(|gap| *gap < 0.5 * self.off).collect();
                if short.is_empty() {
                    return None;
                }
                short.iter().sum::<f64>() / short.len() as f64
            }
            _ => whole / (n + 1.0),
        };
        Some(Self { mean, ..*self })
    }

    /// Strays after `before_s` of a process that went on as it was seen; `None` where the draw contradicts what was seen.
    fn following(
        &self,
        stream: &mut Stream,
        since: f64,
        before: &[f64],
        before_s: f64,
        end: f64,
    ) -> Option<Vec<f64>> {
        if self.process == Process::Turns {
            return self.turning(stream, before, before_s, end);
        }
        let mut t = before_s - since;
        let mut times = Vec::new();
        let mut first = true;
        while t < end {
            t += self.gap(stream);
            if std::mem::take(&mut first) && t < before_s {
                return None;
            }
            times.push(t);
        }
        Some(times)
    }

    /// On and off by turns: where it is in its turn is known from the last stray as well as may be.
    fn turning(&self, stream: &mut Stream, before: &[f64], before_s: f64, end: f64) -> Option<Vec<f64>> {
        // When on began last: the first stray after the last pause of half an off-time.
        let pause = 0.5 * self.off;
        let place = before.windows(2).rposition(|two| two[1] - two[0] > pause).map_or(0, |place| place + 1);
        let first = before.get(place)?;
        let on_since = first - self.mean * stream.wait();
        let length = |stream: &mut Stream, mean: f64| mean * (1.0 + 0.04 * stream.normal());
        let last = before.last().copied().unwrap_or(0.0);
        let on_until = on_since + length(stream, self.on);
        if on_until < last {
            return None;
        }
        // Nothing came from the last stray on, though it was on until then.
        if stream.unit() > (-(on_until.min(before_s) - last) / self.mean).exp() {
            return None;
        }
        let mut times = Vec::new();
        let (mut at, mut until) = (before_s, on_until);
        loop {
            let mut t = at + self.mean * stream.wait();
            while t < until {
                times.push(t);
                t += self.mean * stream.wait();
            }
            at = until + length(stream, self.off);
            until = at + length(stream, self.on);
            if at >= end {
                return Some(times);
            }
        }
    }
}

/// What a perfect decoder sees of these strays, from `begun` on the clock of the wall.
fn observed(
    stream: &mut Stream,
    fault: &Fault,
    times: &[f64],
    (begun, length_s): (f64, f64),
    cold: bool,
    age_s: Option<f64>,
) -> Observation {
    let mut sequence = EventSequence::new();
    if cold {
        sequence.push(&Event::new(Nanoseconds::ZERO, ControlPath::System, EventKind::Boot));
    }
    for (place, t) in times.iter().enumerate() {
        let next = times.get(place + 1).copied().unwrap_or(length_s);
        let name = fault.keys[(stream.unit() * fault.keys.len() as f64) as usize];
        let held = stream.log_between(fault.held_s.0, fault.held_s.1).min(0.7 * (next - t));
        for (at, kind) in [(*t, EventKind::Press), (t + held, EventKind::Release)] {
            let mut event = Event::new(Nanoseconds::from_seconds(at), fault.path, kind);
            event.key = Key::from_name(name);
            sequence.push(&event);
        }
    }
    sequence.observe(Span { start: Nanoseconds::ZERO, end: Nanoseconds::from_seconds(length_s) });
    sequence.aged(age_s.filter(|_| !cold).map(Nanoseconds::from_seconds));
    let wall =
        Span { start: Nanoseconds::from_seconds(begun), end: Nanoseconds::from_seconds(begun + length_s) };
    Observation { wall: Some(wall), ..Observation::soak(sequence) }
}
