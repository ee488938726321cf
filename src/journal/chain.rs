//! The segments of a capture in their order, packed or not, while somebody may still be writing them.

use std::io::{self, Read};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use crate::base::{Error, Result};
use crate::journal::disk::Files;
use crate::journal::pack::is_damage;
use crate::journal::segment::{self, list, name};
use crate::source::What;

/// The next segment.
pub(super) struct Opened {
    pub(super) input: Box<dyn Read + Send>,
    pub(super) path: PathBuf,
    /// What a reader should know before it, in order.
    pub(super) marks: Vec<What>,
}

/// The walk over the folder.
pub(super) struct Chain {
    files: Arc<dyn Files>,
    folder: PathBuf,
    /// Number of the segment that was opened last; 0 before the first.
    at: u32,
    /// Set when the segment opened last could not be unpacked to its end.
    damaged: Arc<AtomicBool>,
    /// Set when the segment opened last was read to an end behind which nothing can come.
    complete: Arc<AtomicBool>,
}

impl Chain {
    pub(super) fn new(files: Arc<dyn Files>, folder: &Path) -> Self {
        let (damaged, complete) = (Arc::default(), Arc::new(AtomicBool::new(true)));
        Self { files, folder: folder.to_owned(), at: 0, damaged, complete }
    }

    pub(super) fn folder(&self) -> &Path {
        &self.folder
    }

    /// Opens the next segment; `None` when there is none.
    pub(super) fn next(&mut self) -> Result<Option<Opened>> {
        if !self.complete.load(Ordering::Relaxed) {
            return Ok(None);
        }
        // A segment may be packed or removed between the look into the folder and the opening.
        for _ in 0..3 {
            let Some(number) = next_number(&*self.files, &self.folder, self.at)
                .map_err(|error| Error::io("cannot look into this capture", &self.folder, error))?
            else {
                return Ok(None);
            };
            let path = self.folder.join(name(number));
            match segment::read(&*self.files, &self.folder, number) {
                Ok(inner) => {
                    let marks = self.marks(number);
                    self.at = number;
                    (self.damaged, self.complete) = (Arc::default(), Arc::default());
                    let input = Box::new(Segment {
                        inner,
                        files: Arc::clone(&self.files),
                        folder: self.folder.clone(),
                        number,
                        complete: Arc::clone(&self.complete),
                        damaged: Arc::clone(&self.damaged),
                    });
                    return Ok(Some(Opened { input, path, marks }));
                }
                Err(error) if error.kind() == io::ErrorKind::NotFound => {}
                Err(error) => return Err(Error::io("cannot open this segment", &path, error)),
            }
        }
        Err(Error::system("the segments of this capture come and go while they are read").at(&self.folder))
    }

    /// What is to be said before segment `number`: damage of the one before, and what is not there.
    fn marks(&mut self, number: u32) -> Vec<What> {
        let first = self.at + 1;
        let gone = (number > first).then(|| What::Removed { first, last: number - 1 });
        self.last_words().into_iter().chain(gone).collect()
    }

    /// Damage of the segment that was opened last, once.
    pub(super) fn last_words(&mut self) -> Option<What> {
        self.damaged.swap(false, Ordering::Relaxed).then(|| What::Damaged {
            text: format!("segment {} is damaged: it could not be unpacked to its end", self.at),
        })
    }
}

/// The smallest number above `at` in the folder.
fn next_number(files: &dyn Files, folder: &Path, at: u32) -> io::Result<Option<u32>> {
    let listing = list(files, folder)?;
    Ok(listing.segments.keys().copied().find(|number| *number > at))
}

/// One segment. When it ends and a later one exists, it is looked at once more: whoever writes has completed
/// this one before the later one was made.
struct Segment {
    inner: Box<dyn Read + Send>,
    files: Arc<dyn Files>,
    folder: PathBuf,
    number: u32,
    complete: Arc<AtomicBool>,
    damaged: Arc<AtomicBool>,
}

impl Read for Segment {
    fn read(&mut self, into: &mut [u8]) -> io::Result<usize> {
        match self.inner.read(into) {
            Ok(0) if !self.complete.load(Ordering::Relaxed) && !into.is_empty() => {
                if next_number(&*self.files, &self.folder, self.number)?.is_none() {
                    return Ok(0);
                }
                self.complete.store(true, Ordering::Relaxed);
                self.inner.read(into)
            }
            // What was unpacked before is whole; the capture goes on in the next segment.
            Err(error) if is_damage(&error) => {
                self.damaged.store(true, Ordering::Relaxed);
                self.complete.store(true, Ordering::Relaxed);
                Ok(0)
            }
            other => other,
        }
    }
}
