//! `protocol new`: flags, or questions on a terminal, to a skeleton that passes its own check.

use std::io::{BufRead, IsTerminal};
use std::path::PathBuf;

use crate::base::{Error, Key, Result};
use crate::face::cli::answers;
use crate::face::cli::args::learn::{ProtocolNew, SpeechWord};
use crate::face::out::{Out, Outcome};
use crate::learn::{Skeleton, Speech};

pub(super) fn run(options: &ProtocolNew, out: &mut Out) -> Result<Outcome> {
    // Whoever says the two things that must be said is asked nothing.
    let ask = std::io::stdin().is_terminal() && (options.speech.is_none() || options.key.is_empty());
    let speech = match options.speech {
        Some(speech) => speech,
        None if ask => ask_speech(out)?,
        None => {
            return Err(Error::usage("--speech is missing: what does the set print of its keys?")
                .help("give --speech readings, --speech keys or --speech presses"));
        }
    };
    let mut words = options.key.clone();
    if words.is_empty() && ask {
        let what = if speech == SpeechWord::Readings { "its reading" } else { "what the set prints" };
        out.note(format!("Keys, one a line, each with {what}, as KEY_MENU=…; an empty line ends them."));
        loop {
            let line = question("key", "", out)?;
            if line.is_empty() {
                break;
            }
            match key(&line) {
                Ok(_) => words.push(line),
                Err(error) => out.note(error.to_string()),
            }
        }
    }
    let open = |given: &Option<String>, what: &str, usual: &str, out: &Out| match given {
        Some(given) => Ok(given.clone()),
        None if ask => question(what, usual, out),
        None => Ok(usual.to_owned()),
    };
    let skeleton = Skeleton {
        name: options.name.clone(),
        about: open(&options.about, "what it is, one line", "skeleton; say here which sets print this", out)?,
        source: open(&options.source, "where the facts come from", "not stated", out)?,
        prefix: open(&options.prefix, "what stands before every line", "[{uptime:seconds}] ", out)?,
        speech: match speech {
            SpeechWord::Readings => Speech::Readings,
            SpeechWord::Keys => Speech::Keys,
            SpeechWord::Presses => Speech::Presses,
        },
        shape: options.shape.clone().unwrap_or_default(),
        keys: words.iter().map(|word| key(word)).collect::<Result<Vec<_>>>()?,
        full_scale: options.full_scale,
    };
    let text = skeleton.text()?;
    let path = options.out.clone().unwrap_or_else(|| PathBuf::from(format!("{}.toml", options.name)));
    crate::face::cli::learn::write_new(&path, &text)?;
    if out.json {
        out.answer(answers::Skeleton { file: path.display().to_string(), text })?;
    } else {
        out.line(format!("{} written; next: straykey protocol check {}", path.display(), path.display()))?;
    }
    Ok(Outcome::Done)
}

/// `KEY_MENU=747`, `menu=MENU`.
fn key(word: &str) -> Result<(Key, String)> {
    let split = word.split_once('=').filter(|(_, printed)| !printed.is_empty());
    let (name, printed) = split.ok_or_else(|| {
        Error::usage(format!("`{word}` is no key with what is printed for it"))
            .help("write KEY_MENU=MENU, or KEY_MENU=747 for a reading")
    })?;
    let key = Key::from_name(name).ok_or_else(|| {
        let near = Key::nearest_name(name).map(|near| format!("did you mean {near}?"));
        Error::usage(format!("no key is called {name}"))
            .help(near.unwrap_or_else(|| "keys carry the Linux input names, as KEY_VOLUMEUP".into()))
    })?;
    Ok((key, printed.to_owned()))
}

fn ask_speech(out: &Out) -> Result<SpeechWord> {
    loop {
        let answer = question(
            "what the set prints: readings, keys (down and up) or presses (down only)",
            "keys",
            out,
        )?;
        match answer.as_str() {
            "readings" => return Ok(SpeechWord::Readings),
            "keys" => return Ok(SpeechWord::Keys),
            "presses" => return Ok(SpeechWord::Presses),
            other => out.note(format!("`{other}` is none of the three")),
        }
    }
}

/// One line from the terminal; the usual answer for an empty one.
fn question(what: &str, usual: &str, out: &Out) -> Result<String> {
    out.note(if usual.is_empty() { format!("{what}:") } else { format!("{what} [{usual}]:") });
    let mut line = String::new();
    let read = std::io::stdin().lock().read_line(&mut line);
    read.map_err(|error| Error::system("cannot read the answer").because(error))?;
    let answer = line.trim_end_matches(['\n', '\r']);
    Ok(if answer.is_empty() { usual.to_owned() } else { answer.to_owned() })
}
