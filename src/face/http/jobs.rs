//! The jobs in the jobs folder: found by name, worked on by one request at a time, shown from a cache.

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant, SystemTime};

use crate::base::{Result, locked, system};
use crate::bench;
use crate::face::http::config::is_name;
use crate::face::http::error::{Answer, ApiError};
use crate::timeline::Protocols;
use crate::timeline::job::Job;
use crate::timeline::store::Store;

/// The state of a job is made anew no more often than this while a capture of it runs.
const SOONEST: Duration = Duration::from_secs(3);
/// Nor more often than so many times what it costs.
const COST_FACTOR: u32 = 10;
/// States of so many jobs are kept; the others are made again when asked for.
const KEPT: usize = 16;

/// All jobs.
#[derive(Debug)]
pub struct Jobs {
    folder: PathBuf,
    entries: Mutex<BTreeMap<String, Arc<Entry>>>,
}

/// One job.
#[derive(Debug)]
pub struct Entry {
    /// Its name.
    pub name: Arc<str>,
    /// Its folder.
    pub folder: PathBuf,
    revision: AtomicU64,
    work: Mutex<Work>,
    view: Mutex<View>,
    index: Mutex<Option<Indexed>>,
}

/// When the index was last brought up to date.
#[derive(Debug)]
struct Indexed {
    stamp: Stamp,
    at: Instant,
    cost: Duration,
    running: bool,
}

#[derive(Debug, Default)]
struct Work {
    job: Option<Job>,
    /// Captures that run on it.
    holds: usize,
}

#[derive(Debug, Default)]
struct View {
    made: Option<Made>,
    cost: Duration,
}

#[derive(Clone, Debug)]
struct Made {
    stamp: Stamp,
    at: Instant,
    json: Option<Arc<str>>,
    summary: Summary,
    /// A capture ran when it was made, so that it grows old.
    running: bool,
}

/// What a list of jobs says.
#[derive(Clone, Debug, Default)]
pub struct Summary {
    /// Verdict of the last comparison.
    pub verdict: Option<String>,
    /// What to do next, as a word.
    pub action: Option<String>,
}

/// When this changes, something was written to the job.
#[derive(Clone, Debug, PartialEq)]
struct Stamp {
    log_bytes: u64,
    log_time: Option<SystemTime>,
    decoders: String,
}

impl Jobs {
    /// The jobs below a folder, which is made when it is not there.
    ///
    /// # Errors
    /// `System` when it cannot be made.
    pub fn new(folder: &Path) -> Result<Self> {
        fs::create_dir_all(folder).map_err(|error| {
            crate::base::Error::system("cannot make the jobs folder").at(folder).because(error)
        })?;
        let folder = system::full_path(folder).map_err(|error| {
            crate::base::Error::system("cannot look into the jobs folder").at(folder).because(error)
        })?;
        Ok(Self { folder, entries: Mutex::default() })
    }

    /// The jobs folder.
    pub fn folder(&self) -> &Path {
        &self.folder
    }

    /// Names of all jobs, in order.
    pub fn names(&self) -> Vec<String> {
        let mut names: Vec<String> = fs::read_dir(&self.folder)
            .into_iter()
            .flatten()
            .flatten()
            .filter_map(|entry| entry.file_name().into_string().ok())
            .filter(|name| is_name(name) && self.is_job(name))
            .collect();
        names.sort();
        names
    }

    /// A folder of our own, no link that may lead elsewhere, with a job in it.
    fn is_job(&self, name: &str) -> bool {
        let folder = self.folder.join(name);
        fs::symlink_metadata(&folder).is_ok_and(|data| data.is_dir())
            && fs::symlink_metadata(folder.join("job.toml")).is_ok_and(|data| data.is_file())
    }

    /// A job by its name.
    ///
    /// # Errors
    /// 404.
    pub fn find(&self, name: &str) -> Answer<Arc<Entry>> {
        if !is_name(name) || !self.is_job(name) {
            return Err(ApiError::missing("there is no such job").help("look at the list of jobs"));
        }
        Ok(Arc::clone(locked(&self.entries).entry(name.to_owned()).or_insert_with(|| {
            Arc::new(Entry {
                name: name.into(),
                folder: self.folder.join(name),
                revision: AtomicU64::new(1),
                work: Mutex::default(),
                view: Mutex::default(),
                index: Mutex::default(),
            })
        })))
    }

    /// Lets go of states that nobody has asked for lately.
    pub fn forget_old(&self) {
        let mut made: Vec<(Instant, Arc<Entry>)> = locked(&self.entries)
            .values()
            .filter_map(|entry| {
                let view = entry.view.try_lock().ok()?;
                let at = view.made.as_ref().filter(|made| made.json.is_some())?.at;
                Some((at, Arc::clone(entry)))
            })
            .collect();
        made.sort_by_key(|(at, _)| std::cmp::Reverse(*at));
        for (_, entry) in made.into_iter().skip(KEPT) {
            if let Some(made) = &mut locked(&entry.view).made {
                made.json = None;
            }
        }
    }
}

impl Entry {
    /// Counts the changes of the job since the daemon began.
    pub fn revision(&self) -> u64 {
        self.revision.load(Ordering::Relaxed)
    }

    /// Something changed; gives the new revision.
    pub fn changed(&self) -> u64 {
        self.revision.fetch_add(1, Ordering::Relaxed) + 1
    }

    /// Works on the job: opened for this, unless a capture holds it open.
    ///
    /// # Errors
    /// 409 when another process has it (says which); what `work` gives.
    pub fn with<T>(&self, work: impl FnOnce(&mut Job) -> Answer<T>) -> Answer<T> {
        let mut inner = locked(&self.work);
        let mut job = match inner.job.take() {
            Some(job) => job,
            None => Job::open(&self.folder)?,
        };
        let done = work(&mut job);
        if inner.holds > 0 {
            inner.job = Some(job);
        }
        done
    }

    /// Holds the job open for a capture.
    ///
    /// # Errors
    /// 409 when another process has it.
    pub fn hold(self: &Arc<Self>) -> Answer<Held> {
        let mut inner = locked(&self.work);
        if inner.job.is_none() {
            inner.job = Some(Job::open(&self.folder)?);
        }
        inner.holds += 1;
        Ok(Held(Arc::clone(self)))
    }

    /// One decoding into the index at a time.
    ///
    /// # Errors
    /// As [`bench::Loaded::open`].
    pub fn loaded(&self, protocols: &Protocols) -> Result<bench::Loaded> {
        let mut index = locked(&self.index);
        self.load(protocols, &mut index)
    }

    fn load(&self, protocols: &Protocols, index: &mut Option<Indexed>) -> Result<bench::Loaded> {
        let (begun, stamp) = (Instant::now(), self.stamp(protocols));
        let loaded = bench::Loaded::open(&self.folder, protocols, false)?;
        let running = loaded.job.captures().any(|capture| !capture.is_closed());
        *index = Some(Indexed { stamp, at: Instant::now(), cost: begun.elapsed(), running });
        Ok(loaded)
    }

    /// The index as a store, brought up to date when something was written, and now and then while a capture runs.
    ///
    /// # Errors
    /// As [`Entry::loaded`].
    pub fn store(&self, protocols: &Protocols) -> Result<Store> {
        let mut index = locked(&self.index);
        let fresh = index.as_ref().is_some_and(|last| {
            last.stamp == self.stamp(protocols)
                && (!last.running || last.at.elapsed() < SOONEST.max(last.cost * COST_FACTOR))
        });
        if !fresh {
            drop(self.load(protocols, &mut index)?);
        }
        Store::open_known(&self.folder)
    }

    fn stamp(&self, protocols: &Protocols) -> Stamp {
        let log = fs::metadata(self.folder.join("raw/steps.journal")).ok();
        Stamp {
            log_bytes: log.as_ref().map_or(0, fs::Metadata::len),
            log_time: log.and_then(|log| log.modified().ok()),
            decoders: protocols.fingerprint(),
        }
    }

    /// The state of the job as JSON text, made anew when something was written, and now and then while a capture
    /// runs. Slow: for a thread that may wait.
    ///
    /// # Errors
    /// As [`bench::state`].
    pub fn state(&self, protocols: &Protocols) -> Result<Arc<str>> {
        let mut view = locked(&self.view);
        let stamp = self.stamp(protocols);
        if let Some(made) = &view.made
            && let Some(json) = &made.json
            && made.stamp == stamp
            && (!made.running || made.at.elapsed() < SOONEST.max(view.cost * COST_FACTOR))
        {
            return Ok(Arc::clone(json));
        }
        let begun = Instant::now();
        let loaded = self.loaded(protocols)?;
        let state = bench::state(&loaded, protocols)?;
        let text: Arc<str> = serde_json::to_string(&state).unwrap_or_else(|_| "{}".to_owned()).into();
        let running = loaded.job.captures().any(|capture| !capture.is_closed());
        let word = |value: serde_json::Value| value.as_str().map(str::to_owned);
        let summary = Summary {
            verdict: state.verdict.and_then(|verdict| serde_json::to_value(verdict).ok()).and_then(word),
            action: Some(state.advice.action.to_owned()),
        };
        view.cost = begun.elapsed();
        view.made = Some(Made { stamp, at: Instant::now(), json: Some(Arc::clone(&text)), summary, running });
        Ok(text)
    }

    /// What a list says of it, from the last state that was made; `None` when that is out of date.
    pub fn summary(&self, protocols: &Protocols) -> Option<Summary> {
        let view = self.view.try_lock().ok()?;
        let made = view.made.as_ref()?;
        (made.stamp == self.stamp(protocols)).then(|| made.summary.clone())
    }
}

/// Keeps a job open while it lives.
#[derive(Debug)]
pub struct Held(Arc<Entry>);

impl Held {
    /// The job.
    pub fn entry(&self) -> &Arc<Entry> {
        &self.0
    }
}

impl Drop for Held {
    fn drop(&mut self) {
        let mut inner = locked(&self.0.work);
        inner.holds = inner.holds.saturating_sub(1);
        if inner.holds == 0 {
            inner.job = None;
        }
    }
}
