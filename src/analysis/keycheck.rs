//! Key check: what was asked, what the set saw, and what nobody asked for.

use std::collections::BTreeMap;

use serde::Serialize;

use crate::base::{ControlPath, Event, EventKind, Key, Nanoseconds};
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
/// and the first where that is not known. A press of another key that comes when this hand never presses is no answer.
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
    let answers_on = |path| {
        windows.iter().filter(|(prompt, end)| right(events, *prompt, *end, path).next().is_some()).count()
    };
    let mut paths = [ControlPath::Keypad, ControlPath::Infrared];
    if answers_on(ControlPath::Infrared) > answers_on(ControlPath::Keypad) {
        paths.reverse();
    }
    let hand = Hand::of(&windows, events, paths[0]);
    let mut result = KeyCheck::default();
    let mut table: BTreeMap<(Key, Option<Key>), u64> = BTreeMap::new();
    let mut answers = vec![false; events.len()];
    for (prompt, end) in windows {
        let answer = answer(events, prompt, end, paths, &hand);
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

/// The presses on a path that may answer a prompt. A held key left over from the prompt before is none, and what a peer sends
/// on CEC neither.
fn presses(
    events: &[Event],
    prompt: Prompt,
    end: Nanoseconds,
    path: ControlPath,
) -> impl Iterator<Item = usize> {
    let from = events.partition_point(|event| event.t < prompt.t + REACTION);
    let to = events.partition_point(|event| event.t < end);
    (from..to.max(from)).filter(move |at| {
        let event = &events[*at];
        event.kind == EventKind::Press && event.path == path && event.key.is_some()
    })
}

/// Those of them that are of the key asked for.
fn right(
    events: &[Event],
    prompt: Prompt,
    end: Nanoseconds,
    path: ControlPath,
) -> impl Iterator<Item = usize> {
    presses(events, prompt, end, path).filter(move |at| events[*at].key == Some(prompt.key))
}

/// How long after a prompt this hand presses, by the prompts that one press of the key asked for follows.
struct Hand {
    median: Nanoseconds,
    /// Half the shortest delay and twice the longest, where five are known at least: a rule of our own.
    reach: Option<[Nanoseconds; 2]>,
}

impl Hand {
    fn of(windows: &[(Prompt, Nanoseconds)], events: &[Event], path: ControlPath) -> Self {
        let mut delays: Vec<Nanoseconds> = windows
            .iter()
            .filter_map(|(prompt, end)| {
                let mut right = right(events, *prompt, *end, path);
                let only = right.next()?;
                right.next().is_none().then(|| events[only].t - prompt.t)
            })
            .collect();
        delays.sort_unstable();
        let reach = match delays.as_slice() {
            [first, .., last] if delays.len() >= 5 => {
                Some([Nanoseconds(first.0 / 2), Nanoseconds(last.0 * 2)])
            }
            _ => None,
        };
        Self { median: delays.get(delays.len() / 2).copied().unwrap_or_default(), reach }
    }

    fn may_come(&self, delay: Nanoseconds) -> bool {
        self.reach.is_none_or(|[from, to]| (from..=to).contains(&delay))
    }
}

fn answer(
    events: &[Event],
    prompt: Prompt,
    end: Nanoseconds,
    paths: [ControlPath; 2],
    hand: &Hand,
) -> Option<usize> {
    let delay = |at: &usize| events[*at].t - prompt.t;
    let unlike = |at: &usize| (delay(at) - hand.median).0.abs();
    let right = |path| right(events, prompt, end, path).min_by_key(unlike);
    let any =
        |path| presses(events, prompt, end, path).filter(|at| hand.may_come(delay(at))).min_by_key(unlike);
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
