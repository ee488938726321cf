//! All shapes of a chassis in one automaton: the cost of a line does not grow with their number.
//!
//! A table-driven automaton (dense) where it stays small; where it would not, the same automaton is built
//! as far as the lines need it, in a bounded cache (lazy). Both read each byte of a line once.

use std::collections::{HashMap, VecDeque};

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
/// Most states that are walked in search of overlapping shapes.
const MOST_STATES: usize = 200_000;

enum Engine {
    Dense(dense::DFA<Vec<u32>>),
    Lazy(Box<lazy::DFA>),
}

impl std::fmt::Debug for Automaton {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(if self.is_dense() { "Automaton(dense)" } else { "Automaton(lazy)" })
    }
}

/// Says which of several regular expressions matches; of those that do, the first.
pub struct Automaton {
    engine: Engine,
}

/// Working memory of one user of an [`Automaton`].
#[derive(Debug, Default)]
pub struct Scratch(Option<lazy::Cache>);

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
    /// Compiles regular expressions that each begin with `\A`; on a tie the earlier one wins.
    ///
    /// # Errors
    /// In words, when they are too large even for the lazy automaton.
    pub fn new(patterns: &[String]) -> Result<Self, String> {
        let nfa = nfa(patterns)?;
        if let Some(dense) = dense_from(&nfa, MatchKind::LeftmostFirst) {
            return Ok(Self { engine: Engine::Dense(dense) });
        }
        Self::lazy_from(nfa)
    }

    /// The same, lazy even when the table would be small.
    ///
    /// # Errors
    /// In words, when they are too large.
    pub fn new_lazy(patterns: &[String]) -> Result<Self, String> {
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
    pub fn is_dense(&self) -> bool {
        matches!(self.engine, Engine::Dense(_))
    }

    /// Size of the table in bytes; 0 for a lazy automaton.
    pub fn table_bytes(&self) -> usize {
        match &self.engine {
            Engine::Dense(dense) => dense.memory_usage(),
            Engine::Lazy(_) => 0,
        }
    }

    /// Index of the first expression that matches at the start of `line`.
    #[inline]
    pub fn find(&self, scratch: &mut Scratch, line: &[u8]) -> Option<usize> {
        let input = Input::new(line).anchored(Anchored::Yes);
        let half = match &self.engine {
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
        let dense = dense_from(&nfa(patterns).ok()?, MatchKind::All)?;
        let begin = dense.start_state(&start::Config::new().anchored(Anchored::Yes)).ok()?;
        let mut came_from: HashMap<StateID, Option<(StateID, u8)>> = HashMap::from([(begin, None)]);
        let mut queue = VecDeque::from([begin]);
        let mut found: Vec<Overlap> = Vec::new();
        while let Some(state) = queue.pop_front() {
            let end = dense.next_eoi_state(state);
            if dense.is_match_state(end) && dense.match_len(end) > 1 {
                let mut both: Vec<usize> =
                    (0..dense.match_len(end)).map(|i| dense.match_pattern(end, i).as_usize()).collect();
                both.sort_unstable();
                let (winner, losers) = both.split_first()?;
                for loser in losers {
                    if !found.iter().any(|o| o.winner == *winner && o.loser == *loser) {
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
        Some(found)
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
