//! `protocol check`: examples run, mistakes shown at their place, captures covered; once, or on every save.

mod covered;
mod difference;
mod file;
mod watch;

pub(super) use crate::face::cli::check::file::FilesChecked;
use crate::face::cli::check::file::{check_text, mistakes, print};
use std::path::Path;

use self::covered::Covered;
use crate::base::words::plural;
use crate::base::{Error, Result};
use crate::decode::{folder, shipped};
use crate::face::cli::args::ProtocolCheck;
use crate::face::out::{Out, Outcome};

pub(super) fn run(options: &ProtocolCheck, user: Option<&Path>, out: &mut Out) -> Result<Outcome> {
    if !options.capture.is_empty() && options.files.len() != 1 {
        return Err(Error::usage("captures are read by one protocol file").help(
            "name one chassis file: straykey protocol check FILE --capture CAPTURE; others go into another call",
        ));
    }
    if options.watch {
        return watch::run(options, out);
    }
    let mut checked = Vec::new();
    if options.files.is_empty() {
        checked.extend(shipped::FILES.iter().map(|(path, text)| check_text(Path::new(path), text)));
        for path in user.map(folder::files).transpose()?.unwrap_or_default() {
            checked.push(check_text(&path, &folder::read(&path)?));
        }
    }
    for path in &options.files {
        checked.push(check_text(path, &folder::read(path)?));
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
        let coverage = (!options.capture.is_empty()).then_some(covered);
        out.answer(FilesChecked { coverage, ..FilesChecked::of(&checked) })?;
    } else {
        checked.iter().try_for_each(|file| print(file, out))?;
        covered.iter().try_for_each(|covered| covered.print(out))?;
    }
    match mistakes(&checked) {
        0 => Ok(Outcome::Done),
        mistakes => Err(Error::input(format!("{} in protocol files", plural(mistakes as u64, "mistake")))
            .help("each is shown above with its place; nothing was changed")),
    }
}
