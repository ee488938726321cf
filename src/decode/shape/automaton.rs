//! All shapes of a chassis in one automaton: the cost of a line does not grow with their number.
//!
//! A table-driven automaton (dense) where it stays small; where it would not, the same automaton is built
//! as far as the lines need it, in a bounded cache (lazy). Both read each byte of a line once.

use std::collections::{HashMap, HashSet, VecDeque};

use regex_automata::dfa::{Automaton as _, StartKind, dense};
use regex_automata::hybrid::dfa as lazy;
use regex_automata::nfa::thompson;
use regex_automata::util::primitives::StateID;
use regex_automata::util::{start, syntax};
use regex_automata::{Anchored, Input, MatchKind};

/// Largest table of a dense automaton, bytes; beyond it the lazy one is used.
const LARGEST_TABLE: usize = 4 << 20;
/// Largest working memory while a dense automaton is built, bytes.
const LARGEST_BUILD: usize = 16 << 20;
/// Largest compiled set of shapes before any automaton is built, bytes.
const LARGEST_SHAPES: usize = 8 << 20;
/// Most expressions for which a table is tried: its build is what a start of the program waits for.
const MOST_FOR_TABLE: usize = 64;
/// Most states that are walked in search of overlapping shapes.
const MOST_STATES: usize = 200_000;

enum Engine {
    /// Whole-line expressions.
    Table(Box<Table>),
    /// Beginnings of lines.
    Dense(Box<dense::DFA<Vec<u32>>>),
    Lazy(Box<lazy::DFA>),
}

/// A whole-line automaton laid out for short inputs: no start-up, one look-up a byte, the verdict at the end.
struct Table {
    /// Column of each byte.
    column: [u8; 256],
    /// Row offset of the next state, by row offset plus column. Row 0 is the dead state.
    next: Vec<u32>,
    columns: u32,
    begin: u32,
    /// Matching pattern + 1 of each row when the line ends there; 0 for none.
    verdict: Vec<u32>,
}

impl Table {
    /// Lays out a dense automaton whose expressions all end in `\\z`.
    fn from_dense(dense: &dense::DFA<Vec<u32>>) -> Option<Self> {
        let begin = dense.start_state(&start::Config::new().anchored(Anchored::Yes)).ok()?;
        let (column, samples) = columns(dense);
        let columns = u32::try_from(samples.len()).ok()?;
        // Row 0 is dead, so that a line that fits nothing stops early.
        let mut rows: HashMap<StateID, u32> = HashMap::new();
        let mut order = vec![begin];
        rows.insert(begin, columns);
        let mut next = vec![0u32; samples.len()];
        let mut verdict = vec![0u32];
        let mut at = 0;
        while let Some(state) = order.get(at).copied() {
            at += 1;
            let end = dense.next_eoi_state(state);
            let matched = dense.is_match_state(end).then(|| dense.match_pattern(end, 0).as_u32() + 1);
            verdict.push(matched.unwrap_or(0));
            for sample in &samples {
                let to = dense.next_state(state, *sample);
                let row = if dense.is_dead_state(to) {
                    0
                } else {
                    let fresh = u32::try_from(rows.len() + 1).ok()?.checked_mul(columns)?;
                    *rows.entry(to).or_insert_with(|| {
                        order.push(to);
                        fresh
                    })
                };
                next.push(row);
            }
            if next.len() * 4 > LARGEST_TABLE {
                return None;
            }
        }
        Some(Self { column, next, columns, begin: columns, verdict })
    }

    #[inline]
    fn find(&self, line: &[u8]) -> Option<usize> {
        let mut row = self.begin;
        for byte in line {
            let column = self.column.get(usize::from(*byte)).copied().unwrap_or(0);
            row = self.next.get(row as usize + usize::from(column)).copied().unwrap_or(0);
            if row == 0 {
                return None;
            }
        }
        let verdict = self.verdict.get((row / self.columns) as usize).copied().unwrap_or(0);
        (verdict as usize).checked_sub(1)
    }
}

/// Column of each byte, and one byte of each column: bytes that no expression tells apart share one.
fn columns(dense: &dense::DFA<Vec<u32>>) -> ([u8; 256], Vec<u8>) {
    let classes = dense.byte_classes();
    let mut column = [0u8; 256];
    let mut samples: Vec<u8> = Vec::new();
    let mut seen: HashMap<u8, u8> = HashMap::new();
    for byte in 0..=255u8 {
        let fresh = u8::try_from(samples.len()).unwrap_or(u8::MAX);
        let index = *seen.entry(classes.get(byte)).or_insert_with(|| {
            samples.push(byte);
            fresh
        });
        if let Some(slot) = column.get_mut(usize::from(byte)) {
            *slot = index;
        }
    }
    (column, samples)
}

impl std::fmt::Debug for Automaton {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(if self.is_table() { "Automaton(table)" } else { "Automaton(lazy)" })
    }
}

/// Says which of several regular expressions matches; of those that do, the first.
pub struct Automaton {
    engine: Engine,
}

/// Working memory of one user of an [`Automaton`].
#[derive(Debug, Default)]
pub struct Scratch(Option<lazy::Cache>);

/// How several shapes share the lines that they fit.
#[derive(Clone, Debug, Default)]
pub struct Survey {
    /// Pairs that one line can have, each with such a line, shortest first.
    pub overlaps: Vec<Overlap>,
    /// Indexes of those that fit lines and win none: an earlier one fits each of them.
    pub never: Vec<usize>,
}

/// Two shapes that the same line can have.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Overlap {
    /// Index of the one that wins.
    pub winner: usize,
    /// Index of the other.
    pub loser: usize,
    /// A line that has both shapes.
    pub line: Vec<u8>,
}

fn nfa(patterns: &[String]) -> Result<thompson::NFA, String> {
    thompson::Compiler::new()
        .syntax(syntax::Config::new().unicode(false).utf8(false))
        .configure(thompson::Config::new().utf8(false).nfa_size_limit(Some(LARGEST_SHAPES)))
        .build_many(patterns)
        .map_err(|error| error.to_string())
}

fn dense_from(nfa: &thompson::NFA, kind: MatchKind) -> Option<dense::DFA<Vec<u32>>> {
    dense::Builder::new()
        .configure(
            dense::Config::new()
                .start_kind(StartKind::Anchored)
                .match_kind(kind)
                .dfa_size_limit(Some(LARGEST_TABLE))
                .determinize_size_limit(Some(LARGEST_BUILD)),
        )
        .build_from_nfa(nfa)
        .ok()
}

impl Automaton {
    /// Compiles whole-line expressions (from `\A` to `\z`); on a tie the earlier one wins.
    ///
    /// # Errors
    /// In words, when they are too large even for the lazy automaton.
    pub fn whole(patterns: &[String]) -> Result<Self, String> {
        let nfa = nfa(patterns)?;
        if patterns.len() <= MOST_FOR_TABLE
            && let Some(dense) = dense_from(&nfa, MatchKind::LeftmostFirst)
            && let Some(table) = Table::from_dense(&dense)
        {
            return Ok(Self { engine: Engine::Table(Box::new(table)) });
        }
        Self::lazy_from(nfa)
    }

    /// Compiles expressions for the beginning of a line (from `\A`); on a tie the earlier one wins.
    ///
    /// # Errors
    /// As [`Automaton::whole`].
    pub fn beginning(patterns: &[String]) -> Result<Self, String> {
        let nfa = nfa(patterns)?;
        if patterns.len() <= MOST_FOR_TABLE
            && let Some(dense) = dense_from(&nfa, MatchKind::LeftmostFirst)
        {
            return Ok(Self { engine: Engine::Dense(Box::new(dense)) });
        }
        Self::lazy_from(nfa)
    }

    /// Like [`Automaton::whole`], lazy even when the table would be small.
    ///
    /// # Errors
    /// In words, when they are too large.
    pub fn lazy(patterns: &[String]) -> Result<Self, String> {
        Self::lazy_from(nfa(patterns)?)
    }

    fn lazy_from(nfa: thompson::NFA) -> Result<Self, String> {
        let lazy = lazy::Builder::new()
            .configure(lazy::Config::new().match_kind(MatchKind::LeftmostFirst).cache_capacity(LARGEST_TABLE))
            .build_from_nfa(nfa)
            .map_err(|error| error.to_string())?;
        Ok(Self { engine: Engine::Lazy(Box::new(lazy)) })
    }

    /// Whether the automaton is a table.
    pub fn is_table(&self) -> bool {
        !matches!(self.engine, Engine::Lazy(_))
    }

    /// Index of the first expression that matches at the start of `line`.
    #[inline]
    pub fn find(&self, scratch: &mut Scratch, line: &[u8]) -> Option<usize> {
        let input = Input::new(line).anchored(Anchored::Yes);
        let half = match &self.engine {
            Engine::Table(table) => return table.find(line),
            Engine::Dense(dense) => dense.try_search_fwd(&input).ok().flatten(),
            Engine::Lazy(lazy) => {
                let cache = scratch.0.get_or_insert_with(|| lazy.create_cache());
                lazy.try_search_fwd(cache, &input).ok().flatten()
            }
        };
        half.map(|half| half.pattern().as_usize())
    }

    /// Pairs of whole-line expressions that one line can match, each with such a line, shortest first;
    /// `None` when the search would be too large.
    pub fn overlaps(patterns: &[String]) -> Option<Vec<Overlap>> {
        Self::survey(patterns).map(|survey| survey.overlaps)
    }

    /// Walks every line that whole-line expressions can match; `None` when the search would be too large.
    pub fn survey(patterns: &[String]) -> Option<Survey> {
        let dense = dense_from(&nfa(patterns).ok()?, MatchKind::All)?;
        let begin = dense.start_state(&start::Config::new().anchored(Anchored::Yes)).ok()?;
        let mut came_from: HashMap<StateID, Option<(StateID, u8)>> = HashMap::from([(begin, None)]);
        let mut queue = VecDeque::from([begin]);
        let mut found: Vec<Overlap> = Vec::new();
        let mut known: HashSet<(usize, usize)> = HashSet::new();
        let mut wins: HashSet<usize> = HashSet::new();
        while let Some(state) = queue.pop_front() {
            let end = dense.next_eoi_state(state);
            if dense.is_match_state(end) {
                let mut both: Vec<usize> =
                    (0..dense.match_len(end)).map(|i| dense.match_pattern(end, i).as_usize()).collect();
                both.sort_unstable();
                let (winner, losers) = both.split_first()?;
                wins.insert(*winner);
                for loser in losers {
                    if known.insert((*winner, *loser)) {
                        found.push(Overlap {
                            winner: *winner,
                            loser: *loser,
                            line: walk_back(&came_from, state),
                        });
                    }
                }
            }
            if came_from.len() > MOST_STATES {
                return None;
            }
            for byte in witness_bytes() {
                let next = dense.next_state(state, byte);
                if !dense.is_dead_state(next) && !came_from.contains_key(&next) {
                    came_from.insert(next, Some((state, byte)));
                    queue.push_back(next);
                }
            }
        }
        let mut never: Vec<usize> =
            known.iter().map(|(_, loser)| *loser).filter(|i| !wins.contains(i)).collect();
        never.sort_unstable();
        never.dedup();
        Some(Survey { overlaps: found, never })
    }
}

/// Bytes in the order in which a witness prefers them: digits and letters read better than controls.
fn witness_bytes() -> impl Iterator<Item = u8> {
    (b'0'..=b'9')
        .chain(b'a'..=b'z')
        .chain(b' '..=b'/')
        .chain(b':'..=b'`')
        .chain(b'{'..=b'~')
        .chain([b'\t', 0x80])
}

fn walk_back(came_from: &HashMap<StateID, Option<(StateID, u8)>>, state: StateID) -> Vec<u8> {
    let mut line = Vec::new();
    let mut at = state;
    while let Some(Some((before, byte))) = came_from.get(&at) {
        line.push(*byte);
        at = *before;
    }
    line.reverse();
    line
}
