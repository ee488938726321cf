//! A job that is open: made, worked on, or looked at.

use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};

use crate::base::{Anchor, Error, Nanoseconds, Result};
use crate::decode::file;
use crate::journal::{Reader, RecordKind, Writer};
use crate::timeline::job::folder::{Lock, free_reserve, make_folder, sum_with, write_whole};
use crate::timeline::job::log::{Entry, State};
use crate::timeline::job::model::{CaptureRef, JobInfo, LAYOUT_VERSION, Stage};

/// Name of the step log inside the job.
pub(super) const STEP_LOG: &str = "raw/steps.journal";
/// Name of the file of sums that a close writes.
pub(super) const SUMS: &str = "SHA256SUMS";

/// One job.
#[derive(Debug)]
pub struct Job {
    pub(super) folder: PathBuf,
    info: JobInfo,
    pub(super) state: State,
    /// Absent when the job is only looked at.
    pub(super) log: Option<Writer>,
    /// Held for as long as the job is worked on.
    _lock: Option<Lock>,
    /// Names of the captures that are being recorded.
    pub(super) running: BTreeSet<String>,
}

impl Job {
    /// Makes a job in a new or empty folder and opens it.
    ///
    /// # Errors
    /// `Usage` when something is in the folder already or the set has no name; `System` when the disk fails.
    pub fn create(folder: &Path, info: &JobInfo) -> Result<Self> {
        if info.set.trim().is_empty() {
            return Err(Error::usage("a job needs a word for the set")
                .help("say which set it is: maker's label, room, ticket"));
        }
        if !is_free(folder) {
            return Err(in_use(folder));
        }
        make_folder(&folder.join("raw"))
            .map_err(|error| Error::system("cannot make the folder of the job").at(folder).because(error))?;
        let lock = Lock::take(folder)?;
        // Left by a creation that a full disk or a power cut has ended; it holds nothing.
        let _ = fs::remove_file(folder.join(STEP_LOG));
        let now = Anchor::now();
        let mut info = info.clone();
        info.version = LAYOUT_VERSION;
        if info.created.is_none() {
            info.created = now.wall(Nanoseconds::ZERO);
        }
        let log = Writer::create(&folder.join(STEP_LOG), now)?;
        let text = toml::to_string(&info)
            .map_err(|error| Error::system("cannot write down the job").at(folder).because(error))?;
        // Last, because it makes the folder a job.
        write_whole(&folder.join("job.toml"), text.as_bytes())?;
        if let Some(parent) = folder.parent().filter(|parent| !parent.as_os_str().is_empty()) {
            crate::journal::sync_folder(parent)?;
        }
        Ok(Self {
            folder: folder.to_owned(),
            info,
            state: State::new(),
            log: Some(log),
            _lock: Some(lock),
            running: BTreeSet::new(),
        })
    }

    /// Opens a job to work on it, for this process alone. Captures that a crash has left open are closed:
    /// a torn tail is cut, and [`Job::remarks`] says so.
    ///
    /// # Errors
    /// `Input` when the folder is no job or its files are damaged; `System` when another process has it open
    /// (the message names it) or the disk fails.
    pub fn open(folder: &Path) -> Result<Self> {
        let info = read_info(folder)?;
        let lock = Lock::take(folder)?;
        let mut job = Self {
            folder: folder.to_owned(),
            info,
            state: State::new(),
            log: None,
            _lock: Some(lock),
            running: BTreeSet::new(),
        };
        job.read_log()?;
        // Left by a crash; what follows may need the room.
        free_reserve(folder);
        let (log, recovered) = Writer::open(&folder.join(STEP_LOG))?;
        if recovered.cut > 0 {
            job.state
                .remarks
                .push(format!("the step log ended in a torn entry of {} bytes; it was cut", recovered.cut));
        }
        job.log = Some(log);
        job.find_strangers();
        job.look_around();
        job.forget_unfinished_close();
        job.close_after_crash()?;
        Ok(job)
    }

    /// Opens a job to look at it; nothing in the folder is changed, and somebody may be working on it.
    ///
    /// # Errors
    /// `Input` when the folder is no job or its files are damaged, `System` when the disk fails.
    pub fn read(folder: &Path) -> Result<Self> {
        let mut job = Self {
            folder: folder.to_owned(),
            info: read_info(folder)?,
            state: State::new(),
            log: None,
            _lock: None,
            running: BTreeSet::new(),
        };
        job.read_log()?;
        job.look_around();
        Ok(job)
    }

    fn read_log(&mut self) -> Result<()> {
        let path = self.folder.join(STEP_LOG);
        let mut reader = Reader::open(&path)?;
        while let Some(record) = reader.next_record()? {
            if record.kind != RecordKind::Entry {
                continue;
            }
            match serde_json::from_slice::<Entry>(&record.payload) {
                Ok(entry) => self.state.apply(&self.folder, entry),
                Err(error) => self.state.remarks.push(format!(
                    "step log: entry {} is not known to this program and was passed over ({error})",
                    record.sequence
                )),
            }
        }
        if let Some(recovered) = reader.recovered().filter(|recovered| recovered.damaged > 0) {
            self.state.remarks.push(format!(
                "the step log is damaged in {} places ({} bytes); steps may be missing",
                recovered.holes, recovered.damaged
            ));
        }
        Ok(())
    }

    /// Sums without a close: the close did not come to its end, so the job is open still.
    fn forget_unfinished_close(&mut self) {
        let sums = self.folder.join(SUMS);
        if self.closed().is_none() && sums.exists() {
            // Best effort: the next close writes them again.
            let _ = fs::remove_file(sums);
            self.state.remarks.push("closing the job did not come to its end; it is still open".to_owned());
        }
    }

    /// Files in `raw/` that the step log does not know: left by a crash, or put there by hand.
    fn find_strangers(&mut self) {
        let known: BTreeSet<&str> = self.captures().map(|capture| capture.file.as_str()).collect();
        let mut strangers: Vec<String> = fs::read_dir(self.folder.join("raw"))
            .into_iter()
            .flatten()
            .flatten()
            .map(|entry| format!("raw/{}", entry.file_name().to_string_lossy()))
            .filter(|file| file != STEP_LOG && !known.contains(file.as_str()))
            .collect();
        strangers.sort();
        for file in strangers {
            self.state.remarks.push(format!(
                "{} is no part of the job: the step log does not know it",
                crate::base::quote(file.as_bytes())
            ));
        }
    }

    /// Writes entries into the step log, all in one commit, and takes them up.
    pub(super) fn write(&mut self, entries: Vec<Entry>) -> Result<()> {
        self.write_at(Anchor::now(), entries)
    }

    /// As [`Job::write`], with this time on the entries.
    pub(super) fn write_at(&mut self, now: Anchor, entries: Vec<Entry>) -> Result<()> {
        let folder = self.folder.clone();
        let log = self.log_to_write()?;
        let t = since(log, now);
        for entry in &entries {
            log.append(RecordKind::Entry, t, now.unix_ns, &payload(&folder, entry)?)?;
        }
        log.commit()?;
        for entry in entries {
            self.state.apply(&self.folder, entry);
        }
        Ok(())
    }

    fn log_to_write(&mut self) -> Result<&mut Writer> {
        let folder = &self.folder;
        self.log.as_mut().ok_or_else(|| Error::usage("the job was opened to look at it").at(folder))
    }

    /// SHA-256 of the step log as it will be once an entry of this time is the last in it.
    pub(super) fn log_sum_with(&mut self, now: Anchor, entry: &Entry) -> Result<String> {
        let folder = self.folder.clone();
        let log = self.log_to_write()?;
        let bytes =
            log.next_bytes(RecordKind::Entry, since(log, now), now.unix_ns, &payload(&folder, entry)?);
        Ok(sum_with(&folder.join(STEP_LOG), &bytes)?.sha256)
    }

    /// What does not fit: captures that are not where they should be, or have another length; a close without its
    /// sums.
    fn look_around(&mut self) {
        let mut wrong: Vec<String> = self.captures().filter_map(CaptureRef::misfit).collect();
        if let Some(at) = self.closed()
            && !self.folder.join(SUMS).exists()
        {
            wrong.push(format!("the job was closed on {at}, but its sums are missing: close it once more"));
        }
        self.state.remarks.extend(wrong);
    }

    /// The job's folder.
    pub fn folder(&self) -> &Path {
        &self.folder
    }

    /// What the job is about.
    pub fn info(&self) -> &JobInfo {
        &self.info
    }

    /// The stages in order; never empty.
    pub fn stages(&self) -> &[Stage] {
        &self.state.stages
    }

    /// A stage by its number, counted from 1.
    ///
    /// # Errors
    /// `Usage` when there is no such stage; the message says how many there are.
    pub fn stage(&self, number: usize) -> Result<&Stage> {
        self.state.stages.iter().find(|stage| stage.number == number).ok_or_else(|| {
            let list: Vec<String> =
                self.state.stages.iter().map(|stage| format!("{} {}", stage.number, stage.text)).collect();
            Error::usage(format!("the job has no stage {number}"))
                .at(&self.folder)
                .help(format!("its stages are: {}", list.join("; ")))
        })
    }

    /// All captures in order.
    pub fn captures(&self) -> impl Iterator<Item = &CaptureRef> {
        self.state.stages.iter().flat_map(|stage| &stage.captures)
    }

    /// Whether a path is a record of this job, which no output may replace: a capture, the step log, the index. The
    /// report is none.
    pub fn holds(&self, path: &Path) -> bool {
        let (Ok(path), Ok(folder)) = (path.canonicalize(), self.folder.canonicalize()) else { return false };
        let Ok(inside) = path.strip_prefix(&folder) else { return false };
        let name = inside.to_string_lossy();
        inside.starts_with("raw")
            || name.starts_with("straykey.db")
            || matches!(&*name, "job.toml" | "job.lock" | "SHA256SUMS")
    }

    /// What a reader of the job should know: what a crash has left, what is damaged, what is missing.
    pub fn remarks(&self) -> &[String] {
        &self.state.remarks
    }

    /// Adds to what a reader of the job should know.
    pub fn remark(&mut self, what: impl Into<String>) {
        self.state.remarks.push(what.into());
    }

    /// The cautions that were read, as they were worded; `None` when they were not yet.
    pub fn cautions_read(&self) -> Option<&str> {
        self.state.cautions.as_deref()
    }

    /// When the job was closed, RFC 3339.
    pub fn closed(&self) -> Option<&str> {
        self.state.closed.as_deref()
    }
}

/// Time of an entry on the clock of the step log, which never runs back.
fn since(log: &Writer, now: Anchor) -> Nanoseconds {
    Nanoseconds(now.unix_ns.saturating_sub(log.anchor().unix_ns)).max(log.last())
}

fn payload(folder: &Path, entry: &Entry) -> Result<Vec<u8>> {
    serde_json::to_vec(entry)
        .map_err(|error| Error::system("cannot write down a step").at(folder).because(error))
}

/// Whether a job may be made here: the folder is absent, empty, or was begun by a creation that did not get
/// to its end (there is no `job.toml`, which is written last, and nothing that creation does not make).
pub(super) fn is_free(folder: &Path) -> bool {
    let holds_only = |folder: &Path, names: &[&str]| {
        fs::read_dir(folder).map_or(true, |mut entries| {
            entries.all(|entry| entry.is_ok_and(|entry| names.iter().any(|name| entry.file_name() == *name)))
        })
    };
    holds_only(folder, &["raw", "job.lock", "job.toml.new"])
        && holds_only(&folder.join("raw"), &["steps.journal"])
}

/// What is said of a folder in which no job may be made.
pub(super) fn in_use(folder: &Path) -> Error {
    Error::usage("there is something in this folder already")
        .at(folder)
        .help("choose a new folder for the job")
}

/// A job may come from elsewhere: reading a pipe or a device would wait for ever. That nothing is there is told by
/// who opens it.
fn check_plain(path: &Path) -> Result<()> {
    match fs::metadata(path) {
        Ok(data) if !data.is_file() => Err(Error::input("this is no plain file").at(path)),
        _ => Ok(()),
    }
}

fn read_info(folder: &Path) -> Result<JobInfo> {
    let path = folder.join("job.toml");
    check_plain(&path)?;
    check_plain(&folder.join(STEP_LOG))?;
    let text = match fs::read_to_string(&path) {
        Ok(text) => text,
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => {
            return Err(Error::input("this is no job: there is no job.toml in it")
                .at(folder)
                .help("`straykey job new FOLDER` makes one"));
        }
        Err(error) => return Err(Error::io("cannot read this file", &path, error)),
    };
    let info: JobInfo = file::parse(&path, &text)?;
    if info.version > LAYOUT_VERSION {
        return Err(Error::input(format!(
            "this job has layout {}, newer than {LAYOUT_VERSION}",
            info.version
        ))
        .at(&path)
        .help("it was made by a later straykey; open it with that one"));
    }
    Ok(info)
}
