//! What was measured: one number for each label of each round that counts.

/// Which effect is looked for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Direction {
    /// More under the stressor: episodes, excursions.
    More,
    /// Higher or lower: a resting level.
    Either,
}

/// One kind of number, seen in one way or in several: under each order the test takes the way that shows most.
#[derive(Clone, Debug, PartialEq)]
pub struct Kind {
    /// Tables of the same rounds.
    pub views: Vec<Table>,
    /// Which effect is looked for, in all of them.
    pub direction: Direction,
}

impl Kind {
    /// Counts, as ln(1 + n): of a burst that counts many times each further event says less. Under steady rates nothing is
    /// lost by it.
    ///
    /// # Source
    /// Bartlett 1947, Biometrics 3:39 (a logarithm where the spread grows with the mean, one added for counts of zero). What
    /// it gains: `examples/provoke.md`.
    pub fn counts(views: Vec<Table>) -> Self {
        let logs = |table: Table| Table {
            rows: table.rows.iter().map(|row| row.iter().map(|n| n.max(0.0).ln_1p()).collect()).collect(),
            ..table
        };
        Self { views: views.into_iter().map(logs).collect(), direction: Direction::More }
    }

    /// A level.
    pub fn level(table: Table) -> Self {
        Self { views: vec![table], direction: Direction::Either }
    }
}

/// Why there is no such table.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum TableError {
    /// This row, from 0, has not one number for each label.
    Width(usize),
    /// A number of this row is not finite.
    NotFinite(usize),
    /// No stressor.
    NoStressor,
}

/// Rows are rounds; column 0 is leave alone, column `j` the stressor `j - 1`. Within a round the test permutes the labels,
/// so the order of time is not needed here.
#[derive(Clone, Debug, PartialEq)]
pub struct Table {
    width: usize,
    rows: Vec<Vec<f64>>,
}

impl Table {
    /// A table for so many stressors; no row is fine.
    ///
    /// # Errors
    /// `NoStressor`, `Width` or `NotFinite`.
    pub fn new(stressors: usize, rows: Vec<Vec<f64>>) -> Result<Self, TableError> {
        if stressors == 0 {
            return Err(TableError::NoStressor);
        }
        for (number, row) in rows.iter().enumerate() {
            if row.len() != stressors + 1 {
                return Err(TableError::Width(number));
            }
            if row.iter().any(|value| !value.is_finite()) {
                return Err(TableError::NotFinite(number));
            }
        }
        Ok(Self { width: stressors + 1, rows })
    }

    /// A table without a row.
    pub fn none(stressors: usize) -> Self {
        Self { width: stressors + 1, rows: Vec::new() }
    }

    /// How many stressors.
    pub fn stressors(&self) -> usize {
        self.width - 1
    }

    /// Rounds, each with its numbers by label.
    pub fn rows(&self) -> &[Vec<f64>] {
        &self.rows
    }

    /// Numbers of leave alone and of one stressor (from 0), round by round; none if there is no such stressor.
    pub fn pairs(&self, stressor: usize) -> Vec<(f64, f64)> {
        self.rows.iter().filter_map(|row| Some((*row.first()?, *row.get(stressor + 1)?))).collect()
    }
}
