//! `completions` and `man`: what a shell and the manual know of the command line, from its own description.

use std::path::Path;

use clap::CommandFactory;
use clap_complete::Shell;

use crate::base::{Error, Result};
use crate::face::cli::args::Arguments;
use crate::face::out::{Out, Outcome};

/// The program's name, as it is typed.
const NAME: &str = "straykey";

pub(super) fn completions(shell: Shell, out: &mut Out) -> Result<Outcome> {
    let mut script = Vec::new();
    clap_complete::generate(shell, &mut Arguments::command(), NAME, &mut script);
    out.bytes(&script)?;
    Ok(Outcome::Done)
}

/// A page for the program and one for each command.
pub(super) fn man(folder: &Path, out: &mut Out) -> Result<Outcome> {
    let failed = |error| Error::io("cannot write the manual", folder, error);
    std::fs::create_dir_all(folder).map_err(failed)?;
    clap_mangen::generate_to(Arguments::command(), folder).map_err(failed)?;
    out.line(format!("Manual: {}", folder.join(NAME).with_extension("1").display()))?;
    Ok(Outcome::Done)
}
