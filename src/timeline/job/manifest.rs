//! The manifest: a job from a list of steps and capture files, as TOML or the same as JSON.

use std::collections::BTreeMap;
use std::fs;
use std::ops::Range;
use std::path::{Path, PathBuf};

use serde::Deserialize;
use serde::de::DeserializeOwned;
use toml::Spanned;

use crate::base::{Error, Result, quote};
use crate::decode::file::{mistake, parse};
use crate::timeline::job::folder::Part;
use crate::timeline::job::model::{CaptureOptions, Hands, JobInfo, Prompt, Step, StepKind, check_signal};
use crate::timeline::job::open::{Job, in_use, is_free};

/// Largest manifest and largest list of prompts that is read, in bytes.
const LARGEST: u64 = 1 << 20;

/// A text of the manifest, with its place where the format gives one.
trait Text {
    fn text(&self) -> &str;
    fn span(&self) -> Option<Range<usize>>;
}

impl Text for Spanned<String> {
    fn text(&self) -> &str {
        self.get_ref()
    }
    fn span(&self) -> Option<Range<usize>> {
        Some(Spanned::span(self))
    }
}

impl Text for String {
    fn text(&self) -> &str {
        self
    }
    fn span(&self) -> Option<Range<usize>> {
        None
    }
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Manifest<S> {
    set: S,
    chassis: Option<S>,
    complaint: Option<String>,
    technician: Option<String>,
    #[serde(default = "Vec::new")]
    stage: Vec<StageEntry<S>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct StageEntry<S> {
    step: S,
    kind: Option<S>,
    #[serde(default)]
    parts: Vec<String>,
    #[serde(default = "Vec::new")]
    capture: Vec<CaptureEntry<S>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct CaptureEntry<S> {
    file: S,
    hands: S,
    #[serde(default = "BTreeMap::new")]
    wire: BTreeMap<String, S>,
    prompts: Option<S>,
    chassis: Option<String>,
    name: Option<String>,
}

/// What the manifest asks for, checked.
struct Plan {
    info: JobInfo,
    first: String,
    stages: Vec<PlannedStage>,
}

struct PlannedStage {
    step: Option<Step>,
    captures: Vec<(PathBuf, CaptureOptions)>,
}

/// Makes a job in `folder` from a manifest. File names in it are relative to the manifest's own folder.
///
/// Everything is checked before anything is made. The job grows beside its place and gets its name when it is whole, so
/// that a build that was ended half way leaves no job that lacks stages.
///
/// # Errors
/// `Input` with line, column and what was expected for a mistake in the manifest, a missing capture or a
/// damaged list of prompts; `Usage` when the folder is in use; `System` when the disk fails.
pub fn build(manifest: &Path, folder: &Path) -> Result<Job> {
    let text = read_small(manifest, "manifest", LARGEST)?;
    let base = manifest.parent().unwrap_or(Path::new("."));
    let plan = if text.trim_start().starts_with('{') {
        let parsed: Manifest<String> = parse_json(manifest, &text)?;
        Checker { path: manifest, text: &text, base }.plan(parsed)?
    } else {
        let parsed: Manifest<Spanned<String>> = parse(manifest, &text)?;
        Checker { path: manifest, text: &text, base }.plan(parsed)?
    };
    if !is_free(folder) {
        return Err(in_use(folder));
    }
    let part = Part::make(folder)?;
    let mut job = Job::create(&part.0, &plan.info)?;
    fill(&mut job, plan)?;
    drop(job);
    part.into_place(folder)?;
    Job::open(folder)
}

fn fill(job: &mut Job, plan: Plan) -> Result<()> {
    job.name_first_stage(&plan.first)?;
    for PlannedStage { step, captures } in plan.stages {
        if let Some(step) = step {
            job.add_step(step)?;
        }
        for (path, options) in captures {
            job.import(&path, &options)?;
        }
    }
    Ok(())
}

struct Checker<'a> {
    path: &'a Path,
    text: &'a str,
    base: &'a Path,
}

impl Checker<'_> {
    /// An error at a value. JSON gives no places, so there the value's first appearance is shown.
    fn wrong(&self, value: &impl Text, what: &str, expected: &str) -> Error {
        let span = value.span().or_else(|| {
            let quoted = serde_json::to_string(value.text()).ok()?;
            self.text.find(&quoted).map(|start| start..start + quoted.len())
        });
        mistake(self.path, self.text, span.unwrap_or(0..0), what, Some(expected))
    }

    fn plan<S: Text>(&self, manifest: Manifest<S>) -> Result<Plan> {
        if manifest.set.text().trim().is_empty() {
            return Err(self.wrong(&manifest.set, "the set has no name", "expected words for the set"));
        }
        let mut info = JobInfo::new(manifest.set.text());
        info.chassis = manifest.chassis.map(|chassis| chassis.text().to_owned());
        info.complaint = manifest.complaint;
        info.technician = manifest.technician;
        let Some(first) = manifest.stage.first() else {
            return Err(self.wrong(
                &manifest.set,
                "the manifest has no stage",
                "expected at least one [[stage]]",
            ));
        };
        let first = first.step.text().to_owned();
        let mut stages = Vec::new();
        for (index, stage) in manifest.stage.iter().enumerate() {
            let step = self.step(index, stage)?;
            let captures =
                stage.capture.iter().map(|capture| self.capture(capture)).collect::<Result<Vec<_>>>()?;
            stages.push(PlannedStage { step, captures });
        }
        Ok(Plan { info, first, stages })
    }

    fn step<S: Text>(&self, index: usize, stage: &StageEntry<S>) -> Result<Option<Step>> {
        const KINDS: &str = "expected isolate, repair or restore";
        if stage.step.text().trim().is_empty() {
            return Err(self.wrong(&stage.step, "the step has no words", "expected what was done"));
        }
        match (&stage.kind, index) {
            (Some(kind), 0) => Err(self.wrong(
                kind,
                "the first stage is the set as it came in; no step stands before it",
                "leave `kind` out here, and give the step a stage of its own",
            )),
            (None, 0) if !stage.parts.is_empty() => Err(self.wrong(
                &stage.step,
                "the first stage is the set as it came in; no parts were touched",
                "leave `parts` out here",
            )),
            (None, 0) => Ok(None),
            (None, _) => {
                Err(self.wrong(&stage.step, "this stage does not say what kind of step began it", KINDS))
            }
            (Some(word), _) => match StepKind::from_word(word.text()) {
                Some(kind) => {
                    Ok(Some(Step { text: stage.step.text().to_owned(), kind, parts: stage.parts.clone() }))
                }
                None => {
                    let what = format!("\"{}\" is no kind of step", quote(word.text().as_bytes()));
                    Err(self.wrong(word, &what, KINDS))
                }
            },
        }
    }

    fn capture<S: Text>(&self, capture: &CaptureEntry<S>) -> Result<(PathBuf, CaptureOptions)> {
        let path = self.base.join(capture.file.text());
        if !path.is_file() {
            let what = format!("there is no file {}", quote(path.display().to_string().as_bytes()));
            return Err(self.wrong(
                &capture.file,
                &what,
                "expected a capture file, relative to the manifest",
            ));
        }
        let hands = match capture.hands.text() {
            "off" => Hands::Off,
            "on" => Hands::On,
            other => {
                let what = format!("\"{}\" does not say where the hands were", quote(other.as_bytes()));
                return Err(self.wrong(&capture.hands, &what, "expected off (nobody touched a key) or on"));
            }
        };
        let mut wire = BTreeMap::new();
        for (channel, signal) in &capture.wire {
            if let Err(expected) = check_signal(signal.text()) {
                let what = format!("\"{}\" is no signal", quote(signal.text().as_bytes()));
                return Err(self.wrong(signal, &what, expected));
            }
            wire.insert(channel.clone(), signal.text().to_owned());
        }
        let prompts = match &capture.prompts {
            None => Vec::new(),
            Some(file) => {
                let path = self.base.join(file.text());
                if !path.is_file() {
                    let what = format!("there is no file {}", quote(path.display().to_string().as_bytes()));
                    return Err(self.wrong(file, &what, "expected a file of prompts, one {t, key} a line"));
                }
                in_order(&path)?
            }
        };
        let options = CaptureOptions {
            name: capture.name.clone(),
            hands,
            wire,
            prompts,
            chassis: capture.chassis.clone(),
        };
        Ok((path, options))
    }
}

fn read_small(path: &Path, what: &str, largest: u64) -> Result<String> {
    let length =
        fs::metadata(path).map_err(|error| Error::io(format!("cannot open this {what}"), path, error))?;
    if length.len() > largest {
        return Err(Error::input(format!("this {what} has {} bytes, more than {largest}", length.len()))
            .at(path)
            .help("captures stand beside it in files of their own"));
    }
    let bytes = fs::read(path).map_err(|error| Error::io(format!("cannot read this {what}"), path, error))?;
    String::from_utf8(bytes).map_err(|error| {
        Error::input(format!("this {what} is not UTF-8 text"))
            .at(path)
            .offset(error.utf8_error().valid_up_to() as u64)
            .help("save it as plain UTF-8 text")
    })
}

fn parse_json<T: DeserializeOwned>(path: &Path, text: &str) -> Result<T> {
    serde_json::from_str(text).map_err(|error| {
        let before: usize =
            text.split_inclusive('\n').take(error.line().saturating_sub(1)).map(str::len).sum();
        let at = before + error.column().saturating_sub(1);
        let what = error.to_string();
        let what = what.split(" at line ").next().unwrap_or_default();
        mistake(path, text, at..at + 1, what, None)
    })
}

/// Prompts of a manifest: in order of time.
fn in_order(path: &Path) -> Result<Vec<Prompt>> {
    let mut prompts: Vec<Prompt> = Vec::new();
    each_prompt(path, LARGEST, &mut |line, prompt| {
        if prompts.last().is_some_and(|last| last.t > prompt.t) {
            return Err(Error::input("the prompts run back in time")
                .at(path)
                .line(line, None)
                .help("sort them by t"));
        }
        prompts.push(prompt);
        Ok(())
    })?;
    Ok(prompts)
}

/// Reads what was asked, when: one JSON object `{t, key}` a line, in any order. `largest` is in bytes.
///
/// # Errors
/// `Input` for a file that is missing, larger, no UTF-8 text, or has a line that is no prompt; `System` when the
/// disk fails.
pub fn read_prompts(path: &Path, largest: u64) -> Result<Vec<Prompt>> {
    let mut prompts = Vec::new();
    each_prompt(path, largest, &mut |_, prompt| {
        prompts.push(prompt);
        Ok(())
    })?;
    Ok(prompts)
}

/// Gives each prompt with its line, from 1.
fn each_prompt(path: &Path, largest: u64, take: &mut dyn FnMut(u64, Prompt) -> Result<()>) -> Result<()> {
    let text = read_small(path, "list of prompts", largest)?;
    for (number, line) in (1..).zip(text.lines()).filter(|(_, line)| !line.trim().is_empty()) {
        let prompt = serde_json::from_str(line).map_err(|error| {
            let what = error.to_string();
            let what = what.split(" at line ").next().unwrap_or_default().to_owned();
            Error::input(what)
                .at(path)
                .line(number, Some(error.column() as u64))
                .help("write one prompt a line: {\"t\": 12.5, \"key\": \"KEY_VOLUMEUP\"}")
        })?;
        take(number, prompt)?;
    }
    Ok(())
}
