//! Protocol files as TOML, with every mistake shown at its place.

use std::ops::Range;
use std::path::Path;

use annotate_snippets::{AnnotationKind, Level, Renderer, Snippet};
use serde::de::DeserializeOwned;

use crate::base::{Error, nearest};

/// Largest protocol file that is read, in bytes; a chassis described by hand is a hundredth of it.
pub const LARGEST: usize = 1 << 20;

/// Parses a protocol file.
///
/// # Errors
/// `Input` with line, column, the offending text and what was expected.
pub fn parse<T: DeserializeOwned>(path: &Path, text: &str) -> Result<T, Error> {
    if text.len() > LARGEST {
        return Err(Error::input(format!("the protocol file has {} bytes, more than {LARGEST}", text.len()))
            .at(path)
            .help("a protocol file describes one decoder; captures do not belong into it"));
    }
    toml::from_str(text).map_err(|error| {
        let span = error.span().unwrap_or(0..0);
        mistake(path, text, span, error.message(), did_you_mean(error.message()).as_deref())
    })
}

/// The nearest right word, when the message names a wrong one and the right ones, all in backquotes.
fn did_you_mean(message: &str) -> Option<String> {
    if !message.starts_with("unknown ") {
        return None;
    }
    let mut quoted = message.split('`').skip(1).step_by(2);
    let wrong = quoted.next()?;
    nearest(wrong, quoted).map(|near| format!("did you mean `{near}`?"))
}

/// An error that points at a stretch of a protocol file.
///
/// `span` is in bytes of `text`; `expected` completes "expected …" or offers the nearest right word.
pub fn mistake(path: &Path, text: &str, span: Range<usize>, what: &str, expected: Option<&str>) -> Error {
    let start = floor(text, span.start);
    let end = floor(text, span.end.max(start)).max(start);
    let before = &text[..start];
    let line = before.bytes().filter(|b| *b == b'\n').count() + 1;
    let column = before.rsplit('\n').next().map_or(0, |l| l.chars().count()) + 1;
    let first_line_end = text[start..].find('\n').map_or(text.len(), |i| start + i);
    let shown_end = end.min(first_line_end).max(start);
    let name = path.display().to_string();
    let label = expected.unwrap_or("here");
    let group = Level::ERROR.primary_title(what).element(
        Snippet::source(text)
            .path(name.as_str())
            .fold(true)
            .annotation(AnnotationKind::Primary.span(start..shown_end).label(label)),
    );
    let snippet = Renderer::plain().render(&[group]).to_string();
    // The title repeats what the message says already; the drawing below it is what helps.
    let snippet = snippet.split_once('\n').map_or(snippet.as_str(), |(_, rest)| rest).trim_end().to_owned();
    let error = Error::input(what.trim_end().to_owned())
        .at(path)
        .line(line as u64, Some(column as u64))
        .snippet(snippet);
    match expected {
        Some(expected) => error.help(expected.to_owned()),
        None => error,
    }
}

fn floor(text: &str, at: usize) -> usize {
    let mut at = at.min(text.len());
    while !text.is_char_boundary(at) {
        at -= 1;
    }
    at
}
