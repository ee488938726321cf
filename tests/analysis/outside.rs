//! Tables written by the scripts in `tests/reference` with general-purpose libraries. The folder named by
//! STRAYKEY_REFERENCE holds fresh ones; without it the committed ones are read.

use std::path::PathBuf;

/// Rows of a table, comments left out.
pub(crate) fn table(name: &str) -> Vec<Vec<String>> {
    let committed = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("tests/reference");
    let folder = std::env::var_os("STRAYKEY_REFERENCE").map_or(committed, PathBuf::from);
    let path = folder.join(name);
    let text = std::fs::read_to_string(&path)
        .unwrap_or_else(|error| panic!("{}: {error}; run tests/reference/*.py first", path.display()));
    text.lines()
        .filter(|line| !line.starts_with('#') && !line.is_empty())
        .map(|line| line.split(',').map(str::to_owned).collect())
        .collect()
}

/// The number in a cell.
pub(crate) fn number(row: &[String], cell: usize) -> f64 {
    row[cell].parse().unwrap_or_else(|_| panic!("no number in cell {cell} of {row:?}"))
}

/// Compares to a relative tolerance; zero and infinity must be met exactly.
#[track_caller]
pub(crate) fn close(ours: f64, theirs: f64, relative: f64, what: &str) {
    let same = ours == theirs || (ours / theirs - 1.0).abs() <= relative;
    assert!(same, "{what}: ours {ours:e}, outside {theirs:e}, relative {:e}", ours / theirs - 1.0);
}
