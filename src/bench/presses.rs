//! Misread presses of the key checks, before a step and after it: what a soak cannot show, a key check can.

use serde::Serialize;

use crate::analysis::compare::Verdict;
use crate::analysis::keycheck::{Confusion, check};
use crate::analysis::presses::{Change, Prompts, boschloo, prompts_for_power, prompts_needed};
use crate::base::words::{chance, plural};
use crate::base::{Key, Result};
use crate::bench::condition::{self, Condition};
use crate::bench::load::{Loaded, StageSeen};

/// A difference that comes by luck less often than this is one.
const LEVEL: f64 = 0.05;
/// Prompts beyond these tell no more than their share: the exact test grows with their square.
const MOST: u32 = 120;

/// Prompts of one key before and after.
#[derive(Clone, Debug, PartialEq, Serialize, schemars::JsonSchema)]
pub struct KeyChange {
    /// Which key was asked for.
    pub key: Key,
    /// Prompts before.
    pub given_before: u32,
    /// Of these, misread or unanswered.
    pub misread_before: u32,
    /// Prompts after.
    pub given_after: u32,
    /// Of these, misread or unanswered.
    pub misread_after: u32,
    /// Chance of so much fewer, or so much more, by luck: the smaller of the two, exact.
    pub chance: f64,
}

/// The key checks of two stages.
#[derive(Clone, Debug, PartialEq, Serialize, schemars::JsonSchema)]
pub struct KeyChecks {
    /// Stage of the key check before.
    pub before_stage: usize,
    /// What came for what, before.
    pub before: Vec<Confusion>,
    /// The same after.
    pub after: Vec<Confusion>,
    /// Key by key, those asked for in both.
    pub keys: Vec<KeyChange>,
    /// Chance of the change of all of them together by luck.
    pub chance: f64,
    /// What all of them together say: `gone` where none is misread any more, beyond luck.
    pub verdict: Verdict,
    /// Right answers in all after the step that would show it, where too few were asked for.
    pub prompts_needed: Option<u32>,
    /// In a sentence.
    pub sentence: String,
}

fn of(table: &[Confusion], key: Key) -> Prompts {
    let own = || table.iter().filter(|row| row.asked == key);
    let sum = |count: u64| u32::try_from(count).unwrap_or(u32::MAX);
    Prompts {
        given: sum(own().map(|row| row.count).sum()),
        misread: sum(own().filter(|row| row.seen != Some(key)).map(|row| row.count).sum()),
    }
}

/// Of many prompts a share that the exact test bears.
fn bearable(prompts: Prompts) -> Prompts {
    if prompts.given <= MOST {
        return prompts;
    }
    let misread = u64::from(prompts.misread) * u64::from(MOST) / u64::from(prompts.given);
    Prompts { given: MOST, misread: u32::try_from(misread).unwrap_or(MOST) }
}

fn luck(before: Prompts, after: Prompts) -> f64 {
    let (before, after) = (bearable(before), bearable(after));
    boschloo(before, after, Change::Fewer).min(boschloo(before, after, Change::More))
}

impl KeyChecks {
    /// Two tables of what came for what; `None` where no key was asked for in both.
    pub fn compare(before_stage: usize, before: Vec<Confusion>, after: Vec<Confusion>) -> Option<Self> {
        let mut asked: Vec<Key> = before.iter().map(|row| row.asked).collect();
        asked.dedup();
        asked.retain(|key| after.iter().any(|row| row.asked == *key));
        let sides = |key: &Key| (of(&before, *key), of(&after, *key));
        let keys: Vec<KeyChange> = asked
            .iter()
            .map(|key| {
                let (one, two) = sides(key);
                KeyChange {
                    key: *key,
                    given_before: one.given,
                    misread_before: one.misread,
                    given_after: two.given,
                    misread_after: two.misread,
                    chance: luck(one, two),
                }
            })
            .collect();
        let sum = |sides: &[Prompts]| Prompts {
            given: sides.iter().map(|side| side.given).sum(),
            misread: sides.iter().map(|side| side.misread).sum(),
        };
        let (one, two): (Vec<Prompts>, Vec<Prompts>) = asked.iter().map(sides).unzip();
        let (one, two) = (sum(&one), sum(&two));
        if one.given == 0 || two.given == 0 {
            return None;
        }
        let chance = luck(one, two);
        let fewer =
            f64::from(two.misread) * f64::from(one.given) < f64::from(one.misread) * f64::from(two.given);
        let verdict = match (chance <= LEVEL, fewer) {
            (true, true) if two.misread == 0 => Verdict::Gone,
            (true, true) => Verdict::Reduced,
            (true, false) => Verdict::Worse,
            (false, _) => Verdict::Undecided,
        };
        let open = verdict == Verdict::Undecided && two.misread == 0;
        let prompts_needed = if open { prompts_needed(bearable(one), LEVEL) } else { None };
        let mut found = Self {
            before_stage,
            before,
            after,
            keys,
            chance,
            verdict,
            prompts_needed,
            sentence: String::new(),
        };
        found.sentence = found.words(one, two);
        Some(found)
    }

    fn words(&self, one: Prompts, two: Prompts) -> String {
        let counts = format!(
            "Key checks: {} of {} presses misread before, {} of {} after",
            one.misread, one.given, two.misread, two.given
        );
        let luck = chance(self.chance);
        match self.verdict {
            Verdict::Gone => format!("{counts}: they are read right again. Could be luck: {luck}."),
            Verdict::Reduced => format!("{counts}: fewer, but not none. Could be luck: {luck}."),
            Verdict::Worse => format!("{counts}: more than before. Could be luck: {luck}."),
            _ if one.misread == 0 && two.misread == 0 => format!("{counts}: no press was misread."),
            _ => match self.prompts_needed {
                Some(needed) if needed > two.given => {
                    let more = plural(u64::from(needed - two.given), "more right answer");
                    format!("{counts}: too few to tell; {more} would show it.")
                }
                _ => {
                    let share = f64::from(one.misread.max(two.misread)) / f64::from(one.given.max(1));
                    let each = prompts_for_power(share.min(1.0), 0.0, LEVEL, 0.8);
                    let ask = each.map_or_else(
                        || "too few misread presses to tell".to_owned(),
                        |each| {
                            format!("cannot tell yet; {each} prompts a key before and after would show it")
                        },
                    );
                    format!("{counts}: {ask}.")
                }
            },
        }
    }
}

/// What came for what in the key checks of a stage; empty without any.
fn table(loaded: &Loaded, stage: &StageSeen) -> Result<Vec<Confusion>> {
    let mut counts: std::collections::BTreeMap<(Key, Option<Key>), u64> = std::collections::BTreeMap::new();
    // The signs of life of a soak are no key check.
    let checks = stage.captures.iter().filter(|capture| capture.hands == crate::timeline::job::Hands::On);
    for capture in checks.filter(|capture| !capture.prompts.is_empty()) {
        let mut events = Vec::new();
        loaded.acts(capture, &mut |event| {
            events.push(event);
            Ok(())
        })?;
        for row in check(&capture.prompts, &events).table {
            *counts.entry((row.asked, row.seen)).or_default() += row.count;
        }
    }
    Ok(counts.into_iter().map(|((asked, seen), count)| Confusion { asked, seen, count }).collect())
}

/// The key checks of two stages (numbers from 1); `None` where one has none, or no key was asked for in both.
///
/// # Errors
/// `System` when the disk fails.
pub fn key_checks_of(loaded: &Loaded, before: usize, after: usize) -> Result<Option<KeyChecks>> {
    let stages = loaded.stages()?;
    let table_of = |number: usize| {
        stages
            .iter()
            .find(|stage| stage.number == number)
            .map_or(Ok(Vec::new()), |stage| table(loaded, stage))
    };
    Ok(KeyChecks::compare(before, table_of(before)?, table_of(after)?))
}

/// For each stage its key checks against those of the last stage of like condition that holds any.
///
/// # Errors
/// `System` when the disk fails.
pub(super) fn key_checks(
    loaded: &Loaded,
    stages: &[StageSeen],
    conditions: &[Condition],
) -> Result<Vec<Option<KeyChecks>>> {
    let tables: Vec<Vec<Confusion>> =
        stages.iter().map(|stage| table(loaded, stage)).collect::<Result<_>>()?;
    let checked: Vec<bool> = tables.iter().map(|table| !table.is_empty()).collect();
    let of = |number: usize| {
        let own = tables.get(number).filter(|own| !own.is_empty())?;
        let before = condition::reference(conditions, &checked, number)?;
        let stage = stages.get(before)?;
        KeyChecks::compare(stage.number, tables.get(before)?.clone(), own.clone())
    };
    Ok((0..stages.len()).map(of).collect())
}
