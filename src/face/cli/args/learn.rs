//! What was typed behind `protocol check`, `protocol learn` and `protocol new`.

use std::path::PathBuf;

use clap::{Args, ValueEnum};

/// `protocol check`.
#[derive(Debug, Args)]
pub struct ProtocolCheck {
    /// Protocol files
    #[arg(value_name = "FILE")]
    pub files: Vec<PathBuf>,
    /// Captures of the set (text logs or journals): say which of their lines the one FILE leaves undecoded
    #[arg(long, value_name = "CAPTURE", num_args = 1.., requires = "files")]
    pub capture: Vec<PathBuf>,
    /// Check again whenever a FILE is saved, and show what changed in the events; Ctrl-C ends
    #[arg(long, requires = "files")]
    pub watch: bool,
}

/// `protocol learn`.
#[derive(Debug, Args)]
pub struct ProtocolLearn {
    /// Captures of the unknown set: text logs, journals, or binary bytes; - is standard input
    #[arg(required = true, value_name = "FILE")]
    pub captures: Vec<PathBuf>,
    /// What was asked for in a key check, one `{"t": 12.5, "key": "KEY_MENU"}` a line; once for each capture, in order
    #[arg(long, value_name = "FILE")]
    pub prompts: Vec<PathBuf>,
    /// Name of the chassis: small letters, digits, hyphens
    #[arg(long, value_name = "NAME", default_value = "draft")]
    pub name: String,
    /// Where to write the draft; standard output when left out. A file that is there is never overwritten
    #[arg(long, value_name = "FILE")]
    pub out: Option<PathBuf>,
    /// A protocol file to which what it lacks is added; nothing in it is changed
    #[arg(long, value_name = "FILE", conflicts_with = "name")]
    pub extend: Option<PathBuf>,
    /// The capture is binary, whatever it looks like
    #[arg(long)]
    pub binary: bool,
}

/// How a set tells of its keys.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum SpeechWord {
    /// It prints converter readings.
    Readings,
    /// It names keys, pressed and released.
    Keys,
    /// It names keys when they go down, and never says that they went up.
    Presses,
}

/// `protocol new`. Without --speech or --key, what is left out is asked for on a terminal.
#[derive(Debug, Args)]
pub struct ProtocolNew {
    /// Name of the chassis: small letters, digits, hyphens
    #[arg(value_name = "NAME")]
    pub name: String,
    /// How the set tells of its keys
    #[arg(long, value_enum)]
    pub speech: Option<SpeechWord>,
    /// A key and what the set prints for it, or its reading: KEY_MENU=MENU, KEY_MENU=747; may be repeated
    #[arg(long, value_name = "KEY=WORD")]
    pub key: Vec<String>,
    /// What it is, one line
    #[arg(long, value_name = "TEXT")]
    pub about: Option<String>,
    /// Where the facts come from
    #[arg(long, value_name = "TEXT")]
    pub source: Option<String>,
    /// What stands before every line, as a shape
    #[arg(long, value_name = "SHAPE")]
    pub prefix: Option<String>,
    /// The line that tells of a key, as a shape
    #[arg(long, value_name = "SHAPE")]
    pub shape: Option<String>,
    /// Largest reading of the converter
    #[arg(long, value_name = "COUNTS", default_value_t = 1_023)]
    pub full_scale: u32,
    /// Where to write it; NAME.toml when left out. A file that is there is never overwritten
    #[arg(long, value_name = "FILE")]
    pub out: Option<PathBuf>,
}
