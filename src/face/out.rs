//! Standard output and standard error, with good manners: a closed pipe is no failure, colour only on
//! terminals, foreign text made harmless.

use std::io::{self, IsTerminal, Write};

use schemars::JsonSchema;
use serde::Serialize;

use crate::base::{Cause, Error, Result, is_hidden, plain, shown_json};

/// What a command ends with when nothing failed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Outcome {
    /// Exit status 0.
    Done,
    /// Exit status 1: strays or a fault were found, and `--check` was given.
    Found,
}

/// An answer for programs with the version of its shape, 1.
#[derive(Serialize, JsonSchema)]
pub struct Versioned<T> {
    version: u32,
    #[serde(flatten)]
    answer: T,
}

impl<T> Versioned<T> {
    /// The answer in its present shape.
    pub fn of(answer: T) -> Self {
        Self { version: 1, answer }
    }
}

/// What went wrong, for programs.
#[derive(Clone, Debug, Serialize, JsonSchema)]
pub struct ErrorDetail {
    /// What is wrong.
    pub what: String,
    /// Where: a file, a port, a job.
    pub at: Option<String>,
    /// What to do about it.
    pub remedy: Option<String>,
    /// A word for a warning that `anyway` or `warned` passes over.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub warning: Option<&'static str>,
}

impl From<&Error> for ErrorDetail {
    fn from(error: &Error) -> Self {
        let place = error.place().to_string();
        Self {
            what: safe(&error.sentence()),
            at: (!place.is_empty()).then_some(place),
            remedy: error.help_text().map(safe),
            warning: None,
        }
    }
}

/// A command that failed.
#[derive(Serialize, JsonSchema)]
pub struct Failed {
    /// Exit status: 2 wrong use, 3 bad input, 4 the machine failed.
    pub status: u8,
    /// What, where, what to do.
    pub error: ErrorDetail,
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
    /// `System` when standard output fails; a closed pipe ends the program quietly (see [`is_closed`]).
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
    pub fn value(&mut self, value: &impl Serialize) -> Result<()> {
        let text = serde_json::to_string(value)
            .map_err(|error| Error::system("the result cannot be written as JSON").because(error))?;
        self.line(shown_json(text))
    }

    /// Writes an answer as one line of JSON, with the version of its shape.
    ///
    /// # Errors
    /// As [`Out::line`].
    pub fn answer(&mut self, answer: impl Serialize) -> Result<()> {
        self.value(&Versioned::of(answer))
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
        Error::system("standard output was closed").means(Cause::OutputClosed)
    } else {
        Error::system("cannot write to standard output").because(error)
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

/// Shows an error on standard error: what, where, what to do; for programs as one line of JSON, the last one there.
pub fn complain(error: &Error, json: bool) {
    let style = anstyle::Style::new().bold().fg_color(Some(anstyle::AnsiColor::Red.into()));
    let text = if json {
        told(error.exit_status(), error.into())
    } else {
        format!("{style}straykey:{style:#} {error}")
    };
    let _ = writeln!(anstream::stderr(), "{text}");
}

/// Shows what is wrong with the words that were typed, or the help that was asked for; gives the exit status.
pub fn misused(error: &clap::Error, json: bool) -> u8 {
    let status = u8::try_from(error.exit_code()).unwrap_or(2);
    if status == 0 {
        // Whoever closed our output has seen enough.
        let _ = error.print();
    } else if json {
        let text = error.to_string();
        let what = text.split("\n\nFor more").next().unwrap_or_default();
        let what = plain(what.trim_start_matches("error: ").trim_end());
        let _ = writeln!(anstream::stderr(), "{}", told(status, (&Error::usage(what)).into()));
    } else {
        let _ = write!(anstream::stderr(), "{}", plain(&error.render().ansi().to_string()));
    }
    status
}

fn told(status: u8, error: ErrorDetail) -> String {
    shown_json(serde_json::to_string(&Versioned::of(Failed { status, error })).unwrap_or_default())
}

/// Starts the log on standard error: warnings as a rule, more with `-v`; `STRAYKEY_LOG` overrides.
pub fn start_log(verbose: u8) {
    use tracing_subscriber::filter::{LevelFilter, Targets};
    use tracing_subscriber::{Layer as _, fmt, layer::SubscriberExt as _, util::SubscriberInitExt as _};
    let level = match verbose {
        0 => LevelFilter::WARN,
        1 => LevelFilter::INFO,
        _ => LevelFilter::DEBUG,
    };
    let asked = std::env::var("STRAYKEY_LOG").ok().and_then(|text| text.parse::<Targets>().ok());
    let filter = asked.unwrap_or_else(|| Targets::new().with_target("straykey", level));
    let colour = io::stderr().is_terminal() && std::env::var_os("NO_COLOR").is_none_or(|v| v.is_empty());
    // A second start (tests in one process) keeps the first log.
    let lines = fmt::layer().with_writer(io::stderr).with_ansi(colour).without_time();
    let _ = tracing_subscriber::registry().with(lines.with_filter(filter)).try_init();
}
