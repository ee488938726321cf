//! Standard output and standard error, with good manners: a closed pipe is no failure, colour only on
//! terminals, foreign text made harmless.

use std::io::{self, IsTerminal, Write};

use crate::base::{Cause, Error, Result, is_hidden, shown_json};

/// What a command ends with when nothing failed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Outcome {
    /// Exit status 0.
    Done,
    /// Exit status 1: strays or a fault were found, and `--check` was given.
    Found,
}

/// Standard output and standard error of one command.
pub struct Out {
    stdout: Box<dyn Write>,
    /// Whether results are for programs.
    pub json: bool,
}

impl Out {
    /// The process's own streams.
    pub fn new(json: bool) -> Self {
        // `anstream` honours NO_COLOR and strips colour where standard output is no terminal.
        Self { stdout: Box::new(anstream::stdout()), json }
    }

    /// Whether standard output is a terminal.
    pub fn is_terminal() -> bool {
        io::stdout().is_terminal()
    }

    /// Writes a line of a result.
    ///
    /// # Errors
    /// `Machine` when standard output fails; a closed pipe ends the program quietly (see [`is_closed`]).
    pub fn line(&mut self, text: impl AsRef<str>) -> Result<()> {
        let mut bytes = text.as_ref().as_bytes().to_vec();
        bytes.push(b'\n');
        self.bytes(&bytes)
    }

    /// Writes bytes of a result as they are.
    ///
    /// # Errors
    /// As [`Out::line`].
    pub fn bytes(&mut self, bytes: &[u8]) -> Result<()> {
        self.stdout.write_all(bytes).map_err(failed)
    }

    /// Writes a value as one line of JSON.
    ///
    /// # Errors
    /// As [`Out::line`].
    pub fn value(&mut self, value: &impl serde::Serialize) -> Result<()> {
        let text = serde_json::to_string(value)
            .map_err(|error| Error::machine("the result cannot be written as JSON").because(error))?;
        self.line(shown_json(text))
    }

    /// Hands everything to the operating system.
    ///
    /// # Errors
    /// As [`Out::line`].
    pub fn flush(&mut self) -> Result<()> {
        self.stdout.flush().map_err(failed)
    }

    /// Replaces standard output by a plain, unstyled, buffered one: for streams of events.
    pub fn plain(&mut self) {
        self.stdout = Box::new(io::BufWriter::with_capacity(1 << 18, io::stdout()));
    }

    /// A remark for people, on standard error.
    pub fn note(&self, text: impl AsRef<str>) {
        let _ = writeln!(anstream::stderr(), "{}", text.as_ref());
    }
}

fn failed(error: io::Error) -> Error {
    if error.kind() == io::ErrorKind::BrokenPipe {
        Error::machine("standard output was closed").means(Cause::OutputClosed)
    } else {
        Error::machine("cannot write to standard output").because(error)
    }
}

/// Whether an error only says that the reader of our output went away.
pub fn is_closed(error: &Error) -> bool {
    error.cause() == Some(Cause::OutputClosed)
}

/// Text from outside made harmless for a terminal: control and direction characters escaped.
pub fn safe(text: &str) -> String {
    let mut safe = String::with_capacity(text.len());
    for c in text.chars() {
        if is_hidden(c) {
            safe.extend(c.escape_default());
        } else {
            safe.push(c);
        }
    }
    safe
}

/// Shows an error on standard error: what, where, what to do.
pub fn complain(error: &Error) {
    let style = anstyle::Style::new().bold().fg_color(Some(anstyle::AnsiColor::Red.into()));
    let _ = writeln!(anstream::stderr(), "{style}straykey:{style:#} {error}");
}

/// Starts the log on standard error: warnings as a rule, more with `-v`; `STRAYKEY_LOG` overrides.
pub fn start_log(verbose: u8) {
    use tracing_subscriber::EnvFilter;
    let level = match verbose {
        0 => "straykey=warn",
        1 => "straykey=info",
        _ => "straykey=debug",
    };
    let filter = EnvFilter::try_from_env("STRAYKEY_LOG").unwrap_or_else(|_| EnvFilter::new(level));
    let colour = io::stderr().is_terminal() && std::env::var_os("NO_COLOR").is_none_or(|v| v.is_empty());
    // A second start (tests in one process) keeps the first log.
    let _ = tracing_subscriber::fmt()
        .with_env_filter(filter)
        .with_writer(io::stderr)
        .with_ansi(colour)
        .without_time()
        .try_init();
}
