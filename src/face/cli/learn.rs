//! `protocol learn`: an unknown log to a draft protocol file, or to additions to one.

use std::fs::File;
use std::io::Write as _;
use std::path::Path;

use crate::base::words::plural;
use crate::base::{Error, Result, sync_folder, write_output};
use crate::decode::folder;
use crate::face::cli::answers::Learned;
use crate::face::cli::args::learn::ProtocolLearn;
use crate::face::out::{Out, Outcome, safe};
use crate::learn::{Capture, Extended, Loaded, extend, learn, learn_frames, load};
use crate::timeline::job::{Prompt, read_prompts};

/// Largest list of prompts that is read, bytes.
const LARGEST_PROMPTS: u64 = 4 << 20;

pub(super) fn run(options: &ProtocolLearn, out: &mut Out) -> Result<Outcome> {
    if options.prompts.len() > options.captures.len() {
        return Err(Error::usage("there are more lists of prompts than captures")
            .help("give one --prompts for each capture, in the same order"));
    }
    let mut captures = Vec::new();
    for (number, path) in options.captures.iter().enumerate() {
        let name = path.file_name().map_or("standard input".into(), |name| name.to_string_lossy());
        let name = if name == "-" { "standard input".into() } else { name };
        match open(path, &name, options.binary)? {
            Loaded::Binary(bytes) => return binary(options, path, &name, &bytes, out),
            Loaded::Text(mut capture) => {
                if let Some(file) = options.prompts.get(number) {
                    capture.prompts = prompts(file)?;
                }
                if capture.lines().len() == 0 {
                    return Err(Error::input("the capture holds no lines").at(path));
                }
                captures.push(capture);
            }
        }
    }
    if let Some(file) = &options.extend {
        return add(file, options.out.as_deref(), &captures, out);
    }
    let mut captures = captures.iter();
    let first = captures.next().map(|capture| draft(capture, &options.name, out)).transpose()?;
    let mut text = first.unwrap_or_default();
    let path = Path::new(&options.name).with_extension("toml");
    for capture in captures {
        let extended = extend(&path, &text, capture)?;
        extended.added.iter().for_each(|added| out.note(format!("{}: {}", safe(&capture.name), safe(added))));
        text = extended.text;
    }
    finish(options.out.as_deref(), &text, out)
}

fn binary(options: &ProtocolLearn, path: &Path, name: &str, bytes: &[u8], out: &mut Out) -> Result<Outcome> {
    if options.extend.is_some() || options.captures.len() > 1 {
        return Err(Error::usage("binary frames are learned from one capture, into a file of their own")
            .at(path)
            .help("give one capture and --out FILE"));
    }
    let draft = learn_frames(bytes, &options.name, name)
        .map_err(|error| if error.place().path.is_none() { error.at(path) } else { error })?;
    out.note(format!("{} frames, {:.1} % of the bytes", draft.frames, 100.0 * draft.covered));
    finish(options.out.as_deref(), &draft.text, out)
}

fn draft(capture: &Capture, name: &str, out: &Out) -> Result<String> {
    let draft = learn(capture, name);
    if draft.rules.is_empty() {
        let why = format!(
            "nothing can be learned: none of its {} has a shape that comes back",
            plural(draft.lines as u64, "line")
        );
        return Err(Error::input(why)
            .at(Path::new(&capture.name))
            .help("give a longer capture, best a key check with its --prompts; `decode --text` shows what the set prints"));
    }
    let sure: Vec<String> = draft
        .rules
        .iter()
        .filter_map(|rule| {
            rule.confidence.map(|c| format!("  {:.2}  {}  {}", c, rule.event, safe(&rule.shape)))
        })
        .collect();
    out.note(format!(
        "{} lines, {} shapes written, {} of them move with the keys, {} examples",
        draft.lines,
        draft.rules.len(),
        sure.len(),
        draft.examples.len()
    ));
    sure.iter().for_each(|line| out.note(line));
    draft.unknown.iter().for_each(|unknown| out.note(format!("unknown: {}", safe(unknown))));
    Ok(draft.text())
}

fn open(path: &Path, name: &str, binary: bool) -> Result<Loaded> {
    if path.as_os_str() == "-" {
        return load(name, Box::new(std::io::stdin()), binary);
    }
    if path.is_dir() {
        return Err(Error::input("this is a folder, not a capture file").at(path));
    }
    let file = File::open(path).map_err(|error| Error::io("cannot open the capture", path, error))?;
    load(name, Box::new(file), binary).map_err(|error| error.at(path))
}

/// Prompts, one JSON object a line.
pub(super) fn prompts(path: &Path) -> Result<Vec<Prompt>> {
    read_prompts(path, LARGEST_PROMPTS)
}

/// Adds to a file; the file itself is replaced in one step, so that no half of it ever stands there.
fn add(file: &Path, to: Option<&Path>, captures: &[Capture], out: &mut Out) -> Result<Outcome> {
    let old = folder::read(file)?;
    let mut extended = Extended { text: old, added: Vec::new(), left: Vec::new() };
    for capture in captures {
        let more = extend(file, &extended.text, capture)?;
        extended.text = more.text;
        extended.added.extend(more.added);
        extended.left.extend(more.left);
    }
    extended.left.iter().for_each(|left| out.note(format!("unknown: {}", safe(left))));
    if let Some(to) = to {
        write_new(to, &extended.text)?;
    } else if !extended.added.is_empty() {
        write_output(file, "cannot replace the file", |mut new| {
            let written = new.write_all(extended.text.as_bytes());
            written.map_err(|error| Error::io("cannot replace the file", file, error))
        })?;
    }
    if out.json {
        out.answer(Learned::Extended { added: extended.added, left: extended.left })?;
    } else if extended.added.is_empty() {
        out.line("nothing to add: the file knows all that this capture shows for sure")?;
    } else {
        for added in &extended.added {
            out.line(format!("added {}", safe(added)))?;
        }
    }
    Ok(Outcome::Done)
}

/// Writes a file that must not be there yet, into a folder that need not be there either.
pub(super) fn write_new(path: &Path, text: &str) -> Result<()> {
    if let Some(folder) = path.parent() {
        let failed = |error| Error::io("cannot make the folder for the file", folder, error);
        std::fs::create_dir_all(folder).map_err(failed)?;
    }
    let mut file = File::create_new(path).map_err(|error| {
        if error.kind() == std::io::ErrorKind::AlreadyExists {
            Error::usage("a file of this name is there already, and is not overwritten")
                .at(path)
                .help("choose another name, or add to it with `protocol learn CAPTURE --extend FILE`")
        } else {
            Error::io("cannot write the file", path, error)
        }
    })?;
    let written = file.write_all(text.as_bytes()).and_then(|()| file.sync_all());
    let written = written.and_then(|()| sync_folder(path.parent().unwrap_or(Path::new(""))));
    written.map_err(|error| Error::io("cannot write the file", path, error))
}

/// Writes the draft, or shows it.
fn finish(to: Option<&Path>, text: &str, out: &mut Out) -> Result<Outcome> {
    match to {
        Some(path) => {
            write_new(path, text)?;
            if out.json {
                out.answer(Learned::Written { file: path.display().to_string() })?;
                return Ok(Outcome::Done);
            }
            out.line(format!(
                "{} written; next: straykey protocol check {}",
                path.display(),
                path.display()
            ))?;
        }
        None if out.json => out.answer(Learned::Draft { text: text.to_owned() })?,
        None => out.bytes(text.as_bytes())?,
    }
    Ok(Outcome::Done)
}
