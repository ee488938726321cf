//! A segment of a line whose rate was not given: its characters wait with their edges, so that they can be
//! read again when they turn out to be of another rate.

use crate::base::Nanoseconds;
use crate::signal::{Character, Edge};

/// Characters of a segment.
const LENGTH: usize = 64;
/// A segment ends after this time in any case, so that a quiet line does not hold its characters back.
const OLDEST: Nanoseconds = Nanoseconds::from_millis(500);
/// Fewer characters than this are not judged.
const FEWEST: usize = 8;
/// One faulty character in so many makes a segment doubtful. At a wrong rate the stop bit is read from
/// anywhere, and is 0 for a third of the characters or more.
const DOUBTFUL: usize = 8;
/// Edges of a segment. A line that became 13 times as fast (115200 to 1500000) makes 4000 of them.
const EDGES: usize = 8192;

#[derive(Clone, Debug, Default)]
pub(super) struct Segment {
    pub(super) characters: Vec<Character>,
    /// The edges of the characters, and one before them, which tells the level.
    pub(super) edges: Vec<Edge>,
}

impl Segment {
    /// Takes an edge whose characters are in; whether the segment ends with it.
    pub(super) fn take(&mut self, edge: Edge) -> bool {
        if self.edges.len() >= EDGES {
            self.edges.drain(..EDGES / 2);
        }
        self.edges.push(edge);
        self.characters.len() >= LENGTH || self.is_old(edge.t)
    }

    pub(super) fn is_old(&self, now: Nanoseconds) -> bool {
        self.characters.first().is_some_and(|first| now - first.t >= OLDEST)
    }

    /// Whether so many characters are faulty that the line may be another one.
    pub(super) fn is_doubtful(&self) -> bool {
        let faulty = self.characters.iter().filter(|character| character.fault.is_some()).count();
        self.characters.len() >= FEWEST && faulty * DOUBTFUL >= self.characters.len()
    }

    /// The edges from the first faulty character on, and one before them.
    pub(super) fn doubtful_edges(&self) -> &[Edge] {
        let faulty = self.characters.iter().find(|character| character.fault.is_some());
        let begin = faulty.map_or(0, |first| self.edges.partition_point(|edge| edge.t < first.t));
        self.edges.get(begin.saturating_sub(1)..).unwrap_or_default()
    }

    /// Takes the first faulty character and all behind it away; gives their edges, to be read again.
    pub(super) fn cut(&mut self) -> Vec<Edge> {
        let edges = self.doubtful_edges().to_vec();
        let sound = self.characters.iter().take_while(|character| character.fault.is_none()).count();
        self.characters.truncate(sound);
        edges
    }

    /// Hands the characters out. The edges of the character that began at `under_way` stay, and one before
    /// them, which tells the level.
    pub(super) fn end(&mut self, under_way: Option<Nanoseconds>, out: &mut Vec<Character>) {
        out.append(&mut self.characters);
        let begin = match under_way {
            Some(start) => self.edges.partition_point(|edge| edge.t < start),
            None => self.edges.len(),
        };
        self.edges.drain(..begin.saturating_sub(1));
    }
}
