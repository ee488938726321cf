//! The strays of one stage as a compact sequence: what, when, how long held, and how long was watched.

mod restrict;
mod symbol;

use std::collections::HashMap;

use crate::analysis::power::{Power, Switch};
use crate::base::{ControlPath, Event, EventKind, Nanoseconds, Span};

pub use symbol::Symbol;
use symbol::identity;

/// One stray: 24 bytes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Occurrence {
    /// When, on the sequence's own axis (see [`EventSequence::observe`]).
    pub t: Nanoseconds,
    held: i64,
    /// Index into [`EventSequence::symbols`].
    pub symbol: u32,
    /// Press, repeat or change.
    pub kind: EventKind,
}

impl Occurrence {
    /// An occurrence whose release was not seen.
    pub fn new(t: Nanoseconds, symbol: u32, kind: EventKind) -> Self {
        Self { t, held: -1, symbol, kind }
    }

    /// How long the key was down; `None` while no release was seen.
    pub fn held(&self) -> Option<Nanoseconds> {
        (self.held >= 0).then_some(Nanoseconds(self.held))
    }
}

/// One capture within a sequence.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Segment {
    /// Watched from when to when, on the sequence's axis.
    pub span: Span,
    /// Index of its first occurrence.
    pub first: usize,
    /// EventSequence time less capture time.
    shift: i64,
    closed: bool,
    /// The same capture goes on after time that was not observed.
    pub continues: bool,
    /// How long the set had been on at time zero of the capture, where its own clock says so.
    age: Option<Nanoseconds>,
}

impl Segment {
    /// How long the set had been on at its start, seconds.
    pub fn age_s(&self) -> Option<f64> {
        self.age.map(|age| (age + self.in_capture().start).seconds().max(0.0))
    }

    /// The same on the clock of its capture.
    pub fn in_capture(&self) -> Span {
        let back = Nanoseconds(self.shift);
        Span { start: self.span.start - back, end: self.span.end - back }
    }
}

/// How long after an input a menu change still counts as its effect, unless the data teach better.
pub const DEFAULT_LATENCY: Nanoseconds = Nanoseconds::from_millis(1500);

/// A key that went down and was never seen to come up explains menu changes for so long and no longer: its
/// release may have been lost. Ours, no publication.
const LONGEST_HOLD: Nanoseconds = Nanoseconds::from_millis(60_000);

/// More different inputs than this are lumped by path, so that a hostile capture cannot eat the memory.
const MOST_SYMBOLS: usize = 65_536;
const NO_SYMBOL: u32 = u32::MAX;
const KEY_CODES: usize = 1024;

/// The strays of one stage: all hands-off input of all its captures, and how long was watched.
#[derive(Clone, Debug)]
pub struct EventSequence {
    symbols: Vec<Symbol>,
    by_key: Vec<u32>,
    by_hash: HashMap<u64, Vec<u32>>,
    last_of: Vec<usize>,
    occurrences: Vec<Occurrence>,
    segments: Vec<Segment>,
    latency: Nanoseconds,
    last_cause: Option<Nanoseconds>,
    /// A key went down and has not come up yet: what the set does meanwhile, it does because of that key.
    down_since: Option<Nanoseconds>,
    sorted: bool,
    orphans: u64,
    changes: u64,
    switches: Vec<Switch>,
    /// Nothing of the current capture told yet that the set is on.
    silent: bool,
}

impl Default for EventSequence {
    fn default() -> Self {
        Self::new()
    }
}

impl EventSequence {
    /// An empty sequence.
    pub fn new() -> Self {
        Self::with_latency(DEFAULT_LATENCY)
    }

    /// An empty sequence in which a menu change is the effect of an input at most `latency` before it.
    pub fn with_latency(latency: Nanoseconds) -> Self {
        Self {
            symbols: Vec::new(),
            by_key: vec![NO_SYMBOL; ControlPath::ALL.len() * KEY_CODES],
            by_hash: HashMap::new(),
            last_of: Vec::new(),
            occurrences: Vec::new(),
            segments: Vec::new(),
            latency,
            last_cause: None,
            down_since: None,
            sorted: true,
            orphans: 0,
            changes: 0,
            switches: Vec::new(),
            silent: true,
        }
    }

    /// Takes one event of a hands-off capture. Presses and repeats on input paths are strays; so is a menu
    /// change that no input came before within the latency (an orphan). A release gives its press the time
    /// held. Everything else passes by, but is time that was watched.
    pub fn push(&mut self, event: &Event) {
        let t = self.place(event.t);
        self.power(t, event);
        match event.kind {
            EventKind::Press | EventKind::Repeat if event.comes_in() => {
                self.last_cause = Some(t);
                self.down_since = Some(t);
                let symbol = self.intern(event);
                self.add(Occurrence::new(t, symbol, event.kind));
            }
            EventKind::Release if event.comes_in() => {
                self.last_cause = Some(t);
                self.down_since = None;
                self.release(t, event);
            }
            EventKind::Frame if event.can_act() => self.last_cause = Some(t),
            EventKind::Change if event.path == ControlPath::Menu => {
                self.changes += 1;
                let recent = self.last_cause.is_some_and(|cause| (t - cause).0 <= self.latency.0);
                let held = self.down_since.is_some_and(|since| (t - since).0 <= LONGEST_HOLD.0);
                let caused = recent || held;
                if !caused {
                    self.orphans += 1;
                    let symbol = self.intern(event);
                    self.add(Occurrence::new(t, symbol, event.kind));
                }
            }
            _ => {}
        }
    }

    /// Notes what tells whether the set is on; the first sign of life in a capture, and then changes only.
    fn power(&mut self, t: Nanoseconds, event: &Event) {
        let sign = event.path != ControlPath::System && event.kind != EventKind::Noise;
        let told = Power::of(event).or((self.silent && sign).then_some(Power::Awake));
        let asleep = self.switches.last().is_some_and(|last| last.power == Power::Standby);
        let Some(power) = told.filter(|power| *power != Power::Awake || self.silent || asleep) else {
            return;
        };
        let segment = u32::try_from(self.segments.len().saturating_sub(1)).unwrap_or(u32::MAX);
        self.switches.push(Switch { t, at: event.t, power, segment });
        self.silent = false;
    }

    /// Says that a capture was watched over this span of its own time. Call it once a capture, after (or
    /// before) its events. Captures are laid end to end on the sequence's axis; the first keeps its own times.
    pub fn observe(&mut self, span: Span) {
        let end = self.end();
        match self.segments.last_mut().filter(|segment| !segment.closed) {
            Some(segment) => {
                let start = Nanoseconds(span.start.0.saturating_add(segment.shift)).min(segment.span.start);
                let stop = Nanoseconds(span.end.0.saturating_add(segment.shift)).max(segment.span.end);
                // The events were laid directly after the capture before; the quiet start now moves them on.
                let floor = self.segments.len().checked_sub(2).map(|i| self.segments[i].span.end);
                let delta = floor.map_or(0, |floor| (floor - start).0.max(0));
                if let Some(segment) = self.segments.last_mut() {
                    let delta = Nanoseconds(delta);
                    segment.span = Span { start: start + delta, end: stop + delta };
                    segment.shift = segment.shift.saturating_add(delta.0);
                    segment.closed = true;
                    let first = segment.first;
                    for occurrence in &mut self.occurrences[first..] {
                        occurrence.t = occurrence.t + delta;
                    }
                    let current = u32::try_from(self.segments.len().saturating_sub(1)).unwrap_or(u32::MAX);
                    for switch in self.switches.iter_mut().rev().take_while(|s| s.segment == current) {
                        switch.t = switch.t + delta;
                    }
                }
            }
            None => {
                let shift = end.map_or(0, |end| (end - span.start).0);
                let moved = Span {
                    start: span.start + Nanoseconds(shift),
                    end: span.end.max(span.start) + Nanoseconds(shift),
                };
                let first = self.occurrences.len();
                self.segments.push(Segment {
                    span: moved,
                    first,
                    shift,
                    closed: true,
                    continues: false,
                    age: None,
                });
                self.begin();
            }
        }
        self.sort();
    }

    /// Says how long the set had been on at time zero of the last capture.
    pub fn aged(&mut self, age: Option<Nanoseconds>) {
        let from = self.segments.iter().rposition(|segment| !segment.continues).unwrap_or(0);
        self.segments.iter_mut().skip(from).for_each(|segment| segment.age = age);
    }

    /// Extends the span under observation to now, in the current capture's time, and leaves it open for more:
    /// for a live soak.
    pub fn extend(&mut self, now: Nanoseconds) {
        if let Some(segment) = self.segments.last_mut() {
            segment.closed = false;
            segment.span = segment.span.including(now + Nanoseconds(segment.shift));
        } else {
            let span = Span { start: now, end: now };
            self.segments.push(Segment {
                span,
                first: 0,
                shift: 0,
                closed: false,
                continues: false,
                age: None,
            });
        }
    }

    fn sort(&mut self) {
        if !self.sorted {
            let mut from = 0;
            for next in self.segments.iter().skip(1).map(|s| s.first).chain([self.occurrences.len()]) {
                self.occurrences[from..next].sort_by_key(|o| o.t);
                from = next;
            }
            self.sorted = true;
        }
    }

    fn end(&self) -> Option<Nanoseconds> {
        self.segments.last().map(|segment| segment.span.end)
    }

    /// Capture time to sequence time; opens a capture where none is open.
    fn place(&mut self, t: Nanoseconds) -> Nanoseconds {
        let count = self.occurrences.len();
        if let Some(segment) = self.segments.last_mut() {
            let moved = Nanoseconds(t.0.saturating_add(segment.shift));
            let inside = segment.span.start <= moved && moved <= segment.span.end;
            if !segment.closed || inside && (segment.first == count || moved >= self.occurrences[count - 1].t)
            {
                segment.span = segment.span.including(moved);
                return moved;
            }
        }
        let shift = self.end().map_or(0, |end| (end - t).0);
        let moved = t + Nanoseconds(shift);
        self.segments.push(Segment {
            span: Span { start: moved, end: moved },
            first: count,
            shift,
            closed: false,
            continues: false,
            age: None,
        });
        self.begin();
        moved
    }

    /// A new capture: what the one before left open is over.
    fn begin(&mut self) {
        self.last_cause = None;
        self.down_since = None;
        self.silent = true;
    }

    fn add(&mut self, occurrence: Occurrence) {
        if self.occurrences.last().is_some_and(|last| last.t > occurrence.t) {
            self.sorted = false;
        }
        if let Some(last) = self.last_of.get_mut(occurrence.symbol as usize) {
            *last = self.occurrences.len();
        }
        self.occurrences.push(occurrence);
    }

    fn release(&mut self, t: Nanoseconds, event: &Event) {
        let symbol = self.intern(event);
        let first = self.segments.last().map_or(0, |segment| segment.first);
        let Some(mut place) = self.last_of.get(symbol as usize).copied().filter(|p| *p != usize::MAX) else {
            return;
        };
        if place < first {
            return;
        }
        // The hold belongs to the press, not to the last repeat of it.
        let repeats_before = |p: usize| self.occurrences[p].kind == EventKind::Repeat;
        for _ in 0..10_000 {
            let earlier = place.checked_sub(1).filter(|p| *p >= first);
            match earlier {
                Some(p) if repeats_before(place) && self.occurrences[p].symbol == symbol => place = p,
                _ => break,
            }
        }
        let occurrence = &mut self.occurrences[place];
        if occurrence.held < 0 {
            occurrence.held = event.held.map_or((t - occurrence.t).0, |held| held.0).max(0);
        }
    }

    fn intern(&mut self, event: &Event) -> u32 {
        let bare = Event::new(Nanoseconds::ZERO, event.path, event.kind);
        let keyed = event.key.map(|key| (event.path as usize) * KEY_CODES + usize::from(key.code()));
        if let Some(place) = keyed
            && let Some(symbol) = self.by_key.get(place).copied()
            && let Some(key) = event.key
        {
            // One key on two lines is two symbols; the second is found below.
            match self.symbols.get(symbol as usize) {
                Some(known) if event.path != ControlPath::Keypad || known.line == event.line => {
                    return symbol;
                }
                Some(_) => return self.intern_other(event),
                None => {}
            }
            let line = event.line.clone().filter(|_| event.path == ControlPath::Keypad);
            let symbol = self.enter(Symbol { line, ..Symbol::key(event.path, key) });
            self.by_key[place] = symbol;
            return symbol;
        }
        let event = if self.symbols.len() >= MOST_SYMBOLS { &bare } else { event };
        self.intern_other(event)
    }

    fn intern_other(&mut self, event: &Event) -> u32 {
        let hash = identity(event);
        let same = self.by_hash.get(&hash).into_iter().flatten();
        if let Some(symbol) =
            same.copied().find(|s| self.symbols.get(*s as usize).is_some_and(|symbol| symbol.is_of(event)))
        {
            return symbol;
        }
        let symbol = self.enter(Symbol::of(event));
        self.by_hash.entry(hash).or_default().push(symbol);
        symbol
    }

    fn enter(&mut self, symbol: Symbol) -> u32 {
        let index = u32::try_from(self.symbols.len()).unwrap_or(NO_SYMBOL - 1);
        self.symbols.push(symbol);
        self.last_of.push(usize::MAX);
        index
    }

    /// The strays in time order.
    pub fn occurrences(&self) -> &[Occurrence] {
        &self.occurrences
    }

    /// The alphabet.
    pub fn symbols(&self) -> &[Symbol] {
        &self.symbols
    }

    /// The captures, in their order on the sequence's axis.
    pub fn segments(&self) -> &[Segment] {
        &self.segments
    }

    /// What told whether the set was on, in order.
    pub fn switches(&self) -> &[Switch] {
        &self.switches
    }

    /// The first segment of the capture that a segment belongs to.
    pub fn capture_of(&self, segment: u32) -> u32 {
        let upto = self.segments.get(..=segment as usize).unwrap_or_default();
        let back = upto.iter().rev().take_while(|segment| segment.continues).count();
        segment.saturating_sub(u32::try_from(back).unwrap_or(0))
    }

    /// The strays of one capture.
    pub fn of_segment(&self, index: usize) -> &[Occurrence] {
        let first = self.segments.get(index).map_or(0, |s| s.first);
        let end = self.segments.get(index + 1).map_or(self.occurrences.len(), |s| s.first);
        self.occurrences.get(first..end).unwrap_or_default()
    }

    /// Takes an input that somebody was asked for: no stray, but what the menu then does is its effect.
    pub fn push_asked(&mut self, event: &Event) {
        let t = self.place(event.t);
        self.power(t, event);
        if event.can_act() {
            self.last_cause = Some(t);
            self.down_since = (event.kind != EventKind::Release).then_some(t);
        }
    }

    /// Drops all but the last `keep` occurrences, for who has counted them; gives how many went. What was watched and which
    /// symbols there are stays. A sequence that is followed for months stays small by this.
    pub fn forget(&mut self, keep: usize) -> usize {
        let gone = self.occurrences.len().saturating_sub(keep);
        self.occurrences.drain(..gone);
        for last in &mut self.last_of {
            *last = if *last == usize::MAX { *last } else { last.checked_sub(gone).unwrap_or(usize::MAX) };
        }
        for segment in &mut self.segments {
            segment.first = segment.first.saturating_sub(gone);
        }
        gone
    }

    /// How many strays.
    pub fn len(&self) -> usize {
        self.occurrences.len()
    }

    /// Whether there was no stray.
    pub fn is_empty(&self) -> bool {
        self.occurrences.is_empty()
    }

    /// How long was watched, all captures together.
    pub fn exposure(&self) -> Nanoseconds {
        self.segments.iter().fold(Nanoseconds::ZERO, |sum, segment| sum + segment.span.length())
    }

    /// Menu changes that no input came before: software, or a path that was not captured.
    pub fn orphans(&self) -> u64 {
        self.orphans
    }

    /// All menu changes, caused or not.
    pub fn changes(&self) -> u64 {
        self.changes
    }
}
