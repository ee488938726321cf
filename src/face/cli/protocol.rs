//! `protocol`: list and show protocol files; the other commands on them have modules of their own.

use std::path::Path;

use crate::analysis::ladder::{Limits, Network};
use crate::base::{Error, Result};
use crate::decode::infrared::{Format, Remote};
use crate::decode::ladder::Windows;
use crate::decode::{schema, show};
use crate::face::cli::answers::{
    Listed, ListedChassis, ListedFormat, ListedKey, ListedRemote, Shown, ShownLine,
};
use crate::face::cli::args::ProtocolCommand;
use crate::face::cli::table;
use crate::face::out::{Out, Outcome, safe};
use crate::timeline::Protocols;

pub(super) fn run(command: ProtocolCommand, user: Option<&Path>, out: &mut Out) -> Result<Outcome> {
    match command {
        ProtocolCommand::Check(options) => crate::face::cli::check::run(&options, user, out),
        ProtocolCommand::List => list(&Protocols::load(user)?, out),
        ProtocolCommand::Show { name } => show_one(&name, &Protocols::load(user)?, out),
        ProtocolCommand::Schema { sort } => print_schema(&sort, out),
        ProtocolCommand::Learn(options) => crate::face::cli::learn::run(&options, out),
        ProtocolCommand::New(options) => crate::face::cli::new_protocol::run(&options, out),
    }
}

fn list(protocols: &Protocols, out: &mut Out) -> Result<Outcome> {
    let library = &protocols.library;
    let formats = &protocols.formats;
    let chassis: Vec<_> = library
        .all()
        .map(|chassis| {
            let identity = &chassis.file().chassis;
            ListedChassis {
                name: chassis.name().to_owned(),
                decoder: chassis.decoder().to_string(),
                about: identity.about.clone(),
                file: chassis.path().display().to_string(),
            }
        })
        .collect();
    if out.json {
        let formats = formats.all().iter().map(listed).collect();
        let remotes = protocols.formats.remotes().iter().map(table_of).collect();
        out.answer(Listed { chassis, formats, remotes })?;
        return Ok(Outcome::Done);
    }
    out.line("Chassis")?;
    let mut table = table::new(&["  name", "about"], &[]);
    for entry in &chassis {
        table.add_row([format!("  {}", entry.name), safe(&entry.about)]);
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
    out.line("\nKey tables of remotes")?;
    let mut table = table::new(&["  name", "format", "address", "keys", "about"], &[2, 3]);
    for remote in formats.remotes() {
        let about = safe(&remote.about);
        let cells = [
            remote.format.to_string(),
            format!("{:#04x}", remote.address),
            remote.keys().len().to_string(),
            about,
        ];
        table.add_row([format!("  {}", remote.name)].into_iter().chain(cells));
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
            .help(format!("name one of {sorts}")));
    };
    let text = serde_json::to_string_pretty(&schema)
        .map_err(|error| Error::system("the schema cannot be written").because(error))?;
    out.line(text)?;
    Ok(Outcome::Done)
}

fn show_one(name: &str, protocols: &Protocols, out: &mut Out) -> Result<Outcome> {
    if let Some(format) = protocols.formats.find(name) {
        return show_format(format, out);
    }
    if let Some(remote) = protocols.formats.remotes().iter().find(|remote| &*remote.name == name) {
        return show_remote(remote, out);
    }
    let chassis = protocols.library.chassis(name)?;
    if out.json {
        let lines: Vec<_> = chassis
            .lines()
            .map(|(name, line)| ShownLine {
                line: name.to_string(),
                windows: line.all().to_vec(),
                limits: limits(line),
            })
            .collect();
        out.answer(Shown::Chassis {
            name: chassis.name().to_owned(),
            decoder: chassis.decoder().to_string(),
            about: chassis.file().chassis.about.clone(),
            lines,
        })?;
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

fn listed(format: &Format) -> ListedFormat {
    ListedFormat {
        name: format.name().to_owned(),
        about: format.about().to_owned(),
        bits: format.bits().into(),
        carrier_hz: format.carrier_hz(),
        checked: format.is_checked(),
    }
}

fn table_of(remote: &Remote) -> ListedRemote {
    let key = |(command, key)| ListedKey { command, key };
    ListedRemote {
        name: remote.name.to_string(),
        about: remote.about.clone(),
        source: remote.source.clone(),
        format: remote.format.to_string(),
        address: remote.address,
        keys: remote.keys().into_iter().map(key).collect(),
    }
}

fn show_remote(remote: &Remote, out: &mut Out) -> Result<Outcome> {
    if out.json {
        out.answer(Shown::Remote(table_of(remote)))?;
        return Ok(Outcome::Done);
    }
    out.line(format!("{}: {}", safe(&remote.name), safe(&remote.about)))?;
    out.line(format!("  format {}, address {:#04x}", safe(&remote.format), remote.address))?;
    out.line(format!("  source: {}", safe(&remote.source)))?;
    remote
        .keys()
        .iter()
        .try_for_each(|(command, key)| out.line(format!("  {command:#04x}  {}", key.name())))?;
    Ok(Outcome::Done)
}

fn show_format(format: &Format, out: &mut Out) -> Result<Outcome> {
    if out.json {
        out.answer(Shown::Format {
            format: listed(format),
            source: format.source().to_owned(),
            unit_us: format.unit_us(),
            tolerance_us: format.tolerance_us(),
        })?;
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
