//! A disk that fails when told, and that shows what a power cut would leave.

use std::io;
use std::sync::{Arc, Mutex};

use straykey::journal::Disk;

use super::random::Random;

const SECTOR: usize = 512;

/// What the disk did and holds; shared with the test.
#[derive(Default)]
pub(crate) struct Platter {
    /// What survives a power cut for certain.
    pub(crate) durable: Vec<u8>,
    /// What a reader sees while the power is on.
    pub(crate) cached: Vec<u8>,
    /// Operations so far that can fail (append, sync, cut).
    pub(crate) operations: usize,
    /// The operation that fails, counted from 0, and all after it.
    pub(crate) fail_from: Option<usize>,
    /// Only this operation fails, those after it work again.
    pub(crate) fail_once: Option<usize>,
    /// A failing append leaves so many bytes behind.
    pub(crate) leave: usize,
    /// Syncs so far.
    pub(crate) syncs: usize,
    /// The power goes during this sync, counted from 0: it and everything after it does nothing.
    pub(crate) cut_at_sync: Option<usize>,
    /// Total bytes that fit.
    pub(crate) room: Option<usize>,
}

impl Platter {
    fn step(&mut self) -> bool {
        let now = self.operations;
        self.operations += 1;
        self.fail_from.is_some_and(|from| now >= from) || self.fail_once == Some(now)
    }

    fn is_dark(&self) -> bool {
        self.cut_at_sync.is_some_and(|cut| self.syncs >= cut)
    }

    /// What a power cut might leave now: every sector since the last sync is there, absent or zero, and the
    /// file's length lies anywhere between.
    pub(crate) fn after_power_cut(&self, random: &mut Random) -> Vec<u8> {
        let durable = self.durable.len();
        let pending = self.cached.len().saturating_sub(durable);
        let length = durable + random.below(pending + 1);
        let mut image = self.durable.clone();
        image.resize(length, 0);
        let mut at = durable;
        while at < length {
            let end = ((at / SECTOR + 1) * SECTOR).min(length);
            if random.below(2) == 0 {
                image[at..end].copy_from_slice(&self.cached[at..end]);
            }
            at = end;
        }
        image
    }
}

/// One end of it, for a journal.
pub(crate) struct FailingDisk(pub(crate) Arc<Mutex<Platter>>);

impl FailingDisk {
    pub(crate) fn new() -> (Self, Arc<Mutex<Platter>>) {
        let platter = Arc::new(Mutex::new(Platter::default()));
        (Self(Arc::clone(&platter)), platter)
    }

    pub(crate) fn holding(bytes: Vec<u8>) -> (Self, Arc<Mutex<Platter>>) {
        let (disk, platter) = Self::new();
        platter.lock().unwrap().cached = bytes.clone();
        platter.lock().unwrap().durable = bytes;
        (disk, platter)
    }
}

impl Disk for FailingDisk {
    fn length(&mut self) -> io::Result<u64> {
        Ok(self.0.lock().unwrap().cached.len() as u64)
    }

    fn read_at(&mut self, offset: u64, into: &mut [u8]) -> io::Result<usize> {
        let platter = self.0.lock().unwrap();
        let rest = platter.cached.get(offset as usize..).unwrap_or_default();
        let n = rest.len().min(into.len());
        into[..n].copy_from_slice(&rest[..n]);
        Ok(n)
    }

    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        let mut platter = self.0.lock().unwrap();
        if platter.is_dark() {
            return Err(io::Error::other("no power"));
        }
        if platter.step() {
            let left = platter.leave.min(bytes.len());
            platter.cached.extend_from_slice(&bytes[..left]);
            return Err(io::Error::other("the disk failed"));
        }
        if let Some(room) = platter.room {
            let fits = room.saturating_sub(platter.cached.len()).min(bytes.len());
            platter.cached.extend_from_slice(&bytes[..fits]);
            if fits == 0 {
                return Err(io::ErrorKind::StorageFull.into());
            }
            return Ok(fits);
        }
        platter.cached.extend_from_slice(bytes);
        Ok(bytes.len())
    }

    fn sync(&mut self) -> io::Result<()> {
        let mut platter = self.0.lock().unwrap();
        if platter.step() {
            return Err(io::Error::other("the disk failed"));
        }
        if platter.is_dark() {
            return Err(io::Error::other("no power"));
        }
        platter.syncs += 1;
        platter.durable = platter.cached.clone();
        Ok(())
    }

    fn cut(&mut self, length: u64) -> io::Result<()> {
        let mut platter = self.0.lock().unwrap();
        if platter.step() {
            return Err(io::Error::other("the disk failed"));
        }
        platter.cached.truncate(length as usize);
        Ok(())
    }
}
