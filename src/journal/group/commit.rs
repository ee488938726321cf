//! The work of the disk thread, one round at a time, with the time handed in.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use crate::base::{Error, Nanoseconds, Result};
use crate::journal::disk::Files;
use crate::journal::forecast::{DiskLevel, Forecast, Watch};
use crate::journal::group::Limits;
use crate::journal::group::notes::Notes;
use crate::journal::group::packer::{Work, WorkQueue};
use crate::journal::group::port::{Phase, PortWriter};
use crate::journal::segment::{self, Sums, look, remove_if_there};

/// The disk is looked at this often: 10 s; every second while something stands still.
const LOOK_EVERY: Nanoseconds = Nanoseconds(10_000_000_000);

/// Every port, and the disk that they share.
pub(super) struct CommitLoop {
    files: Arc<dyn Files>,
    limits: Limits,
    pub(super) ports: Vec<PortWriter>,
    notes: Arc<Notes>,
    packer: Arc<WorkQueue>,
    watch: Watch,
    next_look: Nanoseconds,
    /// Written by captures that are closed.
    written: u64,
    /// Segments were closed or packed since retention was looked at.
    crowded: bool,
}

/// A closed segment that may be removed.
struct Removable {
    port: usize,
    number: u32,
    bytes: u64,
    /// Sum of the uncompressed bytes.
    sum: String,
    /// Wall clock of its first record.
    begun: i64,
}

impl CommitLoop {
    pub(super) fn new(
        files: Arc<dyn Files>,
        limits: Limits,
        notes: Arc<Notes>,
        packer: Arc<WorkQueue>,
    ) -> Self {
        let watch = Watch::new(limits.warn_hours);
        Self {
            files,
            limits,
            ports: Vec::new(),
            notes,
            packer,
            watch,
            next_look: Nanoseconds(i64::MIN),
            written: 0,
            crowded: false,
        }
    }

    pub(super) fn forecast(&self) -> Forecast {
        self.watch.now
    }

    /// Takes a port in; the disk is looked at in the next round, since it may be another one.
    pub(super) fn arrive(&mut self, port: PortWriter) {
        self.ports.push(port);
        self.next_look = Nanoseconds(i64::MIN);
    }

    /// One round at monotonic time `now`: all ports' records are written, then synced, so that they share
    /// what a sync costs. Gives when the next round must be, at the latest.
    pub(super) fn round(&mut self, now: Nanoseconds) -> Nanoseconds {
        let ready: Vec<bool> = self.ports.iter_mut().map(|port| port.first_half(now)).collect();
        for (port, _) in self.ports.iter_mut().zip(ready).filter(|(_, ready)| *ready) {
            if port.second_half(now) {
                self.packer.put(Work::Closed(port.recording.folder().to_owned(), port.recording.number()));
                self.crowded = true;
            }
        }
        self.tell();
        self.leave();
        if now >= self.next_look || self.crowded {
            self.look(now);
        }
        let due = self.ports.iter().filter_map(PortWriter::next_due).min();
        due.map_or(self.next_look, |due| due.min(self.next_look))
    }

    fn tell(&mut self) {
        for port in &mut self.ports {
            let folder = port.recording.folder().display().to_string();
            for (what, stops) in port.told.drain(..) {
                let help = stops.then_some(
                    "make room on this disk or mend it: recording goes on by itself; what was acknowledged is kept",
                );
                self.notes.put(format!("{folder}: {what}"), help);
                if stops {
                    self.next_look = Nanoseconds(i64::MIN);
                }
            }
        }
    }

    /// Lets go of ports that are done.
    fn leave(&mut self) {
        let packer = &self.packer;
        let written = &mut self.written;
        self.ports.retain(|port| {
            let mut inner = port.shared.lock();
            let settled = inner.inbox.is_empty() && inner.settled == inner.inbox.pushed;
            let stays = match inner.phase {
                Phase::Open | Phase::Closing => true,
                Phase::Dropped => !settled && port.stopped().is_none(),
                _ => false,
            };
            if !stays {
                *written += port.written;
                if inner.phase == Phase::Closed {
                    packer.put(Work::Finish(port.recording.folder().to_owned(), Arc::clone(&port.shared)));
                } else {
                    inner.phase = Phase::Gone;
                    port.shared.changed.notify_all();
                }
            }
            stays
        });
    }

    /// Looks at the room, and makes some if the limit says so.
    fn look(&mut self, now: Nanoseconds) {
        let stopped: Vec<bool> = self.ports.iter().filter_map(PortWriter::stopped).collect();
        let pause = if stopped.is_empty() { LOOK_EVERY } else { Nanoseconds::SECOND };
        self.next_look = now.saturating_add(pause);
        let Some(folder) = self.ports.first().map(|port| port.recording.folder().to_owned()) else { return };
        let written = self.written + self.ports.iter().map(|port| port.written).sum::<u64>();
        match self.files.room(&folder) {
            Ok(room) => {
                if self.watch.look(now, written, room, stopped.contains(&true)) {
                    self.say_level();
                }
            }
            Err(error) => tracing::debug!("room on the disk is not known: {error}"),
        }
        if let Some(keep) = self.limits.keep_bytes {
            self.crowded = match self.make_room(keep, now) {
                Ok(done) => !done,
                Err(error) => {
                    self.notes.put(error.to_string(), None);
                    false
                }
            };
        } else {
            self.crowded = false;
        }
    }

    fn say_level(&self) {
        let now = self.watch.now;
        let (what, help) = match now.level {
            DiskLevel::Fine => (format!("the disk has room again: {now}"), None),
            DiskLevel::Low => (
                format!("the disk gets full: {now}"),
                Some("make room on this disk, or set a limit for what is kept"),
            ),
            DiskLevel::Full => (
                format!("the disk is full: {now}; recording stands still"),
                Some("make room on this disk: recording goes on by itself; what was acknowledged is kept"),
            ),
        };
        self.notes.put(what, help);
    }

    /// Removes the oldest closed segments until no more than `keep` bytes lie there. `false` when it could not
    /// look just now.
    fn make_room(&mut self, keep: u64, now: Nanoseconds) -> Result<bool> {
        loop {
            let (total, oldest) = self.oldest()?;
            let Some(oldest) = oldest.filter(|_| total > keep) else { return Ok(true) };
            let Some(port) = self.ports.get_mut(oldest.port) else { return Ok(true) };
            let what = format!(
                "segment {} is removed to make room: {} bytes, SHA-256 {}",
                oldest.number, oldest.bytes, oldest.sum
            );
            // The recording says so before it happens; without that nothing is removed.
            if !port.remark(&what, now) {
                return Ok(true);
            }
            let folder = port.recording.folder().to_owned();
            let files = &*self.files;
            let Some(removed) = self.packer.while_quiet(|| remove(files, &folder, oldest.number)) else {
                return Ok(false);
            };
            removed?;
            self.notes.put(format!("{}: {what}", folder.display()), None);
        }
    }

    /// Bytes of all captures, and the oldest segment that is closed and summed.
    fn oldest(&self) -> Result<(u64, Option<Removable>)> {
        let mut total = 0;
        let mut oldest: Option<Removable> = None;
        for (index, port) in self.ports.iter().enumerate() {
            let folder = port.recording.folder();
            let listing = look(&*self.files, folder)?;
            total += listing.segments.values().map(segment::Present::bytes).sum::<u64>();
            let sums = Sums::load(&*self.files, folder)?;
            let closed = listing.segments.iter().find(|(number, _)| **number < port.recording.number());
            let Some((number, present)) = closed else { continue };
            let Some(sum) = sums.0.get(number) else { continue };
            let begun = begun(&*self.files, folder, *number);
            if oldest.as_ref().is_none_or(|oldest| begun < oldest.begun) {
                let (bytes, sum) = (present.bytes(), sum.clone());
                oldest = Some(Removable { port: index, number: *number, bytes, sum, begun });
            }
        }
        Ok((total, oldest))
    }
}

/// Wall clock of a segment's first record; the oldest possible when it cannot be read.
fn begun(files: &dyn Files, folder: &Path, number: u32) -> i64 {
    let first = segment::read(files, folder, number)
        .ok()
        .and_then(|file| crate::journal::reader::Reader::new(file).ok())
        .and_then(|mut reader| reader.next_record().ok().flatten());
    first.map_or(i64::MIN, |record| record.wall)
}

fn remove(files: &dyn Files, folder: &Path, number: u32) -> Result<()> {
    let mut path = PathBuf::new();
    let mut run = || {
        for name in [segment::name(number), segment::packed_name(number)] {
            path = folder.join(name);
            remove_if_there(files, &path)?;
        }
        files.sync_folder(folder)
    };
    let done = run();
    done.map_err(|error| Error::system("cannot remove this segment").at(&path).because(error))
}
