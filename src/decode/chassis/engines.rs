//! The automata that read the lines of a chassis.

use crate::decode::chassis::Pattern;
use crate::decode::shape::{Automaton, Scratch};

/// Most shapes for which it is worked out which of them no other can take a line from.
const MOST_CERTAIN: usize = 64;

/// All shapes of a chassis, compiled. Without any, no line is known.
#[derive(Debug, Default)]
pub(crate) struct Engines {
    whole: Option<Automaton>,
    heads: Option<Automaton>,
    /// Pattern of each head.
    head_patterns: Vec<usize>,
    /// Of each pattern: no more specific shape fits a line of it, so that a line that has its shape is its.
    certain: Vec<bool>,
}

impl Engines {
    /// Compiles patterns that stand most specific first.
    ///
    /// # Errors
    /// In words, when they are too large for an automaton.
    pub(super) fn build(patterns: &[Pattern]) -> Result<Self, String> {
        let (head_patterns, heads): (Vec<usize>, Vec<String>) = patterns
            .iter()
            .enumerate()
            .filter_map(|(i, pattern)| Some((i, pattern.shape.head_regex()?)))
            .unzip();
        let whole: Vec<String> = patterns.iter().map(|pattern| pattern.shape.regex()).collect();
        Ok(Self {
            whole: Some(Automaton::whole(&whole)?),
            heads: if heads.is_empty() { None } else { Some(Automaton::beginning(&heads)?) },
            head_patterns,
            certain: certain(&whole),
        })
    }

    /// Index of the pattern that the whole line has.
    #[inline]
    pub(crate) fn whole(&self, scratch: &mut Scratch, line: &[u8]) -> Option<usize> {
        self.whole.as_ref()?.find(scratch, line)
    }

    /// Index of the pattern that the line begins like.
    pub(crate) fn head(&self, scratch: &mut Scratch, line: &[u8]) -> Option<usize> {
        let head = self.heads.as_ref()?.find(scratch, line)?;
        self.head_patterns.get(head).copied()
    }

    /// Whether a line that fits this pattern fits none that goes before it.
    #[inline]
    pub(crate) fn is_certain(&self, pattern: usize) -> bool {
        self.certain.get(pattern).copied().unwrap_or(false)
    }
}

fn certain(whole: &[String]) -> Vec<bool> {
    let overlaps = if whole.len() <= MOST_CERTAIN { Automaton::overlaps(whole) } else { None };
    match overlaps {
        Some(overlaps) => (0..whole.len()).map(|i| overlaps.iter().all(|o| o.loser != i)).collect(),
        None => vec![false; whole.len()],
    }
}
