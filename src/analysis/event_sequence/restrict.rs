//! A part of a sequence on observed time only.

use crate::analysis::event_sequence::{EventSequence, Occurrence, Segment, Symbol};
use crate::analysis::ledger::{Intervals, PathId};
use crate::analysis::power::Switch;
use crate::base::{EventKind, Nanoseconds, Span};

impl EventSequence {
    /// The part of the sequence that `keep` asks for, on observed time only: each interval of `observed` (capture time, a list
    /// for each capture in its order) becomes a segment. What was seen outside of them stands at the edge of the nearest
    /// interval before, and adds no time.
    pub fn restricted(&self, keep: &dyn Fn(&Symbol) -> bool, observed: &[Intervals]) -> Self {
        let kept: Vec<bool> = self.symbols.iter().map(keep).collect();
        let mut part = Self::with_latency(self.latency);
        part.symbols.clone_from(&self.symbols);
        part.last_of = vec![usize::MAX; part.symbols.len()];
        let mut switches = self.switches.iter().peekable();
        let mut end = Nanoseconds::ZERO;
        for number in 0..self.segments.len().max(observed.len()) {
            let capture_shift = self.segments.get(number).map_or(0, |segment| segment.shift);
            let spans = observed.get(number).map_or(&[][..], |spans| spans.spans());
            let own = self.of_segment(number);
            let wanted = || own.iter().filter(|o| kept.get(o.symbol as usize).copied().unwrap_or(false));
            if spans.is_empty() && wanted().next().is_none() {
                while switches.next_if(|switch| switch.segment as usize == number).is_some() {}
                continue;
            }
            let zero = [Span { start: Nanoseconds::ZERO, end: Nanoseconds::ZERO }];
            let spans = if spans.is_empty() { &zero[..] } else { spans };
            let mut occurrences = wanted().peekable();
            for (place, span) in spans.iter().enumerate() {
                let start = if part.segments.is_empty() { span.start } else { end };
                let shift = (start - span.start).0;
                let next = spans.get(place + 1).map(|next| next.start);
                let index = u32::try_from(part.segments.len()).unwrap_or(u32::MAX);
                let on_axis = |t: Nanoseconds| {
                    let t = (t - Nanoseconds(capture_shift)).max(span.start).min(span.end);
                    Nanoseconds(t.0.saturating_add(shift))
                };
                let before = |t: Nanoseconds| next.is_none_or(|next| t - Nanoseconds(capture_shift) < next);
                end = Nanoseconds(span.end.0.saturating_add(shift));
                part.segments.push(Segment {
                    span: Span { start, end },
                    first: part.occurrences.len(),
                    shift,
                    closed: true,
                    continues: place > 0,
                    age: self.segments.get(number).and_then(|segment| segment.age),
                });
                while let Some(switch) =
                    switches.next_if(|switch| switch.segment as usize == number && before(switch.t))
                {
                    part.switches.push(Switch { t: on_axis(switch.t), segment: index, ..*switch });
                }
                while let Some(occurrence) = occurrences.next_if(|occurrence| before(occurrence.t)) {
                    part.occurrences.push(Occurrence { t: on_axis(occurrence.t), ..*occurrence });
                }
            }
        }
        part
    }

    /// With a press of a path's first input at each of these instants (capture time, in order, a list for each capture);
    /// unchanged where the path had no input.
    #[must_use]
    pub fn with_presses(&self, id: &PathId, instants: &[Vec<Nanoseconds>]) -> Self {
        let mut all = self.clone();
        let Some(symbol) = self.symbols.iter().position(|symbol| symbol.id() == *id) else { return all };
        let symbol = u32::try_from(symbol).unwrap_or(u32::MAX);
        all.occurrences.clear();
        for (number, segment) in self.segments.iter().enumerate() {
            let first = all.occurrences.len();
            all.occurrences.extend_from_slice(self.of_segment(number));
            let on_axis = |t: &Nanoseconds| Nanoseconds(t.0.saturating_add(segment.shift));
            let new = instants.get(number).into_iter().flatten().map(on_axis);
            all.occurrences.extend(new.map(|t| Occurrence::new(t, symbol, EventKind::Press)));
            all.occurrences[first..].sort_by_key(|occurrence| occurrence.t);
            all.segments[number].first = first;
        }
        all
    }

    /// No strays on observed time of a running capture, with what `like` knows of the set's supply.
    pub fn new_observed(like: &Self, observed: Intervals) -> Self {
        like.restricted(&|_| false, &[observed])
    }
}
