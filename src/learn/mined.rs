//! A capture taken apart: its lines in groups, and what stands in their columns.

use crate::analysis::keycheck::Prompt;
use crate::base::{Key, Nanoseconds};
use crate::learn::prefix::{Line, Prefix};
use crate::learn::tree::{Group, Miner, Piece};
use crate::learn::{shape, table, token, tree};

/// Lines of one capture, held for learning.
#[derive(Clone, Debug, Default)]
pub struct Capture {
    /// What the capture is called in the file.
    pub name: String,
    text: Vec<u8>,
    lines: Vec<(Option<Nanoseconds>, std::ops::Range<usize>)>,
    /// Lines that were left out because there were too many.
    pub left_out: u64,
    /// What was asked for, and when, on the capture's clock.
    pub prompts: Vec<Prompt>,
}

impl Capture {
    /// Without lines.
    pub fn new(name: impl Into<String>) -> Self {
        Self { name: name.into(), ..Self::default() }
    }

    /// Adds a line without its end; `arrival` is on the capture's clock. Empty lines are left out.
    pub fn push(&mut self, arrival: Option<Nanoseconds>, line: &[u8]) {
        let line = line.trim_ascii();
        if line.is_empty() {
            return;
        }
        if self.text.len() + line.len() > MOST_BYTES {
            self.left_out += 1;
            return;
        }
        let start = self.text.len();
        self.text.extend_from_slice(line);
        self.lines.push((arrival, start..self.text.len()));
    }

    /// The lines, with their arrival.
    pub fn lines(&self) -> impl ExactSizeIterator<Item = Line<'_>> {
        self.lines.iter().map(|(arrival, range)| (*arrival, self.text.get(range.clone()).unwrap_or_default()))
    }

    pub(crate) fn line(&self, number: usize) -> &[u8] {
        self.lines.get(number).and_then(|(_, range)| self.text.get(range.clone())).unwrap_or_default()
    }
}

/// A capture with its groups.
pub(crate) struct Mined<'a> {
    pub(crate) capture: &'a Capture,
    pub(crate) prefix: Option<Prefix>,
    pub(crate) groups: Vec<Group>,
    pub(super) tables: Vec<table::Table>,
    pub(super) windows: Vec<table::Window>,
    /// Lines without the prefix.
    pub(crate) bare: usize,
    pub(crate) ungrouped: u64,
    /// Neither host nor set says when a line was printed.
    pub(crate) untimed: bool,
}

impl Mined<'_> {
    /// What stands at a place of a line behind its stamp, as printed but for a `0x`.
    pub(crate) fn printed(&self, line: usize, place: usize) -> Option<String> {
        let line = self.capture.line(line);
        let text = self.prefix.as_ref().and_then(|p| p.strip(line)).map_or(line, |(_, rest)| rest);
        let mut tokens = Vec::new();
        token::scan(text, &mut tokens);
        let printed = String::from_utf8_lossy(tokens.get(place)?.text(text)).into_owned();
        let digits = printed.strip_prefix("0x").or_else(|| printed.strip_prefix("0X"));
        Some(shape::escaped(digits.unwrap_or(&printed).as_bytes()))
    }
}

pub(crate) fn mine(capture: &Capture) -> Mined<'_> {
    let mut asked: Vec<(f64, Key)> = capture.prompts.iter().map(|p| (p.t.seconds(), p.key)).collect();
    asked.sort_by(|a, b| a.0.total_cmp(&b.0));
    let sample: Vec<Line<'_>> = spread(capture);
    let prefix = Prefix::find(&sample, asked.last().map(|(t, _)| *t));
    let mut miner = Miner::new();
    let mut placed: Vec<table::Placed<'_>> = Vec::with_capacity(capture.lines.len());
    let mut first_stamp = None;
    let (mut t, mut bare, mut timed) = (0.0, 0, 0usize);
    for (number, (arrival, line)) in capture.lines().enumerate() {
        let stripped =
            prefix.as_ref().and_then(|prefix| prefix.strip(line).map(|(v, r)| (prefix.seconds(v), r)));
        let text = stripped.map_or(line, |(_, rest)| rest);
        bare += usize::from(stripped.is_none());
        let stamp = stripped.map(|(seconds, _)| seconds - *first_stamp.get_or_insert(seconds));
        if let Some(now) = arrival.map(Nanoseconds::seconds).or(stamp) {
            t = now;
            timed += 1;
        }
        if let Some(group) = miner.push(text) {
            placed.push(table::Placed { t, line: number, text, group: group as usize });
        }
    }
    let (mut groups, places) = miner.settled();
    for placed in &mut placed {
        placed.group = places.get(placed.group).copied().unwrap_or(usize::MAX);
    }
    to_closer_groups(&mut groups, &mut placed);
    let tables = table::tables(&groups, &placed);
    Mined {
        capture,
        prefix,
        groups,
        tables,
        windows: table::windows(&asked),
        bare,
        ungrouped: miner.ungrouped(),
        untimed: timed == 0,
    }
}

/// Gives each line to the closest group that has its shape, as the decoder will.
pub(crate) fn to_closer_groups(groups: &mut [Group], placed: &mut [table::Placed<'_>]) {
    let nested = tree::nested(groups);
    let mut tokens = Vec::new();
    for placed in placed.iter_mut().filter(|placed| nested.iter().any(|(group, _)| *group == placed.group)) {
        tokens.clear();
        token::scan(placed.text, &mut tokens);
        let closer = nested.iter().filter(|(group, _)| *group == placed.group).map(|(_, closer)| *closer);
        let fitting =
            closer.filter(|closer| groups.get(*closer).is_some_and(|g| g.fits(placed.text, &tokens)));
        let Some(closest) = fitting.min_by_key(|closer| varying(groups.get(*closer))) else { continue };
        if let Some(group) = groups.get_mut(placed.group) {
            group.lines -= 1;
        }
        if let Some(group) = groups.get_mut(closest) {
            group.lines += 1;
        }
        placed.group = closest;
    }
}

pub(crate) fn varying(group: Option<&Group>) -> usize {
    group.map_or(0, |g| g.pieces.iter().filter(|(_, piece)| matches!(piece, Piece::Varying(_))).count())
}

/// The first lines of a capture and the last: enough to see the stamp and how it goes on.
pub(crate) fn spread(capture: &Capture) -> Vec<Line<'_>> {
    let all = capture.lines().len();
    let half = SAMPLE / 2;
    capture.lines().enumerate().filter(|(i, _)| *i < half || *i + half >= all).map(|(_, line)| line).collect()
}

/// Most bytes of a capture that are held; what follows is left out, and the draft says so.
pub const MOST_BYTES: usize = 64 << 20;

/// Lines from which the stamp is recognised.
pub(crate) const SAMPLE: usize = 2_048;
