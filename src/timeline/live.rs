//! A live source: recorded first, then decoded.

use std::sync::Arc;

use crate::base::{Anchor, Event, Name, Nanoseconds, Result};
use crate::decode::Counters;
use crate::source::{ByteSource, Mark, Pulled, What};
use crate::timeline::job::CaptureWriter;
use crate::timeline::protocols::Protocols;
use crate::timeline::text_stage::{Choice, TextStage};
use crate::timeline::watch::{Watch, Watched};

/// What one step of a live session saw.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Progress {
    /// The source is there; the instant is "now" on the capture clock.
    Going(Nanoseconds),
    /// The source has ended: port gone, or told to stop.
    Ended,
}

/// Whether the adapter of a live source is plugged in.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Adapter {
    /// It was never away.
    Stayed,
    /// It was pulled out.
    Gone {
        /// When.
        since: Nanoseconds,
    },
    /// It was pulled out and is there again.
    Back {
        /// When it came back.
        since: Nanoseconds,
    },
}

/// A live source with its recorder and its decoder.
pub struct Session {
    source: Box<dyn ByteSource>,
    recorder: Option<CaptureWriter>,
    stage: TextStage,
    now: Nanoseconds,
    bytes: u64,
    last_byte: Option<Nanoseconds>,
    adapter: Adapter,
    watched: Watched,
}

impl Session {
    /// Joins a source with a recorder (absent: nothing is kept) and a decoder.
    ///
    /// # Errors
    /// `Usage` when no chassis has that name.
    pub fn new(
        source: Box<dyn ByteSource>,
        recorder: Option<CaptureWriter>,
        protocols: &Protocols,
        chassis: Option<&str>,
    ) -> Result<Self> {
        let capture = Name::from(recorder.as_ref().map_or("live", CaptureWriter::name));
        let stage = TextStage::new(Arc::clone(&protocols.library), chassis, capture, true)?;
        let watched = Watched::default();
        Ok(Self {
            source,
            recorder,
            stage,
            now: Nanoseconds::ZERO,
            bytes: 0,
            last_byte: None,
            adapter: Adapter::Stayed,
            watched,
        })
    }

    /// One pull: what came is recorded, then decoded; events are appended to `out`, and `watch` learns what was met.
    ///
    /// Call [`Session::settle`] after the events were shown.
    ///
    /// # Errors
    /// `System` when the port or the disk fails; what was acknowledged stays in the job.
    pub fn step(&mut self, watch: &mut dyn Watch, out: &mut Vec<Event>) -> Result<Progress> {
        let first = out.len();
        // Reports that nobody takes would be kept for as long as the set prints.
        if watch.looks() {
            self.stage.keep_reports();
        }
        let pulled = self.source.pull()?;
        if let Some(recorder) = &mut self.recorder
            && let Some(t) = recorder.take(&pulled)?
        {
            watch.record(t);
        }
        match pulled {
            Pulled::Chunk(chunk) => {
                self.now = self.now.max(chunk.arrival.unwrap_or(self.now));
                self.bytes += chunk.bytes.len() as u64;
                self.last_byte = Some(self.now);
                watch.bytes(chunk.arrival);
                self.stage.push(chunk.arrival, chunk.offset, chunk.bytes, out)?;
            }
            Pulled::Mark(mark) => {
                self.now = self.now.max(mark.t);
                match mark.what {
                    What::PortGone => self.adapter = Adapter::Gone { since: mark.t },
                    What::PortBack { .. } => self.adapter = Adapter::Back { since: mark.t },
                    _ => {}
                }
                watch.mark(&mark);
                self.stage.mark(mark, out);
            }
            Pulled::Quiet(now) => {
                self.now = self.now.max(now);
                self.stage.tick(now, out);
            }
            Pulled::End => return Ok(Progress::Ended),
        }
        self.watched.look(&mut self.stage, out.get(first..).unwrap_or_default(), watch);
        Ok(Progress::Going(self.now))
    }

    /// Puts what waits onto the disk when it has waited long enough.
    ///
    /// # Errors
    /// `System` when the disk fails.
    pub fn settle(&mut self) -> Result<()> {
        if let Some(recorder) = &mut self.recorder {
            recorder.commit_if_due()?;
        }
        Ok(())
    }

    /// Ends the session: takes what was received and not yet handed on, and the last events. Gives the end on the
    /// capture clock and the recorder, to be closed by the job, which writes what still waits for the disk and tells
    /// of a disk that failed.
    ///
    /// # Errors
    /// None of its own. An unknown chassis is no error here; see [`Session::choice`].
    pub fn finish(
        mut self,
        watch: &mut dyn Watch,
        out: &mut Vec<Event>,
    ) -> Result<(Nanoseconds, Option<CaptureWriter>)> {
        if self.source.stop() {
            while let Ok(Progress::Going(_)) = self.step(watch, out) {}
        }
        let first = out.len();
        if self.stage.choice().is_some() {
            self.stage.finish(out)?;
            self.watched.look(&mut self.stage, out.get(first..).unwrap_or_default(), watch);
        }
        Ok((self.now, self.recorder))
    }

    /// Marks something in the recording, at this moment; its event is appended to `out`.
    ///
    /// # Errors
    /// `System` when the disk fails.
    pub fn mark(&mut self, what: What, watch: &mut dyn Watch, out: &mut Vec<Event>) -> Result<()> {
        let mark = Mark { t: self.now, what };
        if let Some(recorder) = &mut self.recorder
            && let Some(t) = recorder.take(&Pulled::Mark(mark.clone()))?
        {
            watch.record(t);
        }
        watch.mark(&mark);
        self.stage.mark(mark, out);
        Ok(())
    }

    /// Who records; nobody when nothing is kept.
    pub fn recorder(&self) -> Option<&CaptureWriter> {
        self.recorder.as_ref()
    }

    /// Now, on the capture clock.
    pub fn now(&self) -> Nanoseconds {
        self.now
    }

    /// The chassis and how it was chosen, once known.
    pub fn choice(&self) -> Option<&Choice> {
        self.stage.choice()
    }

    /// What became of the lines so far.
    pub fn counters(&self) -> Counters {
        self.stage.counters()
    }

    /// Bytes received so far.
    pub fn bytes(&self) -> u64 {
        self.bytes
    }

    /// When the last byte came; `None` before the first.
    pub fn last_byte(&self) -> Option<Nanoseconds> {
        self.last_byte
    }

    /// Whether the adapter is plugged in.
    pub fn adapter(&self) -> Adapter {
        self.adapter
    }

    /// Wall clock at capture time zero.
    pub fn anchor(&self) -> Option<Anchor> {
        self.source.anchor()
    }
}
