//! `protocol`: check, list and show protocol files.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use super::table;
use crate::analysis::ladder::{Limits, Network};
use crate::base::{Error, Result};
use crate::decode::chassis::Chassis;
use crate::decode::check::{self, Severity};
use crate::decode::infrared::{Format, Formats};
use crate::decode::ladder::Windows;
use crate::decode::library;
use crate::decode::{example, schema, shipped, show};
use crate::face::args::ProtocolCommand;
use crate::face::out::{Out, Outcome, safe};
use crate::timeline::Protocols;

pub(super) fn run(command: ProtocolCommand, user: Option<&Path>, out: &mut Out) -> Result<Outcome> {
    match command {
        ProtocolCommand::Check { files } => check_files(&files, user, out),
        ProtocolCommand::List => list(&Protocols::load(user)?, out),
        ProtocolCommand::Show { name } => show_one(&name, &Protocols::load(user)?, out),
        ProtocolCommand::Schema { sort } => print_schema(&sort, out),
        ProtocolCommand::Learn(options) => super::learn::run(&options, out),
        ProtocolCommand::New(options) => super::new_protocol::run(&options, out),
    }
}

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

fn check_files(files: &[PathBuf], user: Option<&Path>, out: &mut Out) -> Result<Outcome> {
    let mut checked = Vec::new();
    if files.is_empty() {
        for (path, text) in shipped::FILES {
            checked.push(check_text(Path::new(path), text)?);
        }
        for path in user.into_iter().flat_map(toml_files) {
            let text = library::read(&path)?;
            checked.push(check_text(&path, &text)?);
        }
    }
    for path in files {
        let text = library::read(path)?;
        checked.push(check_text(path, &text)?);
    }
    let mistakes: usize =
        checked.iter().flat_map(|file| &file.findings).filter(|found| found.severity == "mistake").count();
    if out.json {
        out.value(&serde_json::json!({ "version": 1, "mistakes": mistakes, "files": checked }))?;
    } else {
        for file in &checked {
            out.line(format!(
                "{}: {} of {} examples right, {}",
                file.file,
                file.examples - file.wrong,
                file.examples,
                if file.findings.is_empty() {
                    "no remarks".to_owned()
                } else {
                    format!("{} remarks", file.findings.len())
                }
            ))?;
            for found in &file.findings {
                out.line(&found.text)?;
            }
        }
    }
    if mistakes > 0 {
        return Err(Error::input(format!("{mistakes} mistakes in protocol files"))
            .remedy("each is shown above with its place; nothing was changed"));
    }
    Ok(Outcome::Done)
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

fn check_text(path: &Path, text: &str) -> Result<Checked> {
    let file = path.display().to_string();
    let mut checked = Checked { file, examples: 0, wrong: 0, findings: Vec::new() };
    match sort(text) {
        Sort::Chassis => check_chassis(path, text, &mut checked),
        Sort::Remote => check_remote(path, text, &mut checked),
        Sort::Bus => check_parsed(crate::decode::cec::Bus::parse(path, text), &mut checked),
        Sort::Faults => check_parsed(crate::analysis::locate::parse(path, text), &mut checked),
    }
    Ok(checked)
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
            text: format!("  {}", finding.to_string().replace('\n', "\n  ")),
        });
    }
    if let Ok(chassis) = Chassis::parse(path, text) {
        let outcomes = example::run(&Arc::new(chassis));
        checked.examples = outcomes.len();
        // `check` has made a finding of each wrong example already.
        checked.wrong = outcomes.iter().filter(|outcome| !outcome.is_right()).count();
    }
}

fn check_remote(path: &Path, text: &str, checked: &mut Checked) {
    let shipped = shipped::folder("protocols/remote/").map(|(path, text)| (Path::new(path), text));
    let formats = match Formats::load(shipped.chain([(path, text)])) {
        Ok(formats) => Arc::new(formats),
        Err(error) => {
            checked.findings.push(mistake(format!("  {}", error.to_string().replace('\n', "\n  ")), &error));
            return;
        }
    };
    for (_, example) in formats.examples().iter().filter(|(of, _)| of == path) {
        checked.examples += 1;
        if let Err(difference) = example.check(&formats) {
            checked.wrong += 1;
            let error = Error::input(difference).at(path);
            checked.findings.push(mistake(format!("  {error}"), &error));
        }
    }
}

/// A file whose own reader finds every mistake.
fn check_parsed<T>(parsed: Result<T>, checked: &mut Checked) {
    if let Err(error) = parsed {
        checked.findings.push(mistake(format!("  {}", error.to_string().replace('\n', "\n  ")), &error));
    }
}

fn list(protocols: &Protocols, out: &mut Out) -> Result<Outcome> {
    let library = &protocols.library;
    let formats = &protocols.formats;
    let chassis: Vec<_> = library
        .all()
        .map(|chassis| {
            let identity = &chassis.file().chassis;
            serde_json::json!({
                "name": chassis.name(), "decoder": chassis.decoder().to_string(), "about": identity.about,
                "file": chassis.path().display().to_string(),
            })
        })
        .collect();
    if out.json {
        let formats: Vec<_> = formats
            .all()
            .iter()
            .map(|format| {
                serde_json::json!({
                    "name": format.name(), "about": format.about(), "bits": format.bits(),
                    "carrier_hz": format.carrier_hz(), "checked": format.is_checked(),
                })
            })
            .collect();
        out.value(&serde_json::json!({ "version": 1, "chassis": chassis, "formats": formats }))?;
        return Ok(Outcome::Done);
    }
    out.line("Chassis")?;
    let mut table = table::new(&["  name", "about"], &[]);
    for entry in &chassis {
        let word = |name: &str| entry[name].as_str().unwrap_or_default().to_owned();
        table.add_row([format!("  {}", word("name")), safe(&word("about"))]);
    }
    out.line(table::text(&table))?;
    out.line("\nInfrared formats")?;
    let mut table = table::new(&["  name", "carrier", "bits", "about"], &[1, 2]);
    for format in formats.all() {
        table.add_row([
            format!("  {}", format.name()),
            format!("{:.0} kHz", format.carrier_hz() / 1000.0),
            format.bits().to_string(),
            format!("{}{}", safe(format.about()), if format.is_checked() { "" } else { " (no check bits)" }),
        ]);
    }
    out.line(table::text(&table))?;
    for remark in library.remarks() {
        out.note(remark);
    }
    Ok(Outcome::Done)
}

fn print_schema(sort: &str, out: &mut Out) -> Result<Outcome> {
    let Some(schema) = schema::of(sort) else {
        let sorts = schema::SORTS.join(", ");
        return Err(Error::usage(format!("no sort of protocol file is called {}", safe(sort)))
            .remedy(format!("name one of {sorts}")));
    };
    let text = serde_json::to_string_pretty(&schema)
        .map_err(|error| Error::machine("the schema cannot be written").because(error))?;
    out.line(text)?;
    Ok(Outcome::Done)
}

fn show_one(name: &str, protocols: &Protocols, out: &mut Out) -> Result<Outcome> {
    if let Some(format) = protocols.formats.find(name) {
        return show_format(format, out);
    }
    let chassis = protocols.library.chassis(name)?;
    if out.json {
        let lines: Vec<_> = chassis
            .lines()
            .map(|(name, line)| {
                let windows: Vec<_> = line
                    .all()
                    .iter()
                    .map(|w| serde_json::json!({ "key": w.key, "low": w.low, "high": w.high, "nominal": w.nominal }))
                    .collect();
                serde_json::json!({ "line": name.to_string(), "windows": windows, "limits": limits(line) })
            })
            .collect();
        let about = &chassis.file().chassis.about;
        let result = serde_json::json!({
            "version": 1, "name": chassis.name(), "decoder": chassis.decoder().to_string(), "about": about, "lines": lines,
        });
        out.value(&result)?;
    } else {
        out.line(show::show(&chassis, &bears).trim_end())?;
    }
    Ok(Outcome::Done)
}

/// What a line's ladder bears; the same sets of parts each time.
fn limits(windows: &Windows) -> Limits {
    Limits::of(&Network::from(windows.line()), 1)
}

/// The same for people, under a line's windows.
fn bears(windows: &Windows) -> String {
    let limits = limits(windows);
    let mut list = table::new(&Limits::COLUMNS, &[2, 3]);
    let letter = |key| show::letter(windows, key).map_or_else(String::new, |letter| format!("  {letter}"));
    for row in limits.rows(&letter) {
        list.add_row(row);
    }
    let rows = table::text(&list);
    let sentences = limits.sentences().into_iter().map(|text| table::wrap(&format!("- {text}"), 2));
    rows.lines().map(str::to_owned).chain(sentences).map(|line| line + "\n").collect()
}

fn show_format(format: &Format, out: &mut Out) -> Result<Outcome> {
    if out.json {
        out.value(&serde_json::json!({
            "version": 1, "name": format.name(), "about": format.about(), "source": format.source(),
            "carrier_hz": format.carrier_hz(), "unit_us": format.unit_us(), "bits": format.bits(),
            "checked": format.is_checked(), "tolerance_us": format.tolerance_us(),
        }))?;
    } else {
        out.line(format!("{}: {}", format.name(), safe(format.about())))?;
        out.line(format!(
            "  carrier {:.0} kHz, unit {} us, {} bits, tolerance {:.0} us, {}",
            format.carrier_hz() / 1000.0,
            format.unit_us(),
            format.bits(),
            format.tolerance_us(),
            if format.is_checked() {
                "with check bits"
            } else {
                "without check bits: two equal frames make a key"
            }
        ))?;
        out.line(format!("  source: {}", safe(format.source())))?;
    }
    Ok(Outcome::Done)
}
