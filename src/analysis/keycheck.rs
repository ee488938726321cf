//! Key check: what was asked, what the set saw, and what nobody asked for.

use std::collections::{BTreeMap, BTreeSet};

use serde::Serialize;

use crate::base::{ControlPath, Event, EventKind, Key, Name, Nanoseconds};
pub use crate::timeline::job::Prompt;

/// How often one key was seen when one was asked for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, schemars::JsonSchema)]
pub struct Confusion {
    /// The key asked for.
    pub asked: Key,
    /// The key seen; null when the set saw none.
    pub seen: Option<Key>,
    /// How often.
    pub count: u64,
}

/// Result of a key check.
#[derive(Clone, Debug, Default, PartialEq, Serialize, schemars::JsonSchema)]
pub struct KeyCheck {
    /// Asked against seen, by key code; only what occurred.
    pub table: Vec<Confusion>,
    /// Prompts answered by the key asked for.
    pub right: u64,
    /// Prompts answered by another key.
    pub wrong: u64,
    /// Prompts without an answer.
    pub missing: u64,
    /// Places in the events of every input that answers no prompt: these are stray.
    pub strays: Vec<usize>,
}

/// An answer comes within this time of its prompt.
const PATIENCE: Nanoseconds = Nanoseconds(10_000_000_000);
/// No hand answers sooner: simple reaction to a light takes about 180 ms at the very least (Luce 1986, Response
/// Times, gives 180 to 220 ms as the mean of trained observers).
const REACTION: Nanoseconds = Nanoseconds::from_millis(120);

/// Judges the events of a key check.
///
/// A prompt is answered by a press of the key asked for, else by any press, from the reaction time after it until the next
/// prompt, ten seconds at most. Of keypad and remote control the one that gave most right answers comes first: a hand
/// answers on one of them, and a stray frame may have the key that is asked for. Of several presses that may be the answer,
/// it is the one that comes as long after its prompt as this hand usually does (median of the prompts with one right press),
/// and the first where that is not known. A press that comes far sooner than this hand presses is no answer, one of another key
/// that comes far later neither, nor one with which a line only falls back to what held it: a fault holds a key, the hand's
/// key moves the level on to another, and as the hand lets go the first one reads as pressed again.
/// Repeats of an answer belong to it. Every other press or repeat on an input path is stray. `prompts` need not be sorted.
pub fn check(prompts: &[Prompt], events: &[Event]) -> KeyCheck {
    let mut prompts = prompts.to_vec();
    prompts.sort_by_key(|prompt| prompt.t);
    let windows: Vec<(Prompt, Nanoseconds)> = prompts
        .iter()
        .enumerate()
        .map(|(number, prompt)| {
            let latest = prompt.t + PATIENCE;
            (*prompt, prompts.get(number + 1).map_or(latest, |next| next.t.min(latest)))
        })
        .collect();
    let presses = Presses::of(events);
    let answers_on = |path| {
        windows.iter().filter(|(prompt, end)| presses.right(*prompt, *end, path).next().is_some()).count()
    };
    let mut paths = [ControlPath::Keypad, ControlPath::Infrared];
    if answers_on(ControlPath::Infrared) > answers_on(ControlPath::Keypad) {
        paths.reverse();
    }
    let hand = Hand::of(&windows, &presses, paths[0]);
    let mut result = KeyCheck::default();
    let mut table: BTreeMap<(Key, Option<Key>), u64> = BTreeMap::new();
    let mut answers = vec![false; events.len()];
    for (prompt, end) in windows {
        let answer = answer(&presses, prompt, end, paths, &hand);
        let seen = answer.and_then(|place| events[place].key);
        if let Some(place) = answer {
            claim(events, &mut answers, place);
        }
        match (answer, seen == Some(prompt.key)) {
            (None, _) => result.missing += 1,
            (_, true) => result.right += 1,
            (_, false) => result.wrong += 1,
        }
        *table.entry((prompt.key, seen)).or_default() += 1;
    }
    result.table = table.into_iter().map(|((asked, seen), count)| Confusion { asked, seen, count }).collect();
    let stray = |place: &usize| events[*place].is_input() && !answers[*place];
    result.strays = (0..events.len()).filter(stray).collect();
    result
}

/// The presses that a hand may have made.
struct Presses<'a> {
    events: &'a [Event],
    /// Places of those with which a line only falls back.
    back: BTreeSet<usize>,
}

impl<'a> Presses<'a> {
    fn of(events: &'a [Event]) -> Self {
        Self { events, back: fallen_back(events) }
    }

    /// Those on a path that may answer a prompt. A held key left over from the prompt before is none, and what a peer sends on
    /// CEC neither.
    fn any(&self, prompt: Prompt, end: Nanoseconds, path: ControlPath) -> impl Iterator<Item = usize> {
        let from = self.events.partition_point(|event| event.t < prompt.t + REACTION);
        let to = self.events.partition_point(|event| event.t < end);
        (from..to.max(from)).filter(move |at| {
            let event = &self.events[*at];
            let pressed = event.kind == EventKind::Press && event.path == path && event.key.is_some();
            pressed && !self.back.contains(at)
        })
    }

    /// Those of them that are of the key asked for.
    fn right(&self, prompt: Prompt, end: Nanoseconds, path: ControlPath) -> impl Iterator<Item = usize> {
        self.any(prompt, end, path).filter(move |at| self.events[*at].key == Some(prompt.key))
    }
}

/// Places of the presses of a key that its line read before and has not been without any key since: one key gives way to the
/// next at one instant, and the last of them to the first. A hand does not press by letting go.
fn fallen_back(events: &[Event]) -> BTreeSet<usize> {
    // Of each line: when its key went up last, and the keys that lie under the one it reads.
    let mut lines: BTreeMap<Option<&Name>, (Option<Nanoseconds>, Vec<Key>)> = BTreeMap::new();
    let mut back = BTreeSet::new();
    for (place, event) in events.iter().enumerate().filter(|(_, event)| event.path == ControlPath::Keypad) {
        let (up, under) = lines.entry(event.line.as_ref()).or_default();
        match (event.kind, event.key) {
            (EventKind::Release, _) => *up = Some(event.t),
            (EventKind::Press, Some(key)) => {
                if *up != Some(event.t) {
                    under.clear();
                }
                match under.iter().position(|held| *held == key) {
                    Some(first) => {
                        back.insert(place);
                        under.truncate(first + 1);
                    }
                    None => under.push(key),
                }
            }
            _ => {}
        }
    }
    back
}

/// How long after a prompt this hand presses, by the prompts that one press of the key asked for follows.
struct Hand {
    median: Nanoseconds,
    /// From 0.4 of the median to twice the longest, where five are known at least: a rule of our own. The shortest may be a
    /// stray's. 0.4 comes from key checks of `examples/place`, seeds 15 and 16: from 0.55 on, answers are taken for strays.
    reach: Option<[Nanoseconds; 2]>,
}

impl Hand {
    fn of(windows: &[(Prompt, Nanoseconds)], presses: &Presses<'_>, path: ControlPath) -> Self {
        let mut delays: Vec<Nanoseconds> = windows
            .iter()
            .filter_map(|(prompt, end)| {
                let mut right = presses.right(*prompt, *end, path);
                let only = right.next()?;
                right.next().is_none().then(|| presses.events[only].t - prompt.t)
            })
            .collect();
        delays.sort_unstable();
        let median = delays.get(delays.len() / 2).copied().unwrap_or_default();
        let longest = delays.last().filter(|_| delays.len() >= 5);
        let reach = longest.map(|longest| [Nanoseconds(median.0 * 2 / 5), Nanoseconds(longest.0 * 2)]);
        Self { median, reach }
    }

    /// Whether a press so long after a prompt may be this hand's. It may take its time for the key asked for.
    fn may_come(&self, delay: Nanoseconds, right: bool) -> bool {
        self.reach.is_none_or(|[from, to]| from <= delay && (right || delay <= to))
    }
}

fn answer(
    presses: &Presses<'_>,
    prompt: Prompt,
    end: Nanoseconds,
    paths: [ControlPath; 2],
    hand: &Hand,
) -> Option<usize> {
    let delay = |at: &usize| presses.events[*at].t - prompt.t;
    let unlike = |at: &usize| (delay(at) - hand.median).0.abs();
    let right = |path| {
        presses.right(prompt, end, path).filter(|at| hand.may_come(delay(at), true)).min_by_key(unlike)
    };
    let any =
        |path| presses.any(prompt, end, path).filter(|at| hand.may_come(delay(at), false)).min_by_key(unlike);
    paths.into_iter().find_map(right).or_else(|| paths.into_iter().find_map(any))
}

/// Marks the press and its repeats until its release or another press on the path.
fn claim(events: &[Event], answers: &mut [bool], place: usize) {
    let press = &events[place];
    answers[place] = true;
    for (later, event) in events.iter().enumerate().skip(place + 1).filter(|(_, e)| e.path == press.path) {
        match event.kind {
            EventKind::Repeat if event.key == press.key => answers[later] = true,
            EventKind::Release | EventKind::Press if event.key == press.key => break,
            EventKind::Press => break,
            _ => {}
        }
    }
}
