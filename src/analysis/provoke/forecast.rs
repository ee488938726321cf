//! What a plan can show, before it begins.

use crate::analysis::provoke::inference::Walk;
use crate::analysis::provoke::plan::{MOST_ROUNDS, MOST_STRESSORS, PlanError, Slot, Timing};
use crate::analysis::provoke::table::{Direction, Kind, Table};
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
/// More rounds than this gain next to nothing.
const ENOUGH: u32 = 40;
/// Slots of this many wash-outs found nearly the smallest effects of steady faults, and as short a slot as that finds more of a
/// fault that is on for minutes only.
const WASH_OUTS: i64 = 4;
/// A fault in spells: on for two minutes and off for six on average, seconds. An example, no law.
const SPELLS_S: (f64, f64) = (120.0, 360.0);
/// A slow effect has this many wash-outs as its time constant.
const SLOW: f64 = 2.0;

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
    /// Share of plans that find that effect where the fault comes in spells: on for two minutes, off for six.
    pub in_spells: f64,
    /// Share of plans that find it where it takes twice the wash-out to build up and to fade.
    pub slow: f64,
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
    let trials = Trials { stressors, rounds, slot, mean, alpha: wish.alpha, seed };
    let effect = if shows(rounds) { trials.smallest_effect() } else { None };
    let share = |world: World| effect.map_or(0.0, |effect| trials.power(effect, world));
    Ok(Forecast {
        slot,
        rounds,
        smallest_p: smallest_p(stressors, rounds, Direction::More),
        least: Nanoseconds(shortest.length().0.saturating_mul(labels * i64::from(needed))),
        effect,
        in_spells: share(World::Spells),
        slow: share(World::Slow),
    })
}

/// Simulated plans of one shape; `mean` is the count in a slot without effect.
struct Trials {
    stressors: usize,
    rounds: u32,
    slot: Slot,
    mean: f64,
    alpha: f64,
    seed: u64,
}

/// How a fault and an effect may be.
#[derive(Clone, Copy, Debug, PartialEq)]
enum World {
    /// The fault comes at a steady rate; the effect is there at once.
    Steady,
    Spells,
    Slow,
}

impl Trials {
    /// Bisects the factor, with the same random numbers for each.
    fn smallest_effect(&self) -> Option<f64> {
        if self.power(LARGEST, World::Steady) < POWER {
            return None;
        }
        let (mut low, mut high) = (1.0f64, LARGEST);
        while high / low > 1.04 {
            let middle = (low * high).sqrt();
            if self.power(middle, World::Steady) < POWER { low = middle } else { high = middle }
        }
        Some(high)
    }

    /// Share of trials in which the first stressor is found.
    #[allow(clippy::cast_precision_loss)]
    fn power(&self, factor: f64, world: World) -> f64 {
        let found = (0..TRIALS)
            .filter(|trial| self.finds(factor, world, self.seed ^ u64::from(*trial) << 20))
            .count();
        found as f64 / f64::from(TRIALS)
    }

    fn finds(&self, factor: f64, world: World, seed: u64) -> bool {
        let mut random = Random::new(seed);
        let mut other = Random::new(!seed);
        let (mut on, mut reached) = (world != World::Spells || other.unit() < spells_on(), 0.0);
        let rows = (0..self.rounds)
            .map(|_| {
                // A stream for each number, so that it rises with the factor.
                let mut number = |mean| poisson(&mut Random::new(random.bits()), mean);
                let mut order: Vec<usize> = (0..=self.stressors).collect();
                if world != World::Steady {
                    other.shuffle(&mut order);
                }
                let mut row = vec![0.0; order.len()];
                for label in order {
                    let acts = f64::from(u8::from(label == 1));
                    let (rate, exposed) = match world {
                        World::Steady => (self.mean, acts),
                        World::Spells => {
                            let dwells = if on { SPELLS_S.0 } else { SPELLS_S.1 };
                            on ^= other.unit() < 1.0 - (-self.slot.length().seconds() / dwells).exp();
                            (if on { self.mean / spells_on() } else { 0.0 }, acts)
                        }
                        World::Slow => (self.mean, self.exposed(acts, &mut reached)),
                    };
                    row[label] = number(rate * factor.powf(exposed));
                }
                row
            })
            .collect();
        let Ok(table) = Table::new(self.stressors, rows) else { return false };
        let kinds = [Kind::counts(vec![table])];
        let walk = Walk { kinds: &kinds, looks: None, seed, listed: DRAWS, draws: DRAWS };
        let rejects =
            |columns: &[usize]| walk.walk(columns).first().is_some_and(|outcome| outcome.p <= self.alpha);
        // Of the sets that hold the first stressor the smallest and the largest; those between rarely decide.
        let all: Vec<usize> = (0..=self.stressors).collect();
        rejects(&all[..2]) && (self.stressors == 1 || rejects(&all))
    }

    /// Mean part of a slow effect in the part of a slot that counts; `reached` is how far it has come.
    fn exposed(&self, to: f64, reached: &mut f64) -> f64 {
        let tau = SLOW * self.slot.wash_out.seconds().max(1e-3);
        let left = |after: Nanoseconds| (-after.seconds() / tau).exp();
        let (wash_out, end) = (left(self.slot.wash_out), left(self.slot.length()));
        let mean = to + (*reached - to) * tau / self.slot.counted.seconds() * (wash_out - end);
        *reached = to + (*reached - to) * end;
        mean
    }
}

/// Share of the time that is in spells.
fn spells_on() -> f64 {
    SPELLS_S.0 / (SPELLS_S.0 + SPELLS_S.1)
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
