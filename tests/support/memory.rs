//! Files in memory that fail when told, and that show what a power cut would leave.

use std::collections::BTreeMap;
use std::io::{self, Cursor, Read};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Condvar, Mutex, MutexGuard};

use straykey::journal::{Disk, Files, Room};

use super::random::Random;

const SECTOR: usize = 512;

/// Every call that can fail.
pub(crate) const CALLS: [&str; 14] = [
    "create",
    "open",
    "read",
    "make_folder",
    "list",
    "rename",
    "remove",
    "sync_folder",
    "room",
    "length",
    "read_at",
    "write",
    "sync",
    "cut",
];

#[derive(Clone, Default)]
struct Content {
    cached: Vec<u8>,
    durable: Vec<u8>,
}

/// How a call goes wrong.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Fault {
    /// An error; a write leaves half of its bytes.
    Error,
    /// The same, and every call of this kind after it.
    Forever,
    /// The disk is full, once; a write leaves half of its bytes.
    Full,
    /// A write takes only a part; other calls are interrupted.
    Short,
    /// It takes its time.
    Slow,
}

#[derive(Default)]
pub(crate) struct Inner {
    /// Which content a name stands for, as a reader sees it.
    names: BTreeMap<PathBuf, usize>,
    /// What a power cut leaves for certain.
    durable_names: BTreeMap<PathBuf, usize>,
    contents: Vec<Content>,
    /// Calls so far, by name.
    pub(crate) calls: BTreeMap<&'static str, usize>,
    /// All calls so far that change something.
    pub(crate) changes: usize,
    fault: Option<(&'static str, usize, Fault)>,
    /// The power goes at this change: it and everything after it does nothing.
    dark_from: Option<usize>,
    /// Bytes of all files that fit.
    pub(crate) capacity: Option<usize>,
    /// Syncs wait until this is false.
    closed_gate: bool,
}

/// The disk.
#[derive(Clone, Default)]
pub(crate) struct Memory(Arc<(Mutex<Inner>, Condvar)>);

impl Memory {
    pub(crate) fn lock(&self) -> MutexGuard<'_, Inner> {
        self.0.0.lock().unwrap()
    }

    /// Call `number` (from 0) of this kind goes wrong.
    pub(crate) fn fail(&self, call: &'static str, number: usize, fault: Fault) {
        self.lock().fault = Some((call, number, fault));
    }

    pub(crate) fn mend(&self) {
        self.lock().fault = None;
    }

    pub(crate) fn cut_power_at(&self, change: usize) {
        self.lock().dark_from = Some(change);
    }

    /// Makes every sync wait, or lets them go on.
    pub(crate) fn close_gate(&self, closed: bool) {
        self.lock().closed_gate = closed;
        self.0.1.notify_all();
    }

    pub(crate) fn file(&self, path: &Path) -> Option<Vec<u8>> {
        let inner = self.lock();
        inner.names.get(path).map(|id| inner.contents[*id].cached.clone())
    }

    pub(crate) fn put(&self, path: &Path, bytes: &[u8]) {
        let mut inner = self.lock();
        let id = inner.contents.len();
        inner.contents.push(Content { cached: bytes.to_vec(), durable: bytes.to_vec() });
        inner.names.insert(path.to_owned(), id);
        inner.durable_names.insert(path.to_owned(), id);
    }

    pub(crate) fn paths(&self) -> Vec<PathBuf> {
        self.lock().names.keys().cloned().collect()
    }

    /// The disk after a kill: what readers saw.
    pub(crate) fn after_kill(&self) -> Self {
        let copy = Self::default();
        let inner = self.lock();
        for (path, id) in &inner.names {
            copy.put(path, &inner.contents[*id].cached);
        }
        copy
    }

    /// The disk as a power cut might leave it: of every name, the old or the new state; of every file, any
    /// sectors of what was not synced.
    pub(crate) fn after_power_cut(&self, random: &mut Random) -> Self {
        let copy = Self::default();
        let inner = self.lock();
        let mut paths: Vec<&PathBuf> = inner.names.keys().chain(inner.durable_names.keys()).collect();
        paths.sort();
        paths.dedup();
        for path in paths {
            let (new, old) = (inner.names.get(path), inner.durable_names.get(path));
            let Some(id) = (if random.below(2) == 0 { new } else { old }) else { continue };
            copy.put(path, &torn(&inner.contents[*id], random));
        }
        copy
    }
}

fn torn(content: &Content, random: &mut Random) -> Vec<u8> {
    let durable = content.durable.len().min(content.cached.len());
    let pending = content.cached.len() - durable;
    let length = durable + random.below(pending + 1);
    let mut image = content.durable[..durable].to_vec();
    image.resize(length, 0);
    let mut at = durable;
    while at < length {
        let end = ((at / SECTOR + 1) * SECTOR).min(length);
        if random.below(2) == 0 {
            image[at..end].copy_from_slice(&content.cached[at..end]);
        }
        at = end;
    }
    image
}

impl Inner {
    /// Counts a call, and says what is wrong with it.
    fn call(&mut self, name: &'static str, changes: bool) -> io::Result<Option<Fault>> {
        let number = self.calls.entry(name).or_default();
        let now = *number;
        *number += 1;
        if changes {
            self.changes += 1;
        }
        if self.dark_from.is_some_and(|dark| self.changes > dark) {
            return Err(io::Error::other("no power"));
        }
        match self.fault {
            Some((call, at, fault))
                if call == name && (now == at || (fault == Fault::Forever && now > at)) =>
            {
                Ok(Some(fault))
            }
            _ => Ok(None),
        }
    }

    /// As [`Inner::call`], for calls that fail whole.
    fn whole(&mut self, name: &'static str, changes: bool) -> io::Result<()> {
        match self.call(name, changes)? {
            Some(Fault::Error | Fault::Forever) => Err(io::Error::other("the disk failed")),
            Some(Fault::Full) => Err(io::ErrorKind::StorageFull.into()),
            Some(Fault::Slow) => {
                std::thread::sleep(std::time::Duration::from_millis(3));
                Ok(())
            }
            Some(Fault::Short) | None => Ok(()),
        }
    }

    fn id(&self, path: &Path) -> io::Result<usize> {
        self.names.get(path).copied().ok_or_else(|| io::ErrorKind::NotFound.into())
    }

    fn used(&self) -> usize {
        self.names.values().map(|id| self.contents[*id].cached.len()).sum()
    }
}

struct Handle {
    memory: Memory,
    id: usize,
}

impl Disk for Handle {
    fn length(&mut self) -> io::Result<u64> {
        let mut inner = self.memory.lock();
        inner.whole("length", false)?;
        Ok(inner.contents[self.id].cached.len() as u64)
    }

    fn read_at(&mut self, offset: u64, into: &mut [u8]) -> io::Result<usize> {
        let mut inner = self.memory.lock();
        let fault = inner.call("read_at", false)?;
        if matches!(fault, Some(Fault::Error | Fault::Forever | Fault::Full)) {
            return Err(io::Error::other("the disk failed"));
        }
        let rest = inner.contents[self.id].cached.get(offset as usize..).unwrap_or_default();
        let n = rest.len().min(if fault == Some(Fault::Short) { 1 } else { into.len() });
        into[..n].copy_from_slice(&rest[..n]);
        Ok(n)
    }

    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        let mut inner = self.memory.lock();
        let half = bytes.len() / 2;
        let fault = inner.call("write", true)?;
        let room = inner.capacity.map_or(usize::MAX, |capacity| capacity.saturating_sub(inner.used()));
        let cached = &mut inner.contents[self.id].cached;
        match fault {
            Some(Fault::Error | Fault::Forever) => {
                cached.extend_from_slice(&bytes[..half]);
                Err(io::Error::other("the disk failed"))
            }
            Some(Fault::Full) => {
                cached.extend_from_slice(&bytes[..half]);
                Err(io::ErrorKind::StorageFull.into())
            }
            Some(Fault::Short) => {
                let n = half.max(1).min(bytes.len());
                cached.extend_from_slice(&bytes[..n]);
                Ok(n)
            }
            _ if room == 0 && !bytes.is_empty() => Err(io::ErrorKind::StorageFull.into()),
            _ => {
                let n = bytes.len().min(room);
                cached.extend_from_slice(&bytes[..n]);
                Ok(n)
            }
        }
    }

    fn sync(&mut self) -> io::Result<()> {
        let mut inner = self.memory.lock();
        while inner.closed_gate {
            inner = self.memory.0.1.wait(inner).unwrap();
        }
        inner.whole("sync", true)?;
        let content = &mut inner.contents[self.id];
        content.durable = content.cached.clone();
        Ok(())
    }

    fn cut(&mut self, length: u64) -> io::Result<()> {
        let mut inner = self.memory.lock();
        inner.whole("cut", true)?;
        inner.contents[self.id].cached.truncate(length as usize);
        Ok(())
    }
}

/// A file being read; every read is a call of its own.
struct Reading {
    memory: Memory,
    from: Cursor<Vec<u8>>,
}

impl Read for Reading {
    fn read(&mut self, into: &mut [u8]) -> io::Result<usize> {
        let fault = self.memory.lock().call("read", false)?;
        match fault {
            Some(Fault::Error | Fault::Forever | Fault::Full) => Err(io::Error::other("the disk failed")),
            Some(Fault::Short) => {
                let n = into.len().min(1);
                self.from.read(&mut into[..n])
            }
            _ => self.from.read(into),
        }
    }
}

impl Files for Memory {
    fn create(&self, path: &Path) -> io::Result<Box<dyn Disk>> {
        let mut inner = self.lock();
        inner.whole("create", true)?;
        if inner.names.contains_key(path) {
            return Err(io::ErrorKind::AlreadyExists.into());
        }
        let id = inner.contents.len();
        inner.contents.push(Content::default());
        inner.names.insert(path.to_owned(), id);
        Ok(Box::new(Handle { memory: self.clone(), id }))
    }

    fn open(&self, path: &Path) -> io::Result<Box<dyn Disk>> {
        let mut inner = self.lock();
        inner.whole("open", false)?;
        let id = inner.id(path)?;
        Ok(Box::new(Handle { memory: self.clone(), id }))
    }

    fn read(&self, path: &Path) -> io::Result<Box<dyn Read + Send>> {
        let mut inner = self.lock();
        inner.whole("read", false)?;
        let id = inner.id(path)?;
        let from = Cursor::new(inner.contents[id].cached.clone());
        Ok(Box::new(Reading { memory: self.clone(), from }))
    }

    fn make_folder(&self, _path: &Path) -> io::Result<()> {
        self.lock().whole("make_folder", true)
    }

    fn list(&self, folder: &Path) -> io::Result<Vec<(String, u64)>> {
        let mut inner = self.lock();
        inner.whole("list", false)?;
        let found = inner.names.iter().filter(|(path, _)| path.parent() == Some(folder));
        Ok(found
            .map(|(path, id)| {
                let name = path.file_name().unwrap().to_string_lossy().into_owned();
                (name, inner.contents[*id].cached.len() as u64)
            })
            .collect())
    }

    fn rename(&self, from: &Path, to: &Path) -> io::Result<()> {
        let mut inner = self.lock();
        inner.whole("rename", true)?;
        let id = inner.id(from)?;
        inner.names.remove(from);
        inner.names.insert(to.to_owned(), id);
        Ok(())
    }

    fn remove(&self, path: &Path) -> io::Result<()> {
        let mut inner = self.lock();
        inner.whole("remove", true)?;
        inner.id(path)?;
        inner.names.remove(path);
        Ok(())
    }

    fn sync_folder(&self, folder: &Path) -> io::Result<()> {
        let mut inner = self.lock();
        inner.whole("sync_folder", true)?;
        let here: Vec<(PathBuf, usize)> = inner
            .names
            .iter()
            .filter(|(path, _)| path.parent() == Some(folder))
            .map(|(path, id)| (path.clone(), *id))
            .collect();
        inner.durable_names.retain(|path, _| path.parent() != Some(folder));
        inner.durable_names.extend(here);
        Ok(())
    }

    fn room(&self, _folder: &Path) -> io::Result<Room> {
        let mut inner = self.lock();
        inner.whole("room", false)?;
        let total = inner.capacity.unwrap_or(1 << 30);
        Ok(Room { free: total.saturating_sub(inner.used()) as u64, total: total as u64 })
    }
}
