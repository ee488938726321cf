//! Work on a job: steps, captures, closing.

use std::path::Path;

use crate::base::{Anchor, Error, Nanoseconds, Result, Span};
use crate::journal::{Group, RecordKind, Writer, recover, verify};
use crate::timeline::job::capture::CaptureWriter;
use crate::timeline::job::folder::{
    copy_in, free_reserve, protect, safe_word, sum_of, take_reserve, write_whole,
};
use crate::timeline::job::log::{Entry, Short};
use crate::timeline::job::model::{CaptureOptions, CaptureRef, CaptureSource, Prompt, Stage, Step};
use crate::timeline::job::open::{Job, STEP_LOG, SUMS};
use crate::timeline::job::provocation::{BlockBegun, Provocation, Spoiled};

impl Job {
    /// Notes that the cautions were shown in these words and read.
    ///
    /// # Errors
    /// `System` when the disk fails.
    pub fn acknowledge_cautions(&mut self, words: &str) -> Result<()> {
        self.write(vec![Entry::Cautions { words: words.to_owned() }])
    }

    /// Closes the job: the set is handed back. Writes `SHA256SUMS` beside the job, for all captures and the
    /// step log, as `sha256sum --check` reads it. From then on no step and no capture is taken up: what was signed
    /// stays what was signed.
    ///
    /// The sums are on the disk before the job is closed, so that it is never closed without them. A job that was
    /// closed by an earlier version and has lost its sums gets them.
    ///
    /// # Errors
    /// `Usage` while a capture runs or when the job is closed already, `Input` when a capture is missing or was
    /// altered, `System` when the disk fails. The job stays open then.
    pub fn close(&mut self) -> Result<()> {
        if self.closed().is_some() && self.folder.join(SUMS).exists() {
            self.check_open()?;
        }
        self.check_idle()?;
        let mut wrong = self.verify()?;
        wrong.extend(self.captures().filter(|capture| !capture.is_closed()).filter_map(CaptureRef::misfit));
        if !wrong.is_empty() {
            return Err(Error::input(format!("the job is not whole: {}", wrong.join("; ")))
                .at(&self.folder)
                .help("bring these captures back from a copy, then close the job; nothing was changed"));
        }
        if self.closed().is_some() {
            let log = sum_of(&self.folder.join(STEP_LOG))?.sha256;
            return self.write_sums(&log);
        }
        let now = Anchor::now();
        let entry = Entry::Closed { at: now.wall(Nanoseconds::ZERO).unwrap_or_default() };
        let log = self.log_sum_with(now, &entry)?;
        self.write_sums(&log)?;
        self.write_at(now, vec![entry])
    }

    fn write_sums(&self, log: &str) -> Result<()> {
        let mut sums = String::new();
        for capture in self.captures() {
            if let Some(sum) = &capture.sha256 {
                let inside = if capture.path.is_dir() { "/SHA256SUMS" } else { "" };
                sums.push_str(&format!("{sum}  {}{inside}\n", capture.file));
            }
        }
        sums.push_str(&format!("{log}  {STEP_LOG}\n"));
        write_whole(&self.folder.join(SUMS), sums.as_bytes())
    }

    fn check_open(&self) -> Result<()> {
        match self.closed() {
            None => Ok(()),
            Some(at) => Err(Error::usage(format!("the job was closed on {at}; nothing can be added"))
                .at(&self.folder)
                .help("a set that comes back is a new job: straykey job new")),
        }
    }

    fn check_idle(&self) -> Result<()> {
        match self.running.first() {
            None => Ok(()),
            Some(name) => Err(Error::usage(format!("the capture {name} is still running"))
                .at(&self.folder)
                .help("end it first: the set must not change within a stage")),
        }
    }

    /// Says how the set came in: names the first stage, which is called `as received` otherwise.
    ///
    /// # Errors
    /// `System` when the disk fails.
    pub fn name_first_stage(&mut self, text: &str) -> Result<()> {
        self.write(vec![Entry::Received { text: text.to_owned() }])
    }

    /// Notes a step; a new stage begins.
    ///
    /// # Errors
    /// `Usage` while a capture runs, when the step has no words or the job is closed, `System` when the disk fails.
    pub fn add_step(&mut self, step: Step) -> Result<&Stage> {
        self.check_open()?;
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
    /// `Usage` when the job is closed, `System` when the disk fails.
    pub fn begin_capture(
        &mut self,
        options: &CaptureOptions,
        port: &str,
        origin: &serde_json::Value,
        anchor: Anchor,
    ) -> Result<CaptureWriter> {
        self.check_open()?;
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
        self.has_begun(&name, &file, port, options, anchor)?;
        Ok(CaptureWriter::new(journal, name, path))
    }

    /// As [`Job::begin_capture`], written by a disk thread into a folder of segments: the way for recordings
    /// that run for days.
    ///
    /// # Errors
    /// `Usage` when the job is closed, `System` when the disk fails.
    pub fn begin_capture_in(
        &mut self,
        group: &Group,
        options: &CaptureOptions,
        port: &str,
        origin: &serde_json::Value,
        anchor: Anchor,
    ) -> Result<CaptureWriter> {
        self.check_open()?;
        let (name, file) = self.new_name(options.name.as_deref().unwrap_or("live"), "journal");
        let path = self.folder.join(&file);
        let writer = group.begin(&path, anchor, &origin.to_string())?;
        self.has_begun(&name, &file, port, options, anchor)?;
        Ok(CaptureWriter::in_group(writer, name, path))
    }

    fn has_begun(
        &mut self,
        name: &str,
        file: &str,
        port: &str,
        options: &CaptureOptions,
        anchor: Anchor,
    ) -> Result<()> {
        let source = CaptureSource::Live { port: port.to_owned() };
        let mut entries = vec![begin(name, file, source, options, Some(anchor))];
        entries.extend(options.prompts.iter().map(|prompt| asked(name, *prompt)));
        self.write(entries)?;
        take_reserve(&self.folder);
        self.running.insert(name.to_owned());
        Ok(())
    }

    /// Notes that a key is asked for during a running capture.
    ///
    /// # Errors
    /// `Usage` when no such capture runs, `System` when the disk fails.
    pub fn add_prompt(&mut self, capture: &str, prompt: Prompt) -> Result<()> {
        self.during(capture, asked(capture, prompt))
    }

    /// Notes what a running capture is for: a provocation by this plan.
    ///
    /// # Errors
    /// As [`Job::add_prompt`].
    pub fn provoke(&mut self, capture: &str, provocation: Provocation) -> Result<()> {
        self.during(capture, Entry::Provoke { capture: capture.to_owned(), provocation })
    }

    /// Notes that a block of a running provocation begins.
    ///
    /// # Errors
    /// As [`Job::add_prompt`].
    pub fn begin_block(&mut self, capture: &str, block: BlockBegun) -> Result<()> {
        self.during(capture, Entry::Block { capture: capture.to_owned(), block })
    }

    /// Strikes out a round of a provocation, from 0; it stays in the log, with the reason. Of one that is over it is noted that
    /// the numbers were known.
    ///
    /// # Errors
    /// `Usage` when the capture is no provocation, when no such round was begun, or when it is struck out already; `System`
    /// when the disk fails.
    pub fn strike_round(&mut self, capture: &str, round: usize, why: impl Into<Spoiled>) -> Result<()> {
        self.check_open()?;
        let found = self.captures().find(|found| found.name == capture);
        let Some(plan) = found.and_then(|found| found.provocation.as_ref()) else {
            return Err(Error::usage(format!("{capture} is no provocation")).at(&self.folder));
        };
        let begun = plan.begun.last().map_or(0, |block| block.round + 1);
        if round >= begun {
            return Err(Error::usage(format!("no round {} was begun", round + 1))
                .at(&self.folder)
                .help(format!("its rounds are 1 to {begun}")));
        }
        if let Some(why) = plan.struck.get(&round) {
            return Err(
                Error::usage(format!("round {} is left out already: {why}", round + 1)).at(&self.folder)
            );
        }
        let later = !self.running.contains(capture);
        self.write(vec![Entry::Strike { capture: capture.to_owned(), round, why: why.into(), later }])
    }

    fn during(&mut self, capture: &str, entry: Entry) -> Result<()> {
        if !self.running.contains(capture) {
            return Err(Error::usage(format!("no capture {capture} is running")).at(&self.folder));
        }
        self.write(vec![entry])
    }

    /// Ends a live capture: closes its journal, sums it, and writes the sum into the step log.
    ///
    /// When the journal cannot be closed, because its disk failed or is full, the capture ends with what was
    /// acknowledged.
    ///
    /// # Errors
    /// `System` when the disk fails now or had failed during the capture; what was acknowledged stays.
    pub fn end_capture(&mut self, mut capture: CaptureWriter) -> Result<CaptureRef> {
        let name = capture.name().to_owned();
        let path = capture.path().to_owned();
        self.running.remove(&name);
        let mut busy = false;
        let ended = capture.finish(&mut busy);
        if self.running.is_empty() || ended.is_err() {
            free_reserve(&self.folder);
        }
        match ended {
            Ok(span) => self.seal(&name, &path, Some(span), 0, None)?,
            // Nothing is touched that another thread may still write; the next opening of the job does it.
            Err(error) if busy => return Err(error),
            Err(error) => {
                let captured = capture.captured();
                // If even this fails, the next opening of the job does it.
                let _ = self.recover(&path, captured).and_then(|end| self.seal_recovered(&name, &path, end));
                return Err(error);
            }
        }
        self.found(&name)
    }

    /// Copies a capture file into the job, unaltered, in the present stage.
    ///
    /// # Errors
    /// `Usage` when the job is closed, `Input` when the file cannot be read, `System` when the copy cannot be written.
    pub fn import(&mut self, from: &Path, options: &CaptureOptions) -> Result<CaptureRef> {
        if self.log.is_none() {
            return Err(Error::usage("the job was opened to look at it").at(&self.folder));
        }
        self.check_open()?;
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
            short: None,
        });
        self.write(entries)?;
        self.found(&name)
    }

    fn found(&mut self, name: &str) -> Result<CaptureRef> {
        self.state.capture(name).cloned().ok_or_else(|| {
            Error::system(format!("the capture {name} is not in the step log")).at(&self.folder)
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

    /// Sums every closed capture again and compares with the step log.
    ///
    /// Gives one sentence for each capture that is missing or altered; empty when all are as they were.
    ///
    /// # Errors
    /// `System` when the disk fails.
    pub fn verify(&self) -> Result<Vec<String>> {
        let mut wrong = Vec::new();
        for capture in self.captures() {
            let Some(expected) = &capture.sha256 else { continue };
            if !capture.is_there() {
                wrong.push(format!("{}: {} is missing", capture.name, capture.file));
            } else if capture.path.is_dir() {
                let found = verify(&capture.path, expected)?;
                wrong.extend(found.into_iter().map(|what| format!("{}: {what}", capture.name)));
            } else if sum_of(&capture.path)?.sha256 != *expected {
                wrong.push(format!("{}: {} was altered after the capture", capture.name, capture.file));
            }
        }
        Ok(wrong)
    }

    pub(super) fn close_after_crash(&mut self) -> Result<()> {
        let open: Vec<CaptureRef> = self.captures().filter(|capture| !capture.is_closed()).cloned().collect();
        for capture in open {
            // That it is missing was told already.
            if !capture.is_there() {
                continue;
            }
            let end = match &capture.source {
                CaptureSource::File { .. } => Recovered::default(),
                CaptureSource::Live { .. } => self.recover(&capture.path, 0)?,
            };
            self.seal_recovered(&capture.name, &capture.path, end)?;
        }
        Ok(())
    }

    /// Looks a live capture through that had no orderly end. `captured` is how many bytes it should hold, as far
    /// as that is known.
    fn recover(&mut self, path: &Path, captured: u64) -> Result<Recovered> {
        let (after, found, cut, closed, remarks) = if path.is_dir() {
            let repaired = recover(path)?;
            (repaired.end, repaired.captured, repaired.recovered.cut, repaired.closed, repaired.remarks)
        } else {
            let (writer, recovered) = Writer::open(path)?;
            (writer.last(), writer.captured(), recovered.cut, writer.is_closed(), Vec::new())
        };
        // What was written and not yet acknowledged may have come through all the same.
        let missing = captured.saturating_sub(found);
        let span = Some(Span { start: Nanoseconds::ZERO, end: after });
        Ok(Recovered { span, cut, short: (!closed).then_some(Short { after, missing }), remarks })
    }

    fn seal_recovered(&mut self, name: &str, path: &Path, end: Recovered) -> Result<()> {
        self.state.remarks.extend(end.remarks.iter().map(|what| format!("{name}: {what}")));
        self.seal(name, path, end.span, end.cut, end.short)
    }

    /// Sums the file of a complete capture and writes its end into the step log.
    fn seal(
        &mut self,
        name: &str,
        path: &Path,
        span: Option<Span>,
        cut: u64,
        short: Option<Short>,
    ) -> Result<()> {
        let sum = sum_of(path)?;
        protect(path);
        self.write(vec![Entry::End {
            name: name.to_owned(),
            sha256: sum.sha256,
            bytes: sum.bytes,
            span,
            cut,
            short,
        }])
    }
}

/// What was found of a capture that had no orderly end.
#[derive(Default)]
struct Recovered {
    span: Option<Span>,
    /// Bytes of a torn tail that were cut.
    cut: u64,
    short: Option<Short>,
    /// What else was put in order.
    remarks: Vec<String>,
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
