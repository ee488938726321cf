//! The cautions, before a live set is touched.

use crate::base::{Error, Result};
use crate::face::cli::table;
use crate::face::out::Out;
use crate::timeline::job::Job;

/// Refuses a live capture until the cautions were read.
pub(crate) fn cautions(job: &mut Job, read: bool, out: &Out) -> Result<()> {
    if job.cautions_read().is_some() {
        return Ok(());
    }
    ask(read, out)?;
    job.acknowledge_cautions("shown in the terminal and confirmed")
}

/// Shows the cautions and waits for a yes, where there is somebody to give it.
pub(crate) fn ask(read: bool, out: &Out) -> Result<()> {
    confirm_text(&crate::face::cautions::text(usize::from(table::width())), read, out)
}

/// The same of what is about to be done to the set; nothing without a caution.
pub(crate) fn confirm(list: &[&str], read: bool, out: &Out) -> Result<()> {
    if list.is_empty() {
        return Ok(());
    }
    let lines: Vec<String> = list.iter().map(|caution| table::wrap(&format!("- {caution}"), 2)).collect();
    confirm_text(&lines.join("\n"), read, out)
}

fn confirm_text(text: &str, read: bool, out: &Out) -> Result<()> {
    use std::io::IsTerminal;
    out.note(text);
    if read {
        return Ok(());
    }
    if !std::io::stdin().is_terminal() {
        return Err(Error::usage("the cautions above have not been confirmed")
            .help("read them and add --cautions-read, or run this in a terminal"));
    }
    out.note("Type yes when you have read this and every point is met. Anything else stops.");
    let mut line = String::new();
    std::io::stdin()
        .read_line(&mut line)
        .map_err(|error| Error::system("cannot read the confirmation").because(error))?;
    match line.trim().to_lowercase().as_str() {
        "yes" | "y" => Ok(()),
        _ => Err(Error::usage("the cautions were not confirmed, so nothing was begun")),
    }
}
