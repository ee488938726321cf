//! `protocol check --watch`: the check again on every save, with what changed in the events.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::time::{Duration, SystemTime};

use crate::base::words::plural;
use crate::base::{Error, Event, Result, write_event};
use crate::decode::folder;
use crate::face::cli::args::ProtocolCheck;
use crate::face::cli::check::covered::Covered;
use crate::face::cli::check::difference::{Change, changes};
use crate::face::cli::check::file::{Checked, EventChange, FilesChecked, check_text, print};
use crate::face::cli::{line, live};
use crate::face::out::{Out, Outcome, complain};

/// How often the files are looked at.
const EVERY: Duration = Duration::from_millis(200);
/// A file that was written so lately may have been written twice within one tick of the file system's clock.
const FRESH: Duration = Duration::from_secs(2);
/// Most events of one file and its captures that are compared; the first ones.
const MOST_EVENTS: usize = 20_000;
/// Most differences that are shown to people.
const SHOWN: usize = 100;

/// A file that is waited for.
struct Watched {
    path: PathBuf,
    /// Time and length when it was last read.
    stat: Option<(SystemTime, u64)>,
    /// What stood there, or why it could not be read.
    text: Option<std::result::Result<String, String>>,
}

impl Watched {
    /// Whether the file is another than at the last look; its text or the error is given.
    fn look(&mut self) -> Option<Result<String>> {
        let stat = std::fs::metadata(&self.path).ok().and_then(|m| Some((m.modified().ok()?, m.len())));
        let fresh = stat.is_some_and(|(t, _)| t.elapsed().map_or(true, |age| age < FRESH));
        if self.text.is_some() && stat.is_some() && stat == self.stat && !fresh {
            return None;
        }
        self.stat = stat;
        let read = folder::read(&self.path);
        let text = read.as_ref().map(Clone::clone).map_err(ToString::to_string);
        if self.text.as_ref() == Some(&text) {
            return None;
        }
        self.text = Some(text);
        Some(read)
    }
}

/// The events of the last run in which the file could be used, each as it is shown.
type Last = BTreeMap<PathBuf, Vec<String>>;

pub(super) fn run(options: &ProtocolCheck, out: &mut Out) -> Result<Outcome> {
    let stop = live::Stop::listen();
    let mut files: Vec<Watched> =
        options.files.iter().map(|path| Watched { path: path.clone(), stat: None, text: None }).collect();
    let mut last = Last::new();
    out.note("checked again on every save; Ctrl-C ends");
    while !stop.asked() {
        for file in &mut files {
            match file.look() {
                Some(Ok(text)) => check(&file.path, &text, &options.capture, &mut last, out)?,
                Some(Err(error)) => tell(&error, out)?,
                None => {}
            }
        }
        out.flush()?;
        std::thread::sleep(EVERY);
    }
    Ok(Outcome::Done)
}

/// An error does not end the watch: the next save may mend it.
fn tell(error: &Error, out: &mut Out) -> Result<()> {
    if out.json {
        return out.value(&serde_json::json!({ "version": 1, "error": error.to_string() }));
    }
    complain(error, false);
    Ok(())
}

fn check(path: &Path, text: &str, captures: &[PathBuf], last: &mut Last, out: &mut Out) -> Result<()> {
    let mut checked = check_text(path, text);
    let mut shown = Shown { json: out.json, lines: Vec::new(), left: 0 };
    for (number, event) in checked.events.iter_mut().flatten() {
        shown.take(&format!("example {number}"), event);
    }
    let mut covered = Vec::new();
    for capture in captures {
        let Some(chassis) = &checked.chassis else { break };
        let of = capture.file_name().map_or_else(|| "-".into(), |name| name.to_string_lossy());
        match Covered::read(capture, chassis, &mut |mut event| shown.take(&of, &mut event)) {
            Ok(one) => covered.push(one),
            Err(error) => tell(&error, out)?,
        }
    }
    let before = if checked.events.is_some() { last.get(path) } else { None };
    let found = before.map(|before| changes(before, &shown.lines));
    if out.json {
        out.answer(FilesChecked {
            coverage: Some(covered),
            events: Some(shown.lines.len() as u64 + shown.left),
            changes: Some(found.map(|found| found.iter().map(as_json).collect())),
            ..FilesChecked::of(std::slice::from_ref(&checked))
        })?;
    } else {
        print(&checked, out)?;
        covered.iter().try_for_each(|covered| covered.print(out))?;
        say(found.as_deref(), &checked, &shown, out)?;
    }
    if checked.events.is_some() {
        last.insert(path.to_owned(), shown.lines);
    }
    Ok(())
}

fn say(found: Option<&[Change<'_>]>, checked: &Checked, shown: &Shown, out: &mut Out) -> Result<()> {
    let count = shown.lines.len() as u64 + shown.left;
    match found {
        None if checked.events.is_none() => {
            out.line("  the file cannot be used as it is; events are compared with the last that could")?;
        }
        None => out.line(format!("  {}", plural(count, "event")))?,
        Some([]) => out.line(format!("  {}, the same as before", plural(count, "event")))?,
        Some(found) => {
            for change in found.iter().take(SHOWN) {
                let (sign, colour, line) = match change {
                    Change::Went(line) => ('-', anstyle::AnsiColor::Red, line),
                    Change::Came(line) => ('+', anstyle::AnsiColor::Green, line),
                };
                let style = anstyle::Style::new().fg_color(Some(colour.into()));
                out.line(format!("  {style}{sign} {line}{style:#}"))?;
            }
            if found.len() > SHOWN {
                out.line(format!("  and {} more", plural((found.len() - SHOWN) as u64, "difference")))?;
            }
        }
    }
    if shown.left > 0 {
        out.line(format!("  only the first {MOST_EVENTS} of {count} events are compared"))?;
    }
    Ok(())
}

/// Events as they are compared and shown.
struct Shown {
    json: bool,
    lines: Vec<String>,
    /// Events beyond those that are held.
    left: u64,
}

impl Shown {
    /// Takes an event without what changes with every version of the file.
    fn take(&mut self, of: &str, event: &mut Event) {
        if self.lines.len() >= MOST_EVENTS {
            self.left += 1;
            return;
        }
        if !self.json {
            self.lines.push(format!("{of}  {}", line::event(event).trim_start()));
            return;
        }
        (event.capture, event.decoder, event.offset, event.length) = (None, None, None, None);
        let mut text = Vec::new();
        write_event(event, None, &mut text);
        self.lines.push(format!("{of}\t{}", String::from_utf8_lossy(&text).trim_end()));
    }
}

fn as_json(change: &Change<'_>) -> EventChange {
    let (word, text) = match change {
        Change::Went(text) => ("went", text),
        Change::Came(text) => ("came", text),
    };
    let (of, event) = text.split_once('\t').unwrap_or(("", text));
    let event = serde_json::from_str(event).unwrap_or_default();
    EventChange { change: word, of: of.to_owned(), event }
}
