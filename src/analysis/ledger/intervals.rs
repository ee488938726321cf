//! Sorted intervals of time that do not overlap.

use serde::{Deserialize, Serialize};

use crate::base::{Nanoseconds, Span};

/// Sorted intervals of time that do not overlap. An interval may have no length: an instant.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Intervals(Vec<Span>);

impl Intervals {
    /// One interval.
    pub fn one(span: Span) -> Self {
        Self(vec![span])
    }

    /// The intervals in order.
    pub fn spans(&self) -> &[Span] {
        &self.0
    }

    /// Adds an interval at the end; joins it with the last where they meet.
    pub(super) fn push(&mut self, span: Span) {
        match self.0.last_mut() {
            Some(last) if span.start <= last.end => last.end = last.end.max(span.end),
            _ => self.0.push(span),
        }
    }

    /// All together.
    pub fn length(&self) -> Nanoseconds {
        self.0.iter().fold(Nanoseconds::ZERO, |sum, span| sum + span.length())
    }

    /// What lies in both.
    #[must_use]
    pub fn and(&self, other: &Self) -> Self {
        let mut both = Self::default();
        let (mut i, mut j) = (0, 0);
        while let (Some(a), Some(b)) = (self.0.get(i), other.0.get(j)) {
            let (start, end) = (a.start.max(b.start), a.end.min(b.end));
            if start <= end {
                both.0.push(Span { start, end });
            }
            if a.end <= b.end { i += 1 } else { j += 1 }
        }
        both
    }

    /// What lies in this and not in the other. An instant stays when nothing of the other lies around it.
    #[must_use]
    pub fn without(&self, other: &Self) -> Self {
        let mut rest = Self::default();
        let mut from = 0;
        for span in &self.0 {
            while other.0.get(from).is_some_and(|cut| cut.end <= span.start && cut.end < span.end) {
                from += 1;
            }
            let mut start = span.start;
            let mut whole = true;
            for cut in other.0.get(from..).unwrap_or_default().iter().take_while(|cut| cut.start < span.end) {
                if cut.end <= start {
                    continue;
                }
                if cut.start > start {
                    rest.0.push(Span { start, end: cut.start });
                }
                whole &= cut.end < span.end;
                start = start.max(cut.end);
            }
            let covered = other.0.get(from).is_some_and(|cut| cut.start < span.start && span.end < cut.end);
            if whole && start <= span.end && !covered {
                rest.0.push(Span { start, end: span.end });
            }
        }
        rest
    }
}

impl FromIterator<Span> for Intervals {
    /// From intervals in any order.
    fn from_iter<T: IntoIterator<Item = Span>>(spans: T) -> Self {
        let mut spans: Vec<Span> = spans.into_iter().collect();
        spans.sort_by_key(|span| (span.start, span.end));
        let mut joined = Self::default();
        spans.into_iter().for_each(|span| joined.push(span));
        joined
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn of(list: &[(i64, i64)]) -> Intervals {
        list.iter().map(|(a, b)| Span { start: Nanoseconds(*a), end: Nanoseconds(*b) }).collect()
    }

    #[test]
    fn cuts_and_common_parts() {
        assert_eq!(of(&[(0, 10), (20, 30)]).without(&of(&[(5, 25)])), of(&[(0, 5), (25, 30)]));
        assert_eq!(of(&[(0, 10)]).without(&of(&[(0, 10)])), of(&[]));
        assert_eq!(of(&[(0, 10)]).without(&of(&[(2, 3), (4, 5)])), of(&[(0, 2), (3, 4), (5, 10)]));
        assert_eq!(of(&[(5, 5)]).without(&of(&[(0, 9)])), of(&[]));
        assert_eq!(of(&[(5, 5)]).without(&of(&[(6, 9)])), of(&[(5, 5)]));
        assert_eq!(of(&[(0, 10), (20, 30)]).and(&of(&[(5, 25)])), of(&[(5, 10), (20, 25)]));
    }

    proptest! {
        #[test]
        fn both_and_neither_add_up(a in proptest::collection::vec((0i64..200, 0i64..40), 0..12),
                                   b in proptest::collection::vec((0i64..200, 0i64..40), 0..12)) {
            let spans = |list: &[(i64, i64)]| of(&list.iter().map(|(s, l)| (*s, s + l)).collect::<Vec<_>>());
            let (a, b) = (spans(&a), spans(&b));
            prop_assert_eq!(a.and(&b).length() + a.without(&b).length(), a.length());
            prop_assert_eq!(a.and(&b), b.and(&a));
            let rest = a.without(&b);
            prop_assert_eq!(rest.and(&b).length(), Nanoseconds::ZERO);
            prop_assert!(rest.spans().windows(2).all(|two| two[0].end <= two[1].start));
        }
    }
}
