//! Channels by the names that a user gives them.

use crate::base::{Error, Result};
use crate::source::Channel;

/// Most channels that a message names.
pub(super) const MOST_NAMES: usize = 12;
/// So many are named where the name that was given is none of them.
const NEAREST: usize = 5;
/// Longest name, in letters, that is compared.
const LONGEST_NAME: usize = 64;

/// The names of the channels, the first of them where there are many.
pub(super) fn names(channels: &[Channel]) -> String {
    let list: Vec<&str> = channels.iter().take(MOST_NAMES).map(|channel| channel.name.as_str()).collect();
    let more = channels.len() - list.len();
    if more == 0 { list.join(", ") } else { format!("{} and {more} more", list.join(", ")) }
}

/// Which channels a wrong name may have meant.
pub(super) fn nearest(channels: &[Channel], name: &str) -> String {
    if channels.len() <= MOST_NAMES {
        return format!("the channels are {}", names(channels));
    }
    let wanted = name.trim().to_lowercase();
    let mut near: Vec<(usize, &str)> = channels
        .iter()
        .map(|channel| {
            let known = channel.name.to_lowercase();
            // A dump names its signals with their scopes.
            let last = known.rsplit('.').next().unwrap_or_default();
            (distance(&wanted, last).min(distance(&wanted, &known)), channel.name.as_str())
        })
        .collect();
    near.sort_by_key(|(far, _)| *far);
    let list: Vec<&str> = near.iter().take(NEAREST).map(|(_, name)| *name).collect();
    format!("the nearest of its {} channels are {}", channels.len(), list.join(", "))
}

/// Letters to change, add or take away to make one name of the other, capital letters being no difference.
///
/// # Source
/// Levenshtein 1966, "Binary codes capable of correcting deletions, insertions and reversals", by the common
/// row-by-row method; from memory.
fn distance(a: &str, b: &str) -> usize {
    let b: Vec<char> = b.chars().take(LONGEST_NAME).collect();
    let mut row: Vec<usize> = (0..=b.len()).collect();
    for (i, x) in a.chars().take(LONGEST_NAME).enumerate() {
        let mut diagonal = i;
        if let Some(first) = row.first_mut() {
            *first = i + 1;
        }
        for (k, y) in b.iter().enumerate() {
            let above = row.get(k + 1).copied().unwrap_or_default();
            let left = row.get(k).copied().unwrap_or_default();
            let best = (above + 1).min(left + 1).min(diagonal + usize::from(x != *y));
            diagonal = above;
            if let Some(cell) = row.get_mut(k + 1) {
                *cell = best;
            }
        }
    }
    row.last().copied().unwrap_or_default()
}

/// The channel of this name. `None` where there is none.
///
/// # Errors
/// `Usage` where several have the name.
pub(super) fn find(channels: &[Channel], name: &str) -> Option<Result<usize>> {
    let wanted = name.trim();
    let exact = |channel: &Channel| channel.name == name;
    let same = |channel: &Channel| channel.name.trim().eq_ignore_ascii_case(wanted);
    // A dump names its signals with their scopes; the last part is enough where only one has it.
    let last = |channel: &Channel| {
        channel.name.rsplit('.').next().is_some_and(|last| last.eq_ignore_ascii_case(wanted))
    };
    let ways: [&dyn Fn(&Channel) -> bool; 3] = [&exact, &same, &last];
    for way in ways {
        let found: Vec<usize> =
            channels.iter().enumerate().filter(|(_, channel)| way(channel)).map(|(index, _)| index).collect();
        match found.as_slice() {
            [] => {}
            [one] => return Some(Ok(*one)),
            many => {
                let list: Vec<String> = many
                    .iter()
                    .take(MOST_NAMES)
                    .map(|index| match channels.get(*index) {
                        Some(channel) if channel.name != name => channel.name.clone(),
                        _ => index.to_string(),
                    })
                    .collect();
                return Some(Err(Error::usage(format!("{} channels are called \"{name}\"", many.len()))
                    .help(format!(
                        "name one by its number, counted from 0 without the time column, or in full: {}",
                        list.join(", ")
                    ))));
            }
        }
    }
    name.parse().ok().filter(|index| *index < channels.len()).map(Ok)
}
