//! The channels of a capture as recorded, read beside its events.

use std::fs::File;
use std::path::{Path, PathBuf};

use crate::base::{Error, Event, Nanoseconds, Result};
use crate::source::csv::{CsvOptions, CsvSource};
use crate::source::vcd::{VcdOptions, VcdSource};
use crate::source::{Change, Channel, FileKind, SampleSource, open_wired};
use crate::timeline::export::Export;

/// Changes of a logic or analog capture, in step with its events: memory holds one batch.
pub struct Track {
    path: PathBuf,
    source: Option<Box<dyn SampleSource>>,
    batch: Vec<Change>,
    at: usize,
}

impl Track {
    /// A second reader of a capture file, read as its events are from these channels; one without channels has none.
    ///
    /// # Errors
    /// `Input` for a file that cannot be understood, `System` when reading fails.
    pub fn open(path: &Path, wanted: Vec<String>, sample_rate_hz: Option<f64>) -> Result<Self> {
        let file = File::open(path).map_err(|error| Error::io("cannot open the capture", path, error))?;
        let (kind, reader, _) = open_wired(Box::new(file), !wanted.is_empty())?;
        let source: Option<Box<dyn SampleSource>> = match kind {
            FileKind::Csv => Some(Box::new(CsvSource::new(reader, CsvOptions { sample_rate_hz })?)),
            FileKind::Vcd => Some(Box::new(VcdSource::new(reader, VcdOptions { wanted })?)),
            _ => None,
        };
        Ok(Self { path: path.to_path_buf(), source, batch: Vec::new(), at: 0 })
    }

    /// No channels: for forms that keep events only.
    pub fn none() -> Self {
        Self { path: PathBuf::new(), source: None, batch: Vec::new(), at: 0 }
    }

    /// The channels.
    pub fn channels(&self) -> &[Channel] {
        self.source.as_deref().map_or(&[], |source| source.channels())
    }

    /// Writes an event, and before it what the channels did up to then.
    ///
    /// # Errors
    /// `Input` for a damaged capture, `System` when reading or writing fails.
    pub fn event(&mut self, event: &Event, out: &mut dyn Export) -> Result<()> {
        self.until(event.t, out)?;
        out.event(event)
    }

    /// Writes what the channels did after the last event.
    ///
    /// # Errors
    /// As [`Track::event`].
    pub fn rest(&mut self, out: &mut dyn Export) -> Result<()> {
        self.until(Nanoseconds(i64::MAX), out)
    }

    fn until(&mut self, t: Nanoseconds, out: &mut dyn Export) -> Result<()> {
        loop {
            while let Some(change) = self.batch.get(self.at) {
                if change.t > t {
                    return Ok(());
                }
                out.change(change)?;
                self.at += 1;
            }
            self.batch.clear();
            self.at = 0;
            let Some(source) = self.source.as_deref_mut() else { return Ok(()) };
            if !source.pull(&mut self.batch).map_err(|error| error.at(&self.path))? {
                self.source = None;
            }
        }
    }
}
