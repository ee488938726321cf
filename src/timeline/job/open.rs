//! A job that is open: made, worked on, or looked at.

use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};

use super::capture::CaptureWriter;
use super::folder::{Lock, copy_in, protect, safe_word, sum_of, write_whole};
use super::log::{Entry, State};
use super::model::{CaptureOptions, CaptureRef, CaptureSource, JobInfo, LAYOUT_VERSION, Prompt, Stage, Step};
use crate::base::{Anchor, Error, Nanoseconds, Result, Span};
use crate::decode::file;
use crate::journal::{Reader, RecordKind, Writer};

/// Name of the step log inside the job.
const STEP_LOG: &str = "raw/steps.journal";

/// One job.
#[derive(Debug)]
pub struct Job {
    folder: PathBuf,
    info: JobInfo,
    state: State,
    /// Absent when the job is only looked at.
    log: Option<Writer>,
    /// Held for as long as the job is worked on.
    _lock: Option<Lock>,
    running: BTreeSet<String>,
}

impl Job {
    /// Makes a job in a new or empty folder and opens it.
    ///
    /// # Errors
    /// `Usage` when something is in the folder already or the set has no name; `Machine` when the disk fails.
    pub fn create(folder: &Path, info: &JobInfo) -> Result<Self> {
        if info.set.trim().is_empty() {
            return Err(Error::usage("a job needs a word for the set")
                .remedy("say which set it is: maker's label, room, ticket"));
        }
        if fs::read_dir(folder).is_ok_and(|mut entries| entries.next().is_some()) {
            return Err(Error::usage("there is something in this folder already")
                .at(folder)
                .remedy("choose a new folder for the job"));
        }
        fs::create_dir_all(folder.join("raw"))
            .map_err(|error| Error::machine("cannot make the folder of the job").at(folder).because(error))?;
        let lock = Lock::take(folder)?;
        let now = Anchor::now();
        let mut info = info.clone();
        info.version = LAYOUT_VERSION;
        if info.created.is_none() {
            info.created = now.wall(Nanoseconds::ZERO);
        }
        let log = Writer::create(&folder.join(STEP_LOG), now)?;
        let text = toml::to_string(&info)
            .map_err(|error| Error::machine("cannot write down the job").at(folder).because(error))?;
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
    /// `Input` when the folder is no job or its files are damaged; `Machine` when another process has it open
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
        let (log, recovered) = Writer::open(&folder.join(STEP_LOG))?;
        if recovered.cut > 0 {
            job.state
                .remarks
                .push(format!("the step log ended in a torn entry of {} bytes; it was cut", recovered.cut));
        }
        job.log = Some(log);
        job.find_strangers();
        job.close_after_crash()?;
        Ok(job)
    }

    /// Opens a job to look at it; nothing in the folder is changed, and somebody may be working on it.
    ///
    /// # Errors
    /// `Input` when the folder is no job or its files are damaged, `Machine` when the disk fails.
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

    fn close_after_crash(&mut self) -> Result<()> {
        let open: Vec<CaptureRef> = self.captures().filter(|capture| !capture.is_closed()).cloned().collect();
        for capture in open {
            if !capture.path.exists() {
                self.state.remarks.push(format!("{}: its file {} is missing", capture.name, capture.file));
                continue;
            }
            let (span, cut) = match &capture.source {
                CaptureSource::File { .. } => (None, 0),
                CaptureSource::Live { .. } => {
                    let (writer, recovered) = Writer::open(&capture.path)?;
                    let end = writer.last();
                    self.state
                        .remarks
                        .push(format!("{}: the recording was cut short after {end} s", capture.name));
                    (Some(Span { start: Nanoseconds::ZERO, end }), recovered.cut)
                }
            };
            self.seal(&capture.name, &capture.path, span, cut)?;
        }
        Ok(())
    }

    /// Sums the file of a complete capture and writes its end into the step log.
    fn seal(&mut self, name: &str, path: &Path, span: Option<Span>, cut: u64) -> Result<()> {
        let sum = sum_of(path)?;
        protect(path);
        self.write(vec![Entry::End {
            name: name.to_owned(),
            sha256: sum.sha256,
            bytes: sum.bytes,
            span,
            cut,
        }])
    }

    /// Writes entries into the step log, all in one commit, and takes them up.
    fn write(&mut self, entries: Vec<Entry>) -> Result<()> {
        let Some(log) = &mut self.log else {
            return Err(Error::usage("the job was opened to look at it").at(&self.folder));
        };
        let now = Anchor::now();
        let t = Nanoseconds(now.unix_ns.saturating_sub(log.anchor().unix_ns)).max(log.last());
        for entry in &entries {
            let payload = serde_json::to_vec(entry).map_err(|error| {
                Error::machine("cannot write down a step").at(&self.folder).because(error)
            })?;
            log.append(RecordKind::Entry, t, now.unix_ns, &payload)?;
        }
        log.commit()?;
        for entry in entries {
            self.state.apply(&self.folder, entry);
        }
        Ok(())
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
                .remedy(format!("its stages are: {}", list.join("; ")))
        })
    }

    /// All captures in order.
    pub fn captures(&self) -> impl Iterator<Item = &CaptureRef> {
        self.state.stages.iter().flat_map(|stage| &stage.captures)
    }

    /// What a reader of the job should know: what a crash has left, what is damaged, what is missing.
    pub fn remarks(&self) -> &[String] {
        &self.state.remarks
    }

    /// The cautions that were read, as they were worded; `None` when they were not yet.
    pub fn cautions_read(&self) -> Option<&str> {
        self.state.cautions.as_deref()
    }

    /// Notes that the cautions were shown in these words and read.
    ///
    /// # Errors
    /// `Machine` when the disk fails.
    pub fn acknowledge_cautions(&mut self, words: &str) -> Result<()> {
        self.write(vec![Entry::Cautions { words: words.to_owned() }])
    }

    /// When the job was closed, RFC 3339.
    pub fn closed(&self) -> Option<&str> {
        self.state.closed.as_deref()
    }

    /// Closes the job: the set is handed back. Work can go on all the same; it shows in the log.
    ///
    /// # Errors
    /// `Usage` while a capture runs, `Machine` when the disk fails.
    pub fn close(&mut self) -> Result<()> {
        self.check_idle()?;
        let at = Anchor::now().wall(Nanoseconds::ZERO).unwrap_or_default();
        self.write(vec![Entry::Closed { at }])
    }

    fn check_idle(&self) -> Result<()> {
        match self.running.first() {
            None => Ok(()),
            Some(name) => Err(Error::usage(format!("the capture {name} is still running"))
                .at(&self.folder)
                .remedy("end it first: a stage is a stretch in which the set does not change")),
        }
    }

    /// Says how the set came in: names the first stage, which is called `as received` otherwise.
    ///
    /// # Errors
    /// `Machine` when the disk fails.
    pub fn name_first_stage(&mut self, text: &str) -> Result<()> {
        self.write(vec![Entry::Received { text: text.to_owned() }])
    }

    /// Notes a step; a new stage begins.
    ///
    /// # Errors
    /// `Usage` while a capture runs or when the step has no words, `Machine` when the disk fails.
    pub fn add_step(&mut self, step: Step) -> Result<&Stage> {
        self.check_idle()?;
        if step.text.trim().is_empty() {
            return Err(Error::usage("a step needs words: what was done?").at(&self.folder));
        }
        self.write(vec![Entry::Step(step)])?;
        self.stage(self.state.stages.len())
    }

    /// Begins a live capture in the present stage. `port` says in words where the bytes come from, `origin`
    /// the same as JSON; `anchor` is the wall clock at capture time zero.
    ///
    /// # Errors
    /// `Machine` when the disk fails.
    pub fn begin_capture(
        &mut self,
        options: &CaptureOptions,
        port: &str,
        origin: &serde_json::Value,
        anchor: Anchor,
    ) -> Result<CaptureWriter> {
        let (name, file) = self.new_name(options.name.as_deref().unwrap_or("live"), "journal");
        let path = self.folder.join(&file);
        let mut journal = Writer::create(&path, anchor)?;
        journal.append(
            RecordKind::Origin,
            Nanoseconds::ZERO,
            Anchor::now().unix_ns,
            origin.to_string().as_bytes(),
        )?;
        journal.commit()?;
        let source = CaptureSource::Live { port: port.to_owned() };
        let mut entries = vec![begin(&name, &file, source, options, Some(anchor))];
        entries.extend(options.prompts.iter().map(|prompt| asked(&name, *prompt)));
        self.write(entries)?;
        self.running.insert(name.clone());
        Ok(CaptureWriter::new(journal, name, path))
    }

    /// Notes that a key is asked for during a running capture.
    ///
    /// # Errors
    /// `Usage` when no such capture runs, `Machine` when the disk fails.
    pub fn add_prompt(&mut self, capture: &str, prompt: Prompt) -> Result<()> {
        if !self.running.contains(capture) {
            return Err(Error::usage(format!("no capture {capture} is running")).at(&self.folder));
        }
        self.write(vec![asked(capture, prompt)])
    }

    /// Ends a live capture: closes its journal, sums it, and writes the sum into the step log.
    ///
    /// # Errors
    /// `Machine` when the disk fails; what was acknowledged stays.
    pub fn end_capture(&mut self, capture: CaptureWriter) -> Result<CaptureRef> {
        let name = capture.name().to_owned();
        self.running.remove(&name);
        let (path, span) = capture.finish()?;
        self.seal(&name, &path, Some(span), 0)?;
        self.found(&name)
    }

    /// Copies a capture file into the job, unaltered, in the present stage.
    ///
    /// # Errors
    /// `Input` when the file cannot be read, `Machine` when the copy cannot be written.
    pub fn import(&mut self, from: &Path, options: &CaptureOptions) -> Result<CaptureRef> {
        if self.log.is_none() {
            return Err(Error::usage("the job was opened to look at it").at(&self.folder));
        }
        let stem = from.file_stem().unwrap_or_default().to_string_lossy();
        let ending = from.extension().map_or("log".into(), |ending| ending.to_string_lossy());
        let (name, file) = self.new_name(options.name.as_deref().unwrap_or(&stem), &safe_word(&ending));
        let path = self.folder.join(&file);
        let sum = copy_in(from, &path)?;
        let source = CaptureSource::File { path: from.display().to_string() };
        let mut entries = vec![begin(&name, &file, source, options, None)];
        entries.extend(options.prompts.iter().map(|prompt| asked(&name, *prompt)));
        entries.push(Entry::End {
            name: name.clone(),
            sha256: sum.sha256,
            bytes: sum.bytes,
            span: None,
            cut: 0,
        });
        self.write(entries)?;
        self.found(&name)
    }

    fn found(&mut self, name: &str) -> Result<CaptureRef> {
        self.state.capture(name).cloned().ok_or_else(|| {
            Error::machine(format!("the capture {name} is not in the step log")).at(&self.folder)
        })
    }

    /// A name that no capture and no file has: number and word.
    fn new_name(&self, word: &str, ending: &str) -> (String, String) {
        let mut number = self.state.next;
        loop {
            let name = format!("{number:04}-{}", safe_word(word));
            let file = format!("raw/{name}.{ending}");
            let taken = self.captures().any(|capture| capture.name == name);
            if !taken && !self.folder.join(&file).exists() {
                return (name, file);
            }
            number += 1;
        }
    }

    /// Sums every closed capture anew and compares with the step log.
    ///
    /// Gives one sentence for each capture that is missing or altered; empty when all are as they were.
    ///
    /// # Errors
    /// `Machine` when the disk fails.
    pub fn verify(&self) -> Result<Vec<String>> {
        let mut wrong = Vec::new();
        for capture in self.captures() {
            let Some(expected) = &capture.sha256 else { continue };
            if !capture.path.exists() {
                wrong.push(format!("{}: {} is missing", capture.name, capture.file));
            } else if sum_of(&capture.path)?.sha256 != *expected {
                wrong.push(format!("{}: {} was altered after the capture", capture.name, capture.file));
            }
        }
        Ok(wrong)
    }
}

fn begin(
    name: &str,
    file: &str,
    source: CaptureSource,
    options: &CaptureOptions,
    anchor: Option<Anchor>,
) -> Entry {
    Entry::Begin {
        name: name.to_owned(),
        file: file.to_owned(),
        source,
        hands: options.hands,
        wire: options.wire.clone(),
        chassis: options.chassis.clone(),
        started_unix_ns: anchor.map(|anchor| anchor.unix_ns),
    }
}

fn asked(capture: &str, prompt: Prompt) -> Entry {
    Entry::Prompt { capture: capture.to_owned(), prompt }
}

fn read_info(folder: &Path) -> Result<JobInfo> {
    let path = folder.join("job.toml");
    let text = match fs::read_to_string(&path) {
        Ok(text) => text,
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => {
            return Err(Error::input("this is no job: there is no job.toml in it")
                .at(folder)
                .remedy("`straykey job new FOLDER` makes one"));
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
        .remedy("it was made by a later straykey; open it with that one"));
    }
    Ok(info)
}
