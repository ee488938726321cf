//! What was seen in one stage: its strays, and for each control path when it was observed.

use crate::analysis::compare::near::NearSeen;
use crate::analysis::event_sequence::{EventSequence, Symbol};
use crate::analysis::ledger::{Intervals, Ledger, PathId, PathTotal};
use crate::base::{ControlPath, Nanoseconds, Span};

/// What was seen in one stage.
#[derive(Clone, Debug, Default)]
pub struct Observation {
    /// The strays of all paths, over the time in which any judged path was observed.
    pub sequence: EventSequence,
    /// Whether hands were off throughout. With hands on, input may be a person's, and nothing is proved.
    pub hands_off: bool,
    /// Whether something in it tells no time: nothing is proved then either.
    pub untimed: bool,
    /// Each control path by itself.
    pub paths: Vec<PathSeen>,
    /// How long its captures are by the clock, seconds.
    pub span_s: f64,
    /// From when to when by the wall clock, since 1970; null where its captures do not say.
    pub wall: Option<Span>,
    /// How long its soaks were planned to last, seconds; null where none was planned.
    pub planned_s: Option<f64>,
}

/// One control path of one stage.
#[derive(Clone, Debug)]
pub struct PathSeen {
    /// When it was observed, and what its levels were.
    pub total: PathTotal,
    /// Its strays on observed time.
    pub sequence: EventSequence,
    /// Its excursions, where a line reports by itself.
    pub near: Option<NearSeen>,
}

impl Observation {
    /// A simulated observation with hands off in which the whole of the sequence was observed: for known truths.
    pub fn soak(sequence: EventSequence) -> Self {
        let whole: Vec<Intervals> =
            sequence.segments().iter().map(|segment| Intervals::one(segment.in_capture())).collect();
        let inputs = ControlPath::ALL.into_iter().filter(|path| path.is_input()).map(PathId::whole);
        let mut ids: Vec<PathId> = sequence.symbols().iter().map(Symbol::id).chain(inputs).collect();
        ids.sort();
        ids.dedup();
        let paths = ids
            .into_iter()
            .map(|id| {
                let sequence = sequence.restricted(&|symbol| symbol.id() == id, &whole);
                PathSeen { total: PathTotal::simulated(id, &sequence), sequence, near: None }
            })
            .collect();
        Self {
            span_s: sequence.exposure().seconds(),
            sequence,
            hands_off: true,
            untimed: false,
            paths,
            wall: None,
            planned_s: None,
        }
    }

    /// Seconds from its end to `later`; nothing where the clocks do not tell, or contradict each other.
    pub(crate) fn away_s(&self, later: Option<Nanoseconds>) -> Option<f64> {
        self.wall.zip(later).map(|(wall, later)| (later - wall.end).seconds()).filter(|away| *away >= 0.0)
    }

    /// One path of it.
    pub fn path(&self, id: &PathId) -> Option<&PathSeen> {
        self.paths.iter().find(|path| path.total.id == *id)
    }

    /// A path of which nothing was met.
    pub(crate) fn unseen(&self, id: &PathId) -> PathTotal {
        PathTotal::of(id, &[Ledger { span: None, ..Ledger::default() }]).by_the_clock(self.span_s)
    }

    /// The paths that strayed.
    pub fn strayed(&self) -> impl Iterator<Item = &PathId> {
        self.paths.iter().filter(|path| !path.sequence.is_empty()).map(|path| &path.total.id)
    }
}
