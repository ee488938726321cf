//! Hears sound sets by decoder and ledger, in simulated time, and sets what the ledger calls observed beside the truth.

use std::collections::VecDeque;
use std::io::Write as _;

use straykey::analysis::ledger::{Builder, Intervals, Ledger};
use straykey::base::{Anchor, ControlPath, Nanoseconds, Result, Span};
use straykey::source::{ByteSource, Chunk, Pulled};
use straykey::timeline::live::{Progress, Session};
use straykey::timeline::{Options, Protocols, decode_watched};

use super::sound::{Hand, Piece, Plan, Set};

/// A set as a live source.
pub(crate) struct WriterHandle {
    set: Set,
    piece: Piece,
    next: VecDeque<Piece>,
    offset: u64,
    now: Nanoseconds,
}

impl WriterHandle {
    pub(crate) fn new(set: Set) -> Self {
        let piece = Piece { at: 0.0, bytes: Vec::new() };
        Self { set, piece, next: VecDeque::new(), offset: 0, now: Nanoseconds::ZERO }
    }
}

impl ByteSource for WriterHandle {
    fn pull(&mut self) -> Result<Pulled<'_>> {
        if self.next.is_empty() {
            self.next.extend(self.set.next());
        }
        let Some(piece) = self.next.front() else { return Ok(Pulled::End) };
        let arrival = Nanoseconds::from_seconds(piece.at);
        // A port that is silent says so each quarter of a second.
        if (arrival - self.now).seconds() > 0.25 {
            self.now = self.now + Nanoseconds::from_millis(250);
            return Ok(Pulled::Quiet(self.now));
        }
        self.now = self.now.max(arrival);
        self.piece = self.next.pop_front().unwrap();
        let offset = self.offset;
        self.offset += self.piece.bytes.len() as u64;
        Ok(Pulled::Chunk(Chunk { arrival: Some(self.now), offset, bytes: &self.piece.bytes }))
    }

    fn anchor(&self) -> Option<Anchor> {
        Some(Anchor { unix_ns: 0 })
    }
}

/// One control path of a capture that was heard.
#[derive(Clone, Debug)]
#[allow(dead_code)] // the example shows them
pub(crate) struct Heard {
    pub(crate) path: String,
    /// Time in which a stray would have been printed.
    pub(crate) truth_s: f64,
    pub(crate) observed_s: f64,
    /// Of that time what is not called observed; `None` where the clocks cannot be set against each other.
    pub(crate) lost_s: Option<f64>,
    /// Called observed beyond it.
    pub(crate) over_s: Option<f64>,
    /// Why, with seconds.
    pub(crate) why: String,
}

impl Heard {
    /// How far what is called observed is from the truth, as a share of it.
    pub(crate) fn off(&self) -> f64 {
        (self.observed_s - self.truth_s).abs() / self.truth_s
    }
}

fn compare(plan: &Plan, ledger: &Ledger, on_clock: bool) -> Vec<Heard> {
    let ns = Nanoseconds::from_seconds;
    let spans = plan.truth().into_iter().map(|(from, to)| Span { start: ns(from), end: ns(to) });
    let truth: Intervals = spans.collect();
    let keypad = |path: &&straykey::analysis::ledger::PathLedger| path.id.path == ControlPath::Keypad;
    let wanted = if plan.dialect.reads() { 2 } else { 1 };
    let mut heard: Vec<Heard> = ledger
        .paths
        .iter()
        .filter(keypad)
        .map(|path| {
            let seconds = |intervals: Intervals| intervals.length().seconds();
            let mut why: Vec<String> = path
                .blind
                .iter()
                .map(|b| format!("{:?} {:.2} to {:.2} s", b.why, b.from_s, b.to_s))
                .collect();
            why.truncate(6);
            Heard {
                path: path.id.words(),
                truth_s: seconds(truth.clone()),
                observed_s: path.observed().seconds(),
                lost_s: on_clock.then(|| seconds(truth.without(&path.observed))),
                over_s: on_clock.then(|| seconds(path.observed.without(&truth))),
                why: format!("{:?}, pending {:.1} s; {}", path.sign, path.pending_s(), why.join(", ")),
            }
        })
        .collect();
    // A path of which nothing was met is not observed at all.
    while heard.len() < wanted {
        let truth_s = truth.length().seconds();
        let path = "not met".to_owned();
        let (lost_s, over_s) = (Some(truth_s), Some(0.0));
        heard.push(Heard { path, truth_s, observed_s: 0.0, lost_s, over_s, why: String::new() });
    }
    heard
}

/// As a live capture: bytes come when the adapter hands them on.
pub(crate) fn live(plan: &Plan, seed: u64, protocols: &Protocols) -> Vec<Heard> {
    let feed = WriterHandle::new(Set::new(plan.clone(), seed, Hand::default()));
    let mut session = Session::new(Box::new(feed), None, protocols, Some(plan.dialect.name())).unwrap();
    let mut builder = Builder::default();
    let mut events = Vec::new();
    while let Progress::Going(now) = session.step(&mut builder, &mut events).unwrap() {
        builder.tick(now);
        events.clear();
    }
    let end = session.now();
    session.finish(&mut builder, &mut events).unwrap();
    compare(plan, &builder.ledger(Some(Span { start: Nanoseconds::ZERO, end })), true)
}

/// As a saved log, without the times at which the host had it.
pub(crate) fn saved(plan: &Plan, seed: u64, protocols: &Protocols) -> Vec<Heard> {
    let mut file = tempfile::NamedTempFile::new().unwrap();
    let bytes: Vec<u8> =
        Set::new(plan.clone(), seed, Hand::default()).flat_map(|piece| piece.bytes).collect();
    file.write_all(&bytes).unwrap();
    let options = Options { chassis: Some(plan.dialect.name().to_owned()), ..Options::default() };
    let mut builder = Builder::default();
    let summary = decode_watched(file.path(), protocols, &options, &mut builder, &mut |_| Ok(())).unwrap();
    let ledger = builder.ledger(straykey::bench::timed(&summary));
    compare(plan, &ledger, false)
}
