//! What went wrong, where, and what to do about it.
//!
//! One boxed error type for the whole crate. The kind maps to the exit status; the place is as exact as
//! the medium allows; the help is a sentence that a technician can act on.

use std::fmt;
use std::path::{Path, PathBuf};

/// Result with the crate's error.
pub type Result<T> = std::result::Result<T, Error>;

/// Family of an error; decides the exit status.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[non_exhaustive]
pub enum Kind {
    /// The command was used wrongly: exit status 2.
    Usage,
    /// What was read is not as it should be: exit status 3.
    Input,
    /// Disk, port or operating system failed: exit status 4.
    System,
}

/// What an error is about, where a caller acts on it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[non_exhaustive]
pub enum Cause {
    /// The port is not there, or its adapter is not plugged in.
    PortAbsent,
    /// Another program has the port.
    PortBusy,
    /// Another process has the job.
    JobHeld,
    /// No known chassis wrote what was read.
    ChassisUnknown,
    /// Whoever read the output has closed it.
    OutputClosed,
    /// Nothing can be written there.
    ReadOnly,
}

/// Where the error was met; every part is optional because media differ in what they can tell.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Place {
    /// File, folder or device.
    pub path: Option<PathBuf>,
    /// Line, counted from 1.
    pub line: Option<u64>,
    /// Column in characters, counted from 1.
    pub column: Option<u64>,
    /// Byte offset, counted from 0.
    pub offset: Option<u64>,
}

impl fmt::Display for Place {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if let Some(path) = &self.path {
            write!(f, "{}", quote_path(path))?;
        }
        match (self.line, self.column, self.offset) {
            (Some(line), Some(column), _) => write!(f, ":{line}:{column}"),
            (Some(line), None, _) => write!(f, ":{line}"),
            (None, _, Some(offset)) if self.path.is_some() => write!(f, " at byte {offset}"),
            (None, _, Some(offset)) => write!(f, "byte {offset}"),
            _ => Ok(()),
        }
    }
}

#[derive(Debug)]
struct Inner {
    kind: Kind,
    cause: Option<Cause>,
    what: String,
    place: Place,
    help: Option<String>,
    snippet: Option<String>,
    source: Option<Box<dyn std::error::Error + Send + Sync>>,
}

/// The crate's error, one machine word wide.
#[derive(Debug)]
pub struct Error(Box<Inner>);

impl Error {
    fn new(kind: Kind, what: impl Into<String>) -> Self {
        Error(Box::new(Inner {
            kind,
            cause: None,
            what: what.into(),
            place: Place::default(),
            help: None,
            snippet: None,
            source: None,
        }))
    }

    /// The command was used wrongly.
    pub fn usage(what: impl Into<String>) -> Self {
        Self::new(Kind::Usage, what)
    }

    /// What was read is not as it should be.
    pub fn input(what: impl Into<String>) -> Self {
        Self::new(Kind::Input, what)
    }

    /// Disk, port or operating system failed.
    pub fn system(what: impl Into<String>) -> Self {
        Self::new(Kind::System, what)
    }

    /// A failed operation on a file: a missing or unreadable file is bad input, anything else is the system.
    pub fn io(what: impl Into<String>, path: &Path, source: std::io::Error) -> Self {
        use std::io::ErrorKind as K;
        let kind = match source.kind() {
            K::NotFound | K::PermissionDenied | K::IsADirectory | K::NotADirectory | K::InvalidData => {
                Kind::Input
            }
            _ => Kind::System,
        };
        Self::new(kind, what).at(path).because(source)
    }

    /// Adds the file, folder or device.
    #[must_use]
    pub fn at(mut self, path: impl Into<PathBuf>) -> Self {
        self.0.place.path = Some(path.into());
        self
    }

    /// Adds line and column, both counted from 1.
    #[must_use]
    pub fn line(mut self, line: u64, column: Option<u64>) -> Self {
        self.0.place.line = Some(line);
        self.0.place.column = column;
        self
    }

    /// Adds the byte offset, counted from 0.
    #[must_use]
    pub fn offset(mut self, offset: u64) -> Self {
        self.0.place.offset = Some(offset);
        self
    }

    /// Adds what to do about it, one sentence.
    #[must_use]
    pub fn help(mut self, help: impl Into<String>) -> Self {
        self.0.help = Some(help.into());
        self
    }

    /// Adds a drawing that points at the mistake, several lines of plain text.
    #[must_use]
    pub fn snippet(mut self, snippet: impl Into<String>) -> Self {
        self.0.snippet = Some(snippet.into());
        self
    }

    /// Adds the cause.
    #[must_use]
    pub fn because(mut self, source: impl std::error::Error + Send + Sync + 'static) -> Self {
        self.0.source = Some(Box::new(source));
        self
    }

    /// Says what it is about.
    #[must_use]
    pub fn means(mut self, cause: Cause) -> Self {
        self.0.cause = Some(cause);
        self
    }

    /// What it is about, where a caller acts on it.
    pub fn cause(&self) -> Option<Cause> {
        self.0.cause
    }

    /// Family of the error.
    pub fn kind(&self) -> Kind {
        self.0.kind
    }

    /// What went wrong, without place, cause or help.
    pub fn what(&self) -> &str {
        &self.0.what
    }

    /// What went wrong with its cause, without place and help.
    pub fn sentence(&self) -> String {
        match &self.0.source {
            Some(source) => format!("{}: {}", self.0.what, plain(&source.to_string())),
            None => self.0.what.clone(),
        }
    }

    /// Where it was met.
    pub fn place(&self) -> &Place {
        &self.0.place
    }

    /// What to do about it.
    pub fn help_text(&self) -> Option<&str> {
        self.0.help.as_deref()
    }

    /// The drawing that points at the mistake.
    pub fn snippet_text(&self) -> Option<&str> {
        self.0.snippet.as_deref()
    }

    /// Exit status: 2 wrong use, 3 bad input, 4 the system failed.
    pub fn exit_status(&self) -> u8 {
        match self.0.kind {
            Kind::Usage => 2,
            Kind::Input => 3,
            Kind::System => 4,
        }
    }
}

impl fmt::Display for Error {
    /// `PLACE: WHAT: CAUSE`, then the help on a line of its own, indented.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let place = self.0.place.to_string();
        if !place.is_empty() {
            write!(f, "{place}: ")?;
        }
        write!(f, "{}", self.0.what)?;
        if let Some(source) = &self.0.source {
            write!(f, ": {}", plain(&source.to_string()))?;
        }
        if let Some(snippet) = &self.0.snippet {
            write!(f, "\n{snippet}")?;
        }
        if let Some(help) = &self.0.help {
            write!(f, "\n  {help}")?;
        }
        Ok(())
    }
}

impl std::error::Error for Error {
    fn source(&self) -> Option<&(dyn std::error::Error + 'static)> {
        // The cause already stands in the text; a chain printer would say it twice.
        None
    }
}

/// What libraries say, and how we say it.
const PLAIN: [(&str, &str); 8] = [
    ("No such file or directory", "there is no such file or folder"),
    ("Permission denied", "this user has not the right to"),
    ("Is a directory", "this is a folder"),
    ("Not a directory", "a folder on the way is a file"),
    ("invalid digit found in string", "a whole number belongs here"),
    ("cannot parse integer from empty string", "a whole number belongs here"),
    ("invalid float literal", "a number belongs here"),
    ("number too large to fit in target type", "the number is too large"),
];

/// The words of a library or of the system for people: without its numbers, known riddles in plain words.
pub fn plain(text: &str) -> String {
    let mut plain = PLAIN.iter().fold(text.to_owned(), |text, (theirs, ours)| text.replace(theirs, ours));
    while let Some(start) = plain.find(" (os error ") {
        let end = plain[start..].find(')').map_or(plain.len(), |length| start + length + 1);
        plain.replace_range(start..end, "");
    }
    plain
}

/// Foreign bytes made safe for a terminal or a message: control characters and invalid UTF-8 escaped,
/// cut after 60 characters.
///
/// # Example
/// ```
/// assert_eq!(straykey::base::quote(b"ab\x1b[2J\xff"), "ab\\x1b[2J\\xff");
/// ```
pub fn quote(bytes: &[u8]) -> String {
    quote_up_to(bytes, 60)
}

/// The same, cut after `longest` characters.
pub fn quote_up_to(bytes: &[u8], longest: usize) -> String {
    let mut text = String::new();
    let mut shown = 0usize;
    for chunk in bytes.utf8_chunks() {
        for c in chunk.valid().chars() {
            if shown == longest {
                text.push('…');
                return text;
            }
            shown += 1;
            if is_hidden(c) {
                for byte in c.to_string().bytes() {
                    text.push_str(&format!("\\x{byte:02x}"));
                }
            } else {
                text.push(c);
            }
        }
        for byte in chunk.invalid() {
            if shown == longest {
                text.push('…');
                return text;
            }
            shown += 1;
            text.push_str(&format!("\\x{byte:02x}"));
        }
    }
    text
}

/// Whether a character does something instead of showing something: control characters (C0, and C1 with U+009B, which
/// many terminals take for an escape), bidirectional controls (Unicode Standard Annex 9), zero width, separators of lines.
pub fn is_hidden(c: char) -> bool {
    let invisible = matches!(
        c,
        '\u{61c}' | '\u{180e}' | '\u{200b}'..='\u{200f}' | '\u{2028}'..='\u{202e}' | '\u{2060}'..='\u{206f}' | '\u{feff}'
    );
    c.is_control() || invisible
}

fn quote_path(path: &Path) -> String {
    path.display()
        .to_string()
        .chars()
        .flat_map(|c| if is_hidden(c) { c.escape_default().collect::<Vec<_>>() } else { vec![c] })
        .collect()
}
