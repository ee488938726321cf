//! How well lines of known origin are grouped. Asserts nothing.

use std::collections::{BTreeMap, BTreeSet};
use std::path::PathBuf;

use straykey::learn::{Line, Miner, Prefix};

/// One line of the table: program, true statement, drain3's group, the same with masks, text.
pub(crate) struct Row {
    pub(crate) program: usize,
    pub(crate) truth: usize,
    pub(crate) plain: usize,
    pub(crate) masked: usize,
    pub(crate) text: String,
}

/// A table from the folder of fresh ones, or else from `otherwise`, a folder of the project.
pub(crate) fn rows(name: &str, otherwise: &str) -> Vec<Row> {
    let folder = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join(otherwise);
    let path = std::env::var_os("STRAYKEY_REFERENCE").map_or(folder, PathBuf::from).join(name);
    let text = std::fs::read_to_string(&path)
        .unwrap_or_else(|error| panic!("{}: {error}; `bash tests/run` makes it", path.display()));
    let row = |line: &str| {
        let mut cells = line.splitn(5, ',');
        let mut number = || cells.next().unwrap().parse().unwrap();
        let (program, truth, plain, masked) = (number(), number(), number(), number());
        Row { program, truth, plain, masked, text: cells.next().unwrap().to_owned() }
    };
    text.lines().filter(|line| !line.starts_with('#')).map(row).collect()
}

/// Grouping accuracy: a line is right if the lines of its group are exactly those of a true group.
///
/// Source: Zhu, He, Liu, He, Xie, Zheng, Lyu (2019), "Tools and benchmarks for automated log parsing", ICSE-SEIP.
/// The second number is FGA, the harmonic mean of exactly met groups over those found and over those there are:
/// Jiang et al. (2024), "A large-scale evaluation for log parsing techniques", ISSTA.
pub(crate) fn accuracy(truth: &[usize], found: &[usize]) -> (f64, f64) {
    let sets = |labels: &[usize]| {
        let mut sets: BTreeMap<usize, Vec<usize>> = BTreeMap::new();
        labels.iter().enumerate().for_each(|(line, label)| sets.entry(*label).or_default().push(line));
        sets.into_values().collect::<BTreeSet<Vec<usize>>>()
    };
    let (there, made) = (sets(truth), sets(found));
    let met: Vec<&Vec<usize>> = there.intersection(&made).collect();
    let lines: usize = met.iter().map(|set| set.len()).sum();
    (lines as f64 / truth.len() as f64, 2.0 * met.len() as f64 / (there.len() + made.len()) as f64)
}

/// Our groups of some lines, as the product makes them: without the stamp where there is one.
pub(crate) fn ours(lines: &[&str]) -> Vec<usize> {
    let sample: Vec<Line<'_>> = lines.iter().map(|line| (None, line.as_bytes())).collect();
    let prefix = Prefix::find(&sample, None);
    let mut miner = Miner::new();
    let groups: Vec<_> = lines
        .iter()
        .map(|line| {
            let line = line.as_bytes();
            miner.push(prefix.as_ref().and_then(|prefix| prefix.strip(line)).map_or(line, |(_, rest)| rest))
        })
        .collect();
    let (_, places) = miner.settled();
    groups.into_iter().map(|group| places[group.unwrap() as usize]).collect()
}

/// Prints the statements that were not met exactly.
pub(crate) fn show(truth: &[usize], found: &[usize], lines: &[&str]) {
    let statements: BTreeSet<usize> = truth.iter().copied().collect();
    for statement in statements {
        let inside: Vec<usize> = (0..truth.len()).filter(|i| truth[*i] == statement).collect();
        let groups: BTreeSet<usize> = inside.iter().map(|i| found[*i]).collect();
        let strangers =
            (0..truth.len()).filter(|i| groups.contains(&found[*i]) && truth[*i] != statement).count();
        if groups.len() > 1 || strangers > 0 {
            println!("   {} groups, {strangers} strangers: {}", groups.len(), lines[inside[0]]);
        }
    }
}
