//! `protocol check`: examples run, mistakes shown at their place, captures covered; once, or on every save.

mod covered;
mod difference;
mod watch;

use std::path::{Path, PathBuf};
use std::sync::Arc;

use self::covered::Covered;
use crate::base::words::plural;
use crate::base::{Error, Event, Result};
use crate::decode::chassis::Chassis;
use crate::decode::check::{self, Severity};
use crate::decode::infrared::Formats;
use crate::decode::{example, library, shipped};
use crate::face::cli::args::ProtocolCheck;
use crate::face::cli::{line, live};
use crate::face::out::{Out, Outcome};

/// What a file describes, told by its first table.
enum Sort {
    Chassis,
    Remote,
    Bus,
    Faults,
}

fn sort(text: &str) -> Sort {
    let has = |table: &str| text.lines().any(|line| line.trim_start().starts_with(table));
    if has("[format]") || has("[remote]") {
        Sort::Remote
    } else if has("[[location]]") {
        Sort::Faults
    } else if has("[bus]") {
        Sort::Bus
    } else {
        Sort::Chassis
    }
}

#[derive(serde::Serialize)]
struct Checked {
    file: String,
    examples: usize,
    wrong: usize,
    findings: Vec<Found>,
    /// The chassis of a chassis file that can be used.
    #[serde(skip)]
    chassis: Option<Arc<Chassis>>,
    /// What came out of the examples, with the number of each; `None` when the file cannot be used.
    #[serde(skip)]
    events: Option<Vec<(usize, Event)>>,
}

#[derive(serde::Serialize)]
struct Found {
    severity: &'static str,
    #[serde(skip_serializing_if = "Option::is_none")]
    line: Option<u64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    column: Option<u64>,
    message: String,
    #[serde(skip_serializing_if = "Option::is_none")]
    remedy: Option<String>,
    #[serde(skip)]
    text: String,
}

pub(super) fn run(options: &ProtocolCheck, user: Option<&Path>, out: &mut Out) -> Result<Outcome> {
    if !options.capture.is_empty() && options.files.len() != 1 {
        return Err(Error::usage("captures are read by one protocol file").remedy(
            "name one chassis file: straykey protocol check FILE --capture CAPTURE; others go into another call",
        ));
    }
    if options.watch {
        return watch::run(options, out);
    }
    let mut checked = Vec::new();
    if options.files.is_empty() {
        checked.extend(shipped::FILES.iter().map(|(path, text)| check_text(Path::new(path), text)));
        let paths: Vec<PathBuf> = user.into_iter().flat_map(toml_files).collect();
        if paths.len() == MOST_FILES {
            out.note(format!("only {MOST_FILES} files of the folder are checked; name the others"));
        }
        for path in paths {
            checked.push(check_text(&path, &library::read(&path)?));
        }
    }
    for path in &options.files {
        checked.push(check_text(path, &library::read(path)?));
    }
    let mut covered = Vec::new();
    if let (Some(file), false) = (checked.first(), options.capture.is_empty()) {
        // A file that cannot be used reads nothing; its mistakes are told below.
        if let Some(chassis) = &file.chassis {
            for capture in &options.capture {
                covered.push(Covered::read(capture, chassis, &mut |_| {})?);
            }
        } else if file.findings.is_empty() {
            return Err(Error::usage("only a chassis file reads captures line by line").at(&file.file));
        }
    }
    if out.json {
        let mut result = json(&checked);
        if !options.capture.is_empty() {
            result["coverage"] = serde_json::json!(covered);
        }
        out.value(&result)?;
    } else {
        checked.iter().try_for_each(|file| print(file, out))?;
        covered.iter().try_for_each(|covered| covered.print(out))?;
    }
    match mistakes(&checked) {
        0 => Ok(Outcome::Done),
        mistakes => Err(Error::input(format!("{} in protocol files", plural(mistakes as u64, "mistake")))
            .remedy("each is shown above with its place; nothing was changed")),
    }
}

fn mistakes(checked: &[Checked]) -> usize {
    checked.iter().flat_map(|file| &file.findings).filter(|found| found.severity == "mistake").count()
}

fn json(checked: &[Checked]) -> serde_json::Value {
    serde_json::json!({ "version": 1, "mistakes": mistakes(checked), "files": checked })
}

fn print(file: &Checked, out: &mut Out) -> Result<()> {
    out.line(format!(
        "{}: {} of {} examples right, {}",
        file.file,
        file.examples - file.wrong,
        file.examples,
        if file.findings.is_empty() {
            "no remarks".to_owned()
        } else {
            plural(file.findings.len() as u64, "remark")
        }
    ))?;
    file.findings.iter().try_for_each(|found| out.line(&found.text))
}

/// Deepest folder below the user's that is looked into, and most files that are read.
const DEEPEST: usize = 4;
const MOST_FILES: usize = 2_000;

/// The `*.toml` in and below a folder, by name; links to folders are not followed, since they may lead in a circle.
fn toml_files(folder: &Path) -> Vec<PathBuf> {
    let mut found = Vec::new();
    let mut folders = vec![(folder.to_owned(), 0)];
    while let Some((folder, depth)) = folders.pop() {
        for entry in std::fs::read_dir(folder).into_iter().flatten().flatten() {
            let path = entry.path();
            match entry.file_type() {
                Ok(sort) if sort.is_dir() && depth < DEEPEST => folders.push((path, depth + 1)),
                Ok(sort) if sort.is_dir() => {}
                _ if found.len() == MOST_FILES => break,
                _ if path.extension().is_some_and(|extension| extension == "toml") => found.push(path),
                _ => {}
            }
        }
    }
    found.sort();
    found
}

/// What is found in a file stands indented below its name.
fn indented(found: &impl std::fmt::Display) -> String {
    format!("  {}", found.to_string().replace('\n', "\n  "))
}

fn mistake(text: String, error: &Error) -> Found {
    Found {
        severity: "mistake",
        line: error.place().line,
        column: error.place().column,
        message: error.what().to_owned(),
        remedy: error.remedy_text().map(str::to_owned),
        text,
    }
}

fn check_text(path: &Path, text: &str) -> Checked {
    let file = path.display().to_string();
    let mut checked =
        Checked { file, examples: 0, wrong: 0, findings: Vec::new(), chassis: None, events: None };
    match sort(text) {
        Sort::Chassis => check_chassis(path, text, &mut checked),
        Sort::Remote => check_remote(path, text, &mut checked),
        Sort::Bus => check_parsed(crate::decode::cec::Bus::parse(path, text), &mut checked),
        Sort::Faults => check_parsed(crate::analysis::locate::parse(path, text), &mut checked),
    }
    checked
}

fn check_chassis(path: &Path, text: &str, checked: &mut Checked) {
    for finding in check::check(path, text) {
        checked.findings.push(Found {
            severity: match finding.severity {
                Severity::Error => "mistake",
                Severity::Warning => "warning",
                Severity::Note => "note",
            },
            line: finding.place.line,
            column: finding.place.column,
            message: finding.message.clone(),
            remedy: finding.remedy.clone(),
            text: indented(&finding),
        });
    }
    if let Ok(chassis) = Chassis::parse(path, text).map(Arc::new) {
        let outcomes = example::run(&chassis);
        checked.examples = outcomes.len();
        // `check` has made a finding of each wrong example already.
        checked.wrong = outcomes.iter().filter(|outcome| !outcome.is_right()).count();
        let events = outcomes.into_iter().flat_map(|of| of.events.into_iter().map(move |e| (of.number, e)));
        checked.events = Some(events.collect());
        checked.chassis = Some(chassis);
    }
}

fn check_remote(path: &Path, text: &str, checked: &mut Checked) {
    let shipped = shipped::folder("protocols/remote/").map(|(path, text)| (Path::new(path), text));
    let formats = match Formats::load(shipped.chain([(path, text)])) {
        Ok(formats) => Arc::new(formats),
        Err(error) => {
            checked.findings.push(mistake(indented(&error), &error));
            return;
        }
    };
    let events = checked.events.insert(Vec::new());
    for (_, example) in formats.examples().iter().filter(|(of, _)| of == path) {
        checked.examples += 1;
        events.extend(example.events(&formats).into_iter().map(|event| (checked.examples, event)));
        if let Err(difference) = example.check(&formats) {
            checked.wrong += 1;
            let error = Error::input(difference).at(path);
            checked.findings.push(mistake(format!("  {error}"), &error));
        }
    }
}

/// A file whose own reader finds every mistake.
fn check_parsed<T>(parsed: Result<T>, checked: &mut Checked) {
    match parsed {
        Ok(_) => checked.events = Some(Vec::new()),
        Err(error) => checked.findings.push(mistake(indented(&error), &error)),
    }
}
