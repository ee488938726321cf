//! Which lines went and which came between two versions of a list.

use std::collections::HashMap;

/// Pairs of lines up to which every common line is found; beyond, only lines that stand once in each list are matched.
const MOST_PAIRS: usize = 1 << 20;

/// One difference, in the order of the lists.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Change<'a> {
    /// Only the old list has it.
    Went(&'a str),
    /// Only the new list has it.
    Came(&'a str),
}

/// The differences between two lists.
pub(super) fn changes<'a>(old: &'a [String], new: &'a [String]) -> Vec<Change<'a>> {
    let mut found = Vec::new();
    walk(old, new, &mut found);
    found
}

fn walk<'a>(old: &'a [String], new: &'a [String], found: &mut Vec<Change<'a>>) {
    let begin = old.iter().zip(new).take_while(|(a, b)| a == b).count();
    let (old, new) = (old.get(begin..).unwrap_or_default(), new.get(begin..).unwrap_or_default());
    let end = old.iter().rev().zip(new.iter().rev()).take_while(|(a, b)| a == b).count();
    let (old, new) =
        (old.get(..old.len() - end).unwrap_or_default(), new.get(..new.len() - end).unwrap_or_default());
    if old.len().saturating_mul(new.len()) <= MOST_PAIRS {
        return table(old, new, found);
    }
    let anchors = anchors(old, new);
    let (mut a, mut b) = (0, 0);
    for (i, j) in anchors.iter().copied().chain((!anchors.is_empty()).then_some((old.len(), new.len()))) {
        walk(old.get(a..i).unwrap_or_default(), new.get(b..j).unwrap_or_default(), found);
        (a, b) = (i + 1, j + 1);
    }
    if anchors.is_empty() {
        found.extend(old.iter().map(|line| Change::Went(line)));
        found.extend(new.iter().map(|line| Change::Came(line)));
    }
}

/// Longest common subsequence by the table of lengths (Wagner and Fischer, 1974, with unit costs).
fn table<'a>(old: &'a [String], new: &'a [String], found: &mut Vec<Change<'a>>) {
    let width = new.len() + 1;
    // Longest common subsequence of what follows line i of the old list and line j of the new.
    let mut lengths = vec![0u32; (old.len() + 1) * width];
    let at = |i: usize, j: usize| i * width + j;
    for (i, a) in old.iter().enumerate().rev() {
        for (j, b) in new.iter().enumerate().rev() {
            lengths[at(i, j)] = if a == b {
                lengths[at(i + 1, j + 1)] + 1
            } else {
                lengths[at(i + 1, j)].max(lengths[at(i, j + 1)])
            };
        }
    }
    let (mut i, mut j) = (0, 0);
    loop {
        match (old.get(i), new.get(j)) {
            (Some(a), Some(b)) if a == b => (i, j) = (i + 1, j + 1),
            (Some(a), Some(_)) if lengths[at(i + 1, j)] >= lengths[at(i, j + 1)] => {
                found.push(Change::Went(a));
                i += 1;
            }
            (_, Some(b)) => {
                found.push(Change::Came(b));
                j += 1;
            }
            (Some(a), None) => {
                found.push(Change::Went(a));
                i += 1;
            }
            (None, None) => return,
        }
    }
}

/// Places of lines that stand once in each list, as many as are in the same order in both.
fn anchors(old: &[String], new: &[String]) -> Vec<(usize, usize)> {
    let once = |lines: &'_ [String]| {
        let mut places: HashMap<String, Option<usize>> = HashMap::new();
        for (i, line) in lines.iter().enumerate() {
            places.entry(line.clone()).and_modify(|place| *place = None).or_insert(Some(i));
        }
        places
    };
    let there = once(new);
    let mut pairs: Vec<(usize, usize)> =
        once(old).into_iter().filter_map(|(line, i)| Some((i?, (*there.get(&line)?)?))).collect();
    pairs.sort_unstable();
    // Longest row that rises in both: ends of the best rows by length, and what stands before each pair in its row.
    let mut ends: Vec<usize> = Vec::new();
    let mut before: Vec<Option<usize>> = vec![None; pairs.len()];
    for (k, (_, j)) in pairs.iter().enumerate() {
        let length = ends.partition_point(|end| pairs[*end].1 < *j);
        before[k] = length.checked_sub(1).map(|shorter| ends[shorter]);
        if length == ends.len() {
            ends.push(k);
        } else {
            ends[length] = k;
        }
    }
    let mut row: Vec<(usize, usize)> =
        std::iter::successors(ends.last().copied(), |k| before[*k]).map(|k| pairs[k]).collect();
    row.reverse();
    row
}

#[cfg(test)]
mod tests {
    use super::*;

    fn lines(text: &str) -> Vec<String> {
        text.split(' ').filter(|word| !word.is_empty()).map(str::to_owned).collect()
    }

    #[test]
    fn the_least_changes_are_found() {
        let (old, new) = (lines("a b c d e"), lines("a c x d e f"));
        assert_eq!(changes(&old, &new), [Change::Went("b"), Change::Came("x"), Change::Came("f")]);
        assert_eq!(changes(&old, &old), []);
        assert_eq!(changes(&old, &[]).len(), 5);
        assert_eq!(changes(&[], &new).len(), 6);
    }

    #[test]
    fn long_lists_are_matched_by_lines_that_stand_once() {
        let old: Vec<String> = (0..5_000).map(|i| format!("{i}")).collect();
        let mut new = old.clone();
        new.remove(4_000);
        new.insert(1_000, "more".to_owned());
        new[10] = "other".to_owned();
        let found = changes(&old, &new);
        assert_eq!(
            found,
            [Change::Went("10"), Change::Came("other"), Change::Came("more"), Change::Went("4000")]
        );
        let foreign: Vec<String> = (0..5_000).map(|i| format!("-{i}")).collect();
        assert_eq!(changes(&old, &foreign).len(), 10_000);
    }

    #[test]
    fn the_changes_lead_from_the_old_list_to_the_new() {
        let mut state = 7u64;
        for _ in 0..500 {
            let mut list = || -> Vec<String> {
                (0..12)
                    .map(|_| {
                        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
                        format!("{}", (state >> 60) % 5)
                    })
                    .collect()
            };
            let (old, new) = (list(), list());
            // What is removed and what is kept may be the same word, hence only lists and their lengths are compared.
            let found = changes(&old, &new);
            let went = found.iter().filter(|change| matches!(change, Change::Went(_))).count();
            assert_eq!(old.len() - went + (found.len() - went), new.len());
        }
        let (old, new) = (lines("a b c d"), lines("b x d y"));
        let expected = [Change::Went("a"), Change::Went("c"), Change::Came("x"), Change::Came("y")];
        assert_eq!(changes(&old, &new), expected);
    }
}
