//! What a plan can show, before it begins.

use crate::analysis::provoke::inference::Walk;
use crate::analysis::provoke::plan::{MOST_ROUNDS, MOST_STRESSORS, PlanError, Slot, Timing};
use crate::analysis::provoke::table::{Direction, Table};
use crate::analysis::random::Random;
use crate::base::Nanoseconds;

/// Trials for each effect that is tried; the share that finds it is known to ±2 %.
const TRIALS: u32 = 300;
/// Orders drawn in each of them.
const DRAWS: usize = 1000;
/// The wanted share.
const POWER: f64 = 0.8;
/// Effects above this are as good as none.
const LARGEST: f64 = 1000.0;

/// As many rounds are wanted as find an effect, a level's too, at a fifth of the error (1 % in place of 5 %); fewer only where
/// the time does not hold them.
const BETTER: f64 = 5.0;
/// More rounds than this gain nothing.
const ENOUGH: u32 = 20;
/// Slots of this many wash-outs found the smallest effects, or one a tenth larger, in 15 and 30 minutes with wash-outs of 0 to
/// 60 s, one stressor and three, 0.1 and 1 event a minute.
const WASH_OUTS: i64 = 5;

/// What the technician has and wants.
#[derive(Clone, Copy, Debug)]
pub struct Wish<'a> {
    /// What each stressor needs, one to six.
    pub stressors: &'a [Timing],
    /// Time for all of it, wash-outs too.
    pub time: Nanoseconds,
    /// Events a minute that come by themselves: episodes or excursions, whichever will be judged.
    pub per_minute: f64,
    /// Error for all stressors together.
    pub alpha: f64,
}

/// What a plan of that time can show.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Forecast {
    /// Shape of each slot.
    pub slot: Slot,
    /// Rounds; none if the time does not hold one.
    pub rounds: u32,
    /// Smallest adjusted p that any counts could give. Above `alpha` the plan can show nothing.
    pub smallest_p: f64,
    /// Shortest time in which something could be shown at all, with the shortest slots.
    pub least: Nanoseconds,
    /// Factor on the rate that 80 % of such plans find, of one stressor beside idle others, with events that come
    /// independently of each other; to about a tenth. `None` if the plan can show nothing, or only more than a thousandfold.
    pub effect: Option<f64>,
}

/// Smallest adjusted p value of this many rounds.
///
/// # Formula
/// A set of s stressors: s of its (s + 1)^rounds equally likely ways to give the best numbers of all rounds to one label
/// give them to a stressor; for `Either` with s = 1 the mirrored order counts too. The adjusted p is the largest over
/// sets of the plan's stressors.
#[allow(clippy::cast_precision_loss)]
pub fn smallest_p(stressors: usize, rounds: u32, direction: Direction) -> f64 {
    (1..=stressors.max(1))
        .map(|s| {
            let ways = if s == 1 && direction == Direction::Either { 2.0 } else { s as f64 };
            (ways * (s as f64 + 1.0).powf(-f64::from(rounds))).min(1.0)
        })
        .fold(0.0, f64::max)
}

/// What a plan of this time is, and what it can show when its counts are judged once, at the end.
///
/// # Errors
/// `Stressors` or `Slot`, if the wish has none or too many, or nothing to count.
pub fn forecast(wish: &Wish<'_>, seed: u64) -> Result<Forecast, PlanError> {
    let stressors = wish.stressors.len();
    if stressors == 0 || stressors > MOST_STRESSORS {
        return Err(PlanError::Stressors(stressors));
    }
    let shortest = Slot::shortest(wish.stressors);
    if shortest.counted <= Nanoseconds::ZERO || shortest.wash_out < Nanoseconds::ZERO {
        return Err(PlanError::Slot(shortest));
    }
    let labels = i64::try_from(stressors).unwrap_or(i64::MAX - 1) + 1;
    let holds =
        |slot: i64| u32::try_from(wish.time.0 / labels.saturating_mul(slot)).unwrap_or(0).min(MOST_ROUNDS);
    let shows = |rounds: u32| smallest_p(stressors, rounds, Direction::More) <= wish.alpha;
    let needed = (1..=MOST_ROUNDS).find(|rounds| shows(*rounds)).unwrap_or(MOST_ROUNDS);
    let finds = |rounds: u32| smallest_p(stressors, rounds, Direction::Either) <= wish.alpha / BETTER;
    let wanted = (needed..=MOST_ROUNDS).find(|rounds| finds(*rounds)).unwrap_or(MOST_ROUNDS);
    let most = holds(shortest.length().0);
    let good = holds(shortest.length().0.max(shortest.wash_out.0.saturating_mul(WASH_OUTS)));
    let rounds = good.min(ENOUGH).max(wanted).min(most);
    let length = Nanoseconds(wish.time.0 / (labels * i64::from(rounds.max(1))));
    let slot = Slot { counted: (length - shortest.wash_out).max(shortest.counted), ..shortest };
    let mean = wish.per_minute * slot.counted.seconds() / 60.0;
    let trials = Trials { stressors, rounds, mean, alpha: wish.alpha, seed };
    Ok(Forecast {
        slot,
        rounds,
        smallest_p: smallest_p(stressors, rounds, Direction::More),
        least: Nanoseconds(shortest.length().0.saturating_mul(labels * i64::from(needed))),
        effect: if shows(rounds) { trials.smallest_effect() } else { None },
    })
}

/// Simulated plans of one shape; `mean` is the count in a slot without effect.
struct Trials {
    stressors: usize,
    rounds: u32,
    mean: f64,
    alpha: f64,
    seed: u64,
}

impl Trials {
    /// Bisects the factor, with the same random numbers for each.
    fn smallest_effect(&self) -> Option<f64> {
        if self.power(LARGEST) < POWER {
            return None;
        }
        let (mut low, mut high) = (1.0f64, LARGEST);
        while high / low > 1.04 {
            let middle = (low * high).sqrt();
            if self.power(middle) < POWER { low = middle } else { high = middle }
        }
        Some(high)
    }

    /// Share of trials in which the first stressor is found.
    #[allow(clippy::cast_precision_loss)]
    fn power(&self, factor: f64) -> f64 {
        let found =
            (0..TRIALS).filter(|trial| self.finds(factor, self.seed ^ u64::from(*trial) << 20)).count();
        found as f64 / f64::from(TRIALS)
    }

    fn finds(&self, factor: f64, seed: u64) -> bool {
        let mut random = Random::new(seed);
        let rows = (0..self.rounds)
            .map(|_| {
                // A stream for each number, so that it rises with the factor.
                let mut number = |mean| poisson(&mut Random::new(random.bits()), mean);
                (0..=self.stressors)
                    .map(|label| number(if label == 1 { factor * self.mean } else { self.mean }))
                    .collect()
            })
            .collect();
        let Ok(table) = Table::new(self.stressors, rows) else { return false };
        let kinds = [(&table, Direction::More)];
        let walk = Walk { kinds: &kinds, looks: None, seed, listed: DRAWS, draws: DRAWS };
        let rejects =
            |columns: &[usize]| walk.walk(columns).first().is_some_and(|outcome| outcome.p <= self.alpha);
        // Of the sets that hold the first stressor the smallest and the largest; those between rarely decide.
        let all: Vec<usize> = (0..=self.stressors).collect();
        rejects(&all[..2]) && (self.stressors == 1 || rejects(&all))
    }
}

/// Arrivals before the mean has passed.
fn poisson(random: &mut Random, mean: f64) -> f64 {
    let mut count = 0.0;
    let mut at = random.exponential();
    while at < mean {
        count += 1.0;
        at += random.exponential();
    }
    count
}
