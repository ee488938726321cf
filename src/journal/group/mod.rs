//! Several ports, one disk thread.
//!
//! A port pushes into a bounded buffer and never waits for the disk. The disk thread gathers what came within
//! 50 ms (or 256 KiB) from all ports, writes it, and syncs it: then it is acknowledged. A second thread sums
//! and packs closed segments. Memory is bounded: twice `buffer_bytes` for a port (what is gathered and what is
//! being written) and half a mebibyte.
//!
//! When the disk is full or fails, the port's state says so ([`RecordingState::Stopped`]); it is tried again every
//! second; what the buffer holds is written then, and what it could not hold is a remark in the recording, with
//! the number of bytes. Offsets count lost bytes, so that those of live events stay right.

mod commit;
mod handle;
mod limits;
mod notes;
mod packer;
mod port;
mod signal;

use std::path::Path;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Arc, Mutex};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use commit::CommitLoop;
pub use handle::WriterHandle;
pub use notes::Note;
use notes::Notes;
use packer::WorkQueue;
pub use port::RecordingState;
use port::{PortWriter, Shared};
use signal::Signal;

use crate::base::{Anchor, Error, Nanoseconds, Result, locked};
use crate::journal::disk::{Files, SystemFiles};
use crate::journal::forecast::Forecast;
pub use crate::journal::group::limits::Limits;
use crate::journal::recording::{Head, Recording, Rotation};

/// How a group is.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct GroupStatus {
    /// Time since the disk thread's last sign of life; it gives one a second at least. More than a few seconds
    /// means a disk that does not answer.
    pub beat_age: Duration,
    /// Room on the disk; `None` before the first capture.
    pub disk: Option<Forecast>,
    /// Number of the next note.
    pub notes_next: u64,
}

/// What the threads and the handles share.
struct Common {
    files: Arc<dyn Files>,
    limits: Limits,
    signal: Arc<Signal>,
    arriving: Mutex<Vec<PortWriter>>,
    notes: Arc<Notes>,
    packer: Arc<WorkQueue>,
    forecast: Mutex<Option<Forecast>>,
    born: Instant,
    /// Nanoseconds since `born`.
    beat: AtomicU64,
    stop: AtomicBool,
    threads: Mutex<Vec<JoinHandle<()>>>,
}

/// The disk thread and its helper; a clone is another handle on the same.
#[derive(Clone)]
pub struct Group(Arc<Common>);

impl std::fmt::Debug for Group {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Group").field("limits", &self.0.limits).finish_non_exhaustive()
    }
}

/// The thread gives a sign of life this often.
const BEAT: Duration = Duration::from_secs(1);

impl Group {
    /// Starts the threads.
    ///
    /// # Errors
    /// `System` when the system gives no thread.
    pub fn start(limits: Limits) -> Result<Self> {
        Self::start_on(Arc::new(SystemFiles), limits)
    }

    /// As [`Group::start`], on a disk of the caller's.
    ///
    /// # Errors
    /// As [`Group::start`].
    pub fn start_on(files: Arc<dyn Files>, limits: Limits) -> Result<Self> {
        let common = Arc::new(Common {
            files,
            limits,
            signal: Arc::default(),
            arriving: Mutex::default(),
            notes: Arc::default(),
            packer: Arc::default(),
            forecast: Mutex::default(),
            born: Instant::now(),
            beat: AtomicU64::new(0),
            stop: AtomicBool::new(false),
            threads: Mutex::default(),
        });
        let (first, second) = (Arc::clone(&common), Arc::clone(&common));
        let disk = thread("disk", move || first.run())?;
        locked(&common.threads).push(disk);
        let packer = thread("packer", move || {
            second.packer.run(&*second.files, second.limits.pack, &second.notes);
        })?;
        locked(&common.threads).push(packer);
        Ok(Self(common))
    }

    /// Begins a capture in a folder that does not exist yet. `origin` is JSON that tells where the bytes come
    /// from, `anchor` the wall clock at capture time zero. When this returns, the empty capture and its name
    /// are safe.
    ///
    /// # Errors
    /// `System` when the folder exists already, or the disk fails or is full; `Usage` after a stop.
    pub fn begin(&self, folder: &Path, anchor: Anchor, origin: &str) -> Result<WriterHandle> {
        if self.0.stop.load(Ordering::Acquire) {
            return Err(Error::usage("the journals are stopped").at(folder));
        }
        let head = Head { folder: folder.to_owned(), anchor, origin: origin.to_owned() };
        let rotation = Rotation { bytes: self.0.limits.segment_bytes, age: self.0.limits.segment_age };
        let wall = Anchor::now().unix_ns;
        let recording = Recording::create(Arc::clone(&self.0.files), head, rotation, wall)?;
        Ok(self.take_in(recording))
    }

    fn take_in(&self, recording: Recording) -> WriterHandle {
        let shared =
            Arc::new(Shared::new(self.0.limits.buffer_bytes, &recording, Arc::clone(&self.0.signal)));
        locked(&self.0.arriving).push(PortWriter::new(Arc::clone(&shared), recording));
        self.0.signal.raise();
        WriterHandle::new(shared)
    }

    /// How it is; never waits for the disk.
    pub fn status(&self) -> GroupStatus {
        let beat = Duration::from_nanos(self.0.beat.load(Ordering::Acquire));
        GroupStatus {
            beat_age: self.0.born.elapsed().saturating_sub(beat),
            disk: *locked(&self.0.forecast),
            notes_next: self.0.notes.next(),
        }
    }

    /// The notes from number `from` on, of the last 256.
    pub fn notes(&self, from: u64) -> Vec<Note> {
        self.0.notes.since(from)
    }

    /// Writes what waits and ends the threads. Captures that were not closed keep what was acknowledged.
    pub fn stop(&self) {
        self.0.stop.store(true, Ordering::Release);
        self.0.signal.raise();
        let threads: Vec<JoinHandle<()>> = locked(&self.0.threads).drain(..).collect();
        for thread in threads {
            // A thread that panicked has nothing more to say.
            let _ = thread.join();
        }
    }
}

fn thread(name: &str, run: impl FnOnce() + Send + 'static) -> Result<JoinHandle<()>> {
    std::thread::Builder::new()
        .name(name.to_owned())
        .spawn(run)
        .map_err(|error| Error::system("the system gives no thread for the journals").because(error))
}

impl Common {
    fn now(&self) -> Nanoseconds {
        Nanoseconds(i64::try_from(self.born.elapsed().as_nanos()).unwrap_or(i64::MAX))
    }

    /// The disk thread.
    fn run(&self) {
        let (notes, packer) = (Arc::clone(&self.notes), Arc::clone(&self.packer));
        let mut commits = CommitLoop::new(Arc::clone(&self.files), self.limits.clone(), notes, packer);
        loop {
            let now = self.now();
            self.beat.store(u64::try_from(now.0).unwrap_or(0), Ordering::Release);
            let stop = self.stop.load(Ordering::Acquire);
            locked(&self.arriving).drain(..).for_each(|port| commits.arrive(port));
            if stop {
                // One last round for everybody.
                for port in &commits.ports {
                    port.shared.lock().hurry = true;
                }
            }
            let next = commits.round(now);
            if !commits.ports.is_empty() {
                *locked(&self.forecast) = Some(commits.forecast());
            }
            if stop {
                break;
            }
            let wait = Duration::from_nanos(u64::try_from((next - self.now()).0).unwrap_or(0));
            self.signal.wait(wait.min(BEAT));
        }
        self.packer.stop();
    }
}
