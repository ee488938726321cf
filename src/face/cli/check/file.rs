//! One protocol file, checked.

use crate::base::words::plural;
use crate::base::{Error, Event, Result};
use crate::decode::chassis::Chassis;
use crate::decode::check::{self, Severity};
use crate::decode::folder::{Sort, sort};
use crate::decode::infrared::Formats;
use crate::decode::{example, shipped};
use crate::face::cli::check::covered::Covered;
use crate::face::out::Out;
use std::path::Path;
use std::sync::Arc;

#[derive(serde::Serialize, schemars::JsonSchema)]
pub(crate) struct Checked {
    pub(crate) file: String,
    pub(crate) examples: usize,
    pub(crate) wrong: usize,
    pub(crate) findings: Vec<Found>,
    /// The chassis of a chassis file that can be used.
    #[serde(skip)]
    pub(crate) chassis: Option<Arc<Chassis>>,
    /// What came out of the examples, with the number of each; `None` when the file cannot be used.
    #[serde(skip)]
    pub(crate) events: Option<Vec<(usize, Event)>>,
}

/// How much a remark weighs, as JSON says it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize, schemars::JsonSchema)]
#[serde(rename_all = "lowercase")]
pub(crate) enum Weight {
    /// The file cannot be used, or does not do what its examples say.
    Mistake,
    /// Probably not meant so.
    Warning,
    /// Worth knowing.
    Note,
}

#[derive(serde::Serialize, schemars::JsonSchema)]
pub(crate) struct Found {
    pub(crate) severity: Weight,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(crate) line: Option<u64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(crate) column: Option<u64>,
    pub(crate) message: String,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(crate) remedy: Option<String>,
    #[serde(skip)]
    pub(crate) text: String,
}

pub(crate) fn mistakes(checked: &[Checked]) -> usize {
    checked.iter().flat_map(|file| &file.findings).filter(|found| found.severity == Weight::Mistake).count()
}

/// Protocol files checked; the last three with captures and while they are watched.
#[derive(serde::Serialize, schemars::JsonSchema)]
pub(crate) struct FilesChecked<'a> {
    pub(crate) mistakes: usize,
    pub(crate) files: &'a [Checked],
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(crate) coverage: Option<Vec<Covered>>,
    /// How many events examples and captures give.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(crate) events: Option<u64>,
    /// What came and went since the last version; null at the first.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(crate) changes: Option<Option<Vec<EventChange>>>,
}

#[derive(serde::Serialize, schemars::JsonSchema)]
pub(crate) struct EventChange {
    /// `came` or `went`.
    pub(crate) change: &'static str,
    /// The example or the capture.
    pub(crate) of: String,
    pub(crate) event: serde_json::Value,
}

impl<'a> FilesChecked<'a> {
    pub(crate) fn of(files: &'a [Checked]) -> Self {
        Self { mistakes: mistakes(files), files, coverage: None, events: None, changes: None }
    }
}

pub(crate) fn print(file: &Checked, out: &mut Out) -> Result<()> {
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

/// What is found in a file stands indented below its name.
pub(crate) fn indented(found: &impl std::fmt::Display) -> String {
    format!("  {}", found.to_string().replace('\n', "\n  "))
}

pub(crate) fn mistake(text: String, error: &Error) -> Found {
    Found {
        severity: Weight::Mistake,
        line: error.place().line,
        column: error.place().column,
        message: error.what().to_owned(),
        remedy: error.help_text().map(str::to_owned),
        text,
    }
}

pub(crate) fn check_text(path: &Path, text: &str) -> Checked {
    let file = path.display().to_string();
    let mut checked =
        Checked { file, examples: 0, wrong: 0, findings: Vec::new(), chassis: None, events: None };
    match sort(text) {
        Sort::Chassis => check_chassis(path, text, &mut checked),
        Sort::Remote => check_remote(path, text, &mut checked),
        Sort::Bus => check_parsed(crate::decode::cec::Bus::parse(path, text), &mut checked),
        Sort::Faults => check_parsed(crate::analysis::locate::parse(path, text), &mut checked),
        Sort::Stressors => check_parsed(crate::analysis::provoke::stressor::check(path, text), &mut checked),
    }
    checked
}

pub(crate) fn check_chassis(path: &Path, text: &str, checked: &mut Checked) {
    for finding in check::check(path, text) {
        checked.findings.push(Found {
            severity: match finding.severity {
                Severity::Error => Weight::Mistake,
                Severity::Warning => Weight::Warning,
                Severity::Note => Weight::Note,
            },
            line: finding.place.line,
            column: finding.place.column,
            message: finding.message.clone(),
            remedy: finding.help.clone(),
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

pub(crate) fn check_remote(path: &Path, text: &str, checked: &mut Checked) {
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
pub(crate) fn check_parsed<T>(parsed: Result<T>, checked: &mut Checked) {
    match parsed {
        Ok(_) => checked.events = Some(Vec::new()),
        Err(error) => checked.findings.push(mistake(indented(&error), &error)),
    }
}
