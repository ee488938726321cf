//! Edges to UART characters; rate, framing and polarity are found where they are not given.
//!
//! With everything given, each character leaves as soon as its stop bit is sampled. What is to be found is
//! found from the first edges, at most [`HELD`] of them, which wait for it; then they are received like the
//! rest. Where the rate was not given, characters are handed out in segments, and a segment with many faults
//! is read again if the line is found to have changed: sets change their rate between boot loader and system.
//! Framing errors, breaks and parity errors stay visible as characters with a fault.

mod drift;
mod find;
mod frame;
mod framing;
mod segment;

pub use self::drift::Drift;
use self::frame::Sampler;
pub use self::frame::{BREAK, FRAMING, PARITY};
use self::segment::Segment;
use crate::base::Nanoseconds;
pub use crate::signal::uart::framing::{Found, Framing, Parity, UartSpec};
use crate::signal::{Character, Edge};

/// Edges from which rate, framing and polarity are found: about a thousand characters.
pub const HELD: usize = 4096;

/// Edges at which the line is looked at before that; only the usual line, surely found, counts then. Few
/// characters without a pause between them may well make sense the other way round.
const EARLY: [usize; 2] = [256, 1024];
/// What is a sure answer.
const SURE: f64 = 0.99;
/// What is sure enough to leave a rate at which an eighth of the characters are faulty.
const SURE_OF_CHANGE: f64 = 0.9;

/// Receives one line.
#[derive(Clone, Debug)]
pub struct Receiver {
    spec: UartSpec,
    waiting: Vec<Edge>,
    sampler: Option<Sampler>,
    found: Option<Found>,
    /// Searches that found nothing since the last one that did, and edges until the next.
    failures: u32,
    patience: usize,
    /// What is not handed out yet, where the rate was not given.
    segment: Segment,
    changes: u32,
}

/// Doublings of the wait between two searches of a line on which nothing fits, so that noise costs little.
const PATIENCE: u32 = 8;

impl Receiver {
    /// For a line of which this is known.
    pub fn new(spec: UartSpec) -> Self {
        let mut receiver = Self {
            spec,
            waiting: Vec::new(),
            sampler: None,
            found: None,
            failures: 0,
            patience: 0,
            segment: Segment::default(),
            changes: 0,
        };
        if let UartSpec { rate_hz: Some(rate_hz), framing: Some(framing), inverted: Some(inverted) } = spec {
            let usual_hz = find::usual_rate(rate_hz);
            receiver.settle(Found { rate_hz, usual_hz, framing, inverted, certainty: 1.0 });
        }
        receiver
    }

    /// What the line is, since its last change; `None` while too little of it was seen, and for ever if
    /// nothing fits.
    pub fn found(&self) -> Option<Found> {
        self.found
    }

    /// How the sender's rate moved; `None` before 64 sound characters.
    pub fn drift(&self) -> Option<Drift> {
        self.sampler.as_ref().and_then(Sampler::drift)
    }

    /// How often the line had to be found again because it changed.
    pub fn changes(&self) -> u32 {
        self.changes
    }

    /// Takes one edge; characters are appended once their stop bit is sampled, or, where the rate was not
    /// given, once their segment has passed.
    #[inline]
    pub fn push(&mut self, edge: Edge, out: &mut Vec<Character>) {
        match &mut self.sampler {
            Some(sampler) if self.spec.rate_hz.is_some() => sampler.push(edge, out),
            _ => self.hold(edge, out),
        }
    }

    /// Takes an edge of a line whose rate was not given, or that is not found yet.
    fn hold(&mut self, edge: Edge, out: &mut Vec<Character>) {
        match &mut self.sampler {
            Some(sampler) => {
                sampler.push(edge, &mut self.segment.characters);
                if self.segment.take(edge) {
                    self.judge(edge.t, out);
                }
            }
            None => {
                self.waiting.push(edge);
                self.patience = self.patience.saturating_sub(1);
                let early = EARLY.contains(&self.waiting.len());
                if self.patience == 0 && (early || self.waiting.len() >= HELD) {
                    self.find(edge.t, if early { SURE } else { 0.0 }, out);
                }
                // Nothing fits: noise. The newer half may be better.
                if self.sampler.is_none() && self.waiting.len() >= HELD {
                    self.waiting.drain(..HELD / 2);
                }
            }
        }
    }

    /// Hands a segment out; with many faults in it the line may have changed, and it is read again.
    fn judge(&mut self, now: Nanoseconds, out: &mut Vec<Character>) {
        self.patience = self.patience.saturating_sub(1);
        if self.segment.is_doubtful()
            && self.patience == 0
            && let Some(found) = self.other_line(now)
        {
            self.changes += 1;
            self.settle(found);
            let edges = self.segment.cut();
            if let Some(sampler) = &mut self.sampler {
                for edge in edges {
                    sampler.push(edge, &mut self.segment.characters);
                }
            }
        }
        let under_way = self.sampler.as_ref().and_then(Sampler::under_way);
        self.segment.end(under_way, out);
    }

    /// The line that the edges of a doubtful segment are surely of, if that is another one than before.
    fn other_line(&mut self, now: Nanoseconds) -> Option<Found> {
        let found = find::find(&self.spec, self.segment.doubtful_edges(), now).filter(|found| {
            found.certainty >= SURE_OF_CHANGE && self.found.is_none_or(|known| known.differs(found))
        });
        // A line that is just bad must not be searched over and over.
        self.failures = if found.is_some() { 0 } else { self.failures.saturating_add(1) };
        self.patience = if found.is_some() { 0 } else { 1 << self.failures.min(PATIENCE) };
        found
    }

    /// The line kept its level until `now`: a character that ends in idle need not wait for the next edge.
    pub fn advance(&mut self, now: Nanoseconds, out: &mut Vec<Character>) {
        match &mut self.sampler {
            Some(sampler) if self.spec.rate_hz.is_some() => sampler.advance(now, out),
            Some(sampler) => {
                sampler.advance(now, &mut self.segment.characters);
                if self.segment.is_old(now) {
                    self.judge(now, out);
                }
            }
            None => {}
        }
    }

    /// The source has ended at `end`. A last frame is completed, the line being taken to stay as it was.
    pub fn finish(&mut self, end: Nanoseconds, out: &mut Vec<Character>) {
        if self.sampler.is_none() {
            self.find(end, 0.0, out);
        }
        self.judge(end, out);
        if let Some(sampler) = &mut self.sampler {
            sampler.finish(end, out);
        }
    }

    /// Finds the line from the waiting edges, if that is at least so sure, and receives them.
    fn find(&mut self, end: Nanoseconds, sure: f64, out: &mut Vec<Character>) {
        let early = sure > 0.0;
        let found = find::find(&self.spec, &self.waiting, end)
            .filter(|found| !early || (found.certainty >= sure && found.is_usual()));
        let Some(found) = found else {
            if !early {
                self.failures = self.failures.saturating_add(1);
                self.patience = (HELD / 2) << self.failures.min(PATIENCE);
            }
            return;
        };
        (self.failures, self.patience) = (0, 0);
        self.settle(found);
        for edge in std::mem::take(&mut self.waiting) {
            self.push(edge, out);
        }
    }

    fn settle(&mut self, found: Found) {
        self.found = Some(found);
        self.sampler = Some(Sampler::new(found.framing, 1e9 / found.rate_hz, found.inverted));
    }
}
