//! The condition of the set in each stage: what is off and what was repaired. Like is compared with like.

use std::collections::BTreeSet;

use crate::analysis::locate::{self, TestKind};
use crate::timeline::job::{Step, StepKind};

/// One thing that is true of the set.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
enum Fact {
    /// A part was unplugged, covered or substituted: by the step of this number. The part is empty where the step names none.
    Isolated { part: String, step: usize },
    /// A part was cleaned, tightened or replaced for the nth time.
    Repaired { part: String, nth: usize },
}

/// What is true of the set during a stage. Its age and warmth are no part of it.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(super) struct Condition(BTreeSet<Fact>);

impl Condition {
    /// What is true here and was not there.
    pub(super) fn news(&self, before: &Self) -> Self {
        Self(self.0.difference(&before.0).cloned().collect())
    }

    /// Whether all of this is true here too.
    pub(super) fn holds(&self, facts: &Self) -> bool {
        self.0.is_superset(&facts.0)
    }

    /// Whether any of this is true here too.
    pub(super) fn shares(&self, facts: &Self) -> bool {
        !self.0.is_disjoint(&facts.0)
    }

    /// Whether parts are off, and nothing else is true.
    pub(super) fn only_isolates(&self) -> bool {
        !self.0.is_empty() && self.0.iter().all(|fact| matches!(fact, Fact::Isolated { .. }))
    }

    /// The stage, counted from 0, whose step isolated something that is isolated still; the last one.
    pub(super) fn isolated(&self) -> Option<usize> {
        let by = |fact: &Fact| if let Fact::Isolated { step, .. } = fact { Some(*step) } else { None };
        self.0.iter().filter_map(by).max()
    }

    /// The condition of each stage, from the steps that began them. A measurement changes nothing.
    pub(super) fn of_stages<'a>(steps: impl Iterator<Item = Option<&'a Step>>) -> Vec<Self> {
        let mut facts: Vec<Fact> = Vec::new();
        let mut all = Vec::new();
        for (number, step) in steps.enumerate() {
            if let Some(step) = changing(step) {
                take(&mut facts, step, number);
            }
            all.push(Self(facts.iter().cloned().collect()));
        }
        all
    }
}

fn take(facts: &mut Vec<Fact>, step: &Step, number: usize) {
    let is_off = |fact: &Fact, wanted: &str| matches!(fact, Fact::Isolated { part, .. } if part == wanted);
    // A step that names no part is of a part without a name.
    let unnamed = [String::new()];
    let parts = if step.parts.is_empty() { &unnamed[..] } else { &step.parts };
    for part in parts {
        match step.kind {
            StepKind::Isolate => facts.push(Fact::Isolated { part: part.clone(), step: number }),
            StepKind::Repair => {
                // A part that is repaired is in its place again; without a name it may be another one that is off.
                facts.retain(|fact| part.is_empty() || !is_off(fact, part));
                let before =
                    |fact: &&Fact| matches!(fact, Fact::Repaired { part: known, .. } if known == part);
                let nth = 1 + facts.iter().filter(before).count();
                facts.push(Fact::Repaired { part: part.clone(), nth });
            }
            // Undone is the last isolation of the part, or its repair, or what is off without a name; without a part, the
            // last isolation of all, or else the last repair.
            StepKind::Restore => {
                let any = part.is_empty();
                let off =
                    |fact: &Fact| matches!(fact, Fact::Isolated { part: known, .. } if any || known == part);
                let done = |fact: &Fact| matches!(fact, Fact::Repaired { part: known, .. } if known == part);
                let last = facts.iter().rposition(off).or_else(|| facts.iter().rposition(done));
                if let Some(last) = last.or_else(|| facts.iter().rposition(|fact| is_off(fact, ""))) {
                    facts.remove(last);
                }
            }
        }
    }
}

/// The step, unless it is a measurement: that changes nothing.
pub(super) fn changing(step: Option<&Step>) -> Option<&Step> {
    step.filter(|step| !is_measurement(step))
}

/// Whether a step is a measurement of the fault tree, which needs no soak.
pub(super) fn is_measurement(step: &Step) -> bool {
    let test = || locate::faults().ok().and_then(|tree| tree.recognise(&step.text, &step.parts));
    step.kind == StepKind::Isolate && test().is_some_and(|test| test.kind == TestKind::Measure)
}

/// The stage that stage `of` is compared with: the last one before it in whose condition the set was but for the repair or
/// the isolation that began `of`; where `of` began with putting back what was off, but for what was repaired meanwhile.
/// Where there is none, the last before it. `observed` says in which anything was seen.
pub(super) fn reference(conditions: &[Condition], observed: &[bool], of: usize) -> Option<usize> {
    let earlier = || (0..of).rev().filter(|i| observed.get(*i).copied().unwrap_or(false));
    let own = conditions.get(of)?;
    let news = own.news(conditions.get(of.checked_sub(1)?)?);
    let put_back = news.0.is_empty();
    // What is as it was once before is judged by the stage before it.
    let undone = put_back && earlier().any(|i| conditions.get(i) == Some(own));
    let like = |before: &Condition| match put_back {
        true => {
            own.holds(before) && own.news(before).0.iter().all(|fact| matches!(fact, Fact::Repaired { .. }))
        }
        false => *before == own.news(&news),
    };
    let found = earlier().find(|i| !undone && conditions.get(*i).is_some_and(like));
    found.or_else(|| earlier().next())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn step(kind: StepKind, part: &str) -> Option<Step> {
        let parts = if part.is_empty() { Vec::new() } else { vec![part.to_owned()] };
        Some(Step { text: "step".to_owned(), kind, parts })
    }

    #[test]
    fn like_is_compared_with_like() {
        use StepKind::{Isolate, Repair, Restore};
        let steps = [
            None,
            step(Isolate, "infrared-receiver"), // 1
            step(Restore, "infrared-receiver"), // 2: as 0
            step(Repair, "remote"),             // 3: against 2
            step(Isolate, "key-board"),         // 4: against 3
            step(Isolate, "key-cable"),         // 5: against 4
            step(Repair, "key-cable"),          // 6: the cable is plugged again, the board is not: against 4
            step(Restore, "key-board"),         // 7: all in place; against 3, but for the cable
            step(Repair, "key-cable"),          // 8: a second repair is another one: against 7
        ];
        let conditions = Condition::of_stages(steps.iter().map(Option::as_ref));
        assert_eq!(conditions[0], conditions[2]);
        assert_ne!(conditions[6], conditions[8]);
        let all = [true; 9];
        let compared: Vec<_> = (0..9).map(|of| reference(&conditions, &all, of)).collect();
        assert_eq!(compared, [None, Some(0), Some(1), Some(2), Some(3), Some(4), Some(4), Some(3), Some(7)]);
        assert_eq!(conditions[5].isolated(), Some(5));
        assert_eq!((conditions[6].isolated(), conditions[7].isolated()), (Some(4), None));
        // A stage in which nothing was seen is none to compare with.
        let mut seen = all;
        seen[2] = false;
        assert_eq!(reference(&conditions, &seen, 3), Some(0));
    }

    #[test]
    fn what_is_isolated_without_a_name_stays_so_until_it_is_restored() {
        use StepKind::{Isolate, Repair, Restore};
        let steps = [None, step(Isolate, ""), step(Repair, "key-cable"), step(Restore, "key-board")];
        let conditions = Condition::of_stages(steps.iter().map(Option::as_ref));
        assert_eq!(
            conditions.iter().map(Condition::isolated).collect::<Vec<_>>(),
            [None, Some(1), Some(1), None]
        );
        let text = "millivolts between the grounds measured: clear".to_owned();
        let measured = Step { text, kind: Isolate, parts: Vec::new() };
        let conditions = Condition::of_stages([None, Some(&measured)].into_iter());
        assert_eq!(conditions.last().and_then(Condition::isolated), None);
    }
}
