//! What the commands print with `--json`, where no type of the analysis says it already, and the JSON Schema of it all.

use schemars::generate::SchemaSettings;
use schemars::{JsonSchema, Schema, SchemaGenerator};
use serde::Serialize;

use crate::analysis::ladder::Limits;
use crate::analysis::locate::Located;
use crate::analysis::soak::SoakState;
use crate::base::{Error, Event, Key, Result};
use crate::bench::JobState;
use crate::bench::keycheck::Check;
use crate::bench::provoke::{AgainState, ProvokedState};
use crate::decode::ladder::Window;
use crate::face::cli::check::FilesChecked;
use crate::face::cli::{compare, patterns};
use crate::face::out::{Failed, Out, Outcome, Versioned, safe};
use crate::source::serial::PortInfo;
use crate::timeline::job::Packed;

#[derive(Serialize, JsonSchema)]
pub(super) struct Demo {
    pub(super) job: String,
    pub(super) report: String,
    /// How long it took.
    pub(super) seconds: f64,
    /// How long it would have taken on a real set.
    pub(super) set_seconds: f64,
    pub(super) seed: u64,
    pub(super) simulated: bool,
}

#[derive(Serialize, JsonSchema)]
pub(super) struct Ports {
    pub(super) ports: Vec<PortInfo>,
}

#[derive(Serialize, JsonSchema)]
pub(super) struct Sum {
    pub(super) file: String,
    pub(super) sha256: Option<String>,
}

#[derive(Serialize, JsonSchema)]
pub(super) struct Closed {
    /// When, RFC 3339.
    pub(super) closed: Option<String>,
    /// The file of sums.
    pub(super) sums: String,
    pub(super) captures: Vec<Sum>,
}

#[derive(Serialize, JsonSchema)]
pub(super) struct Provoked<'a> {
    pub(super) provocation: &'a ProvokedState,
    /// Against the last one with the same plan in an earlier stage.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(super) again: Option<&'a AgainState>,
}

#[derive(Serialize, JsonSchema)]
pub(super) struct Struck<'a> {
    pub(super) capture: &'a str,
    /// The round, counted from 1.
    pub(super) round: usize,
    /// Why it does not count.
    pub(super) why: &'a str,
}

#[derive(Serialize, JsonSchema)]
pub(super) struct Pack {
    pub(super) packed: Packed,
}

#[derive(Serialize, JsonSchema)]
pub(super) struct Stepped<'a> {
    /// The stage that begins, counted from 1.
    pub(super) stage: usize,
    /// `isolate`, `repair` or `restore`.
    pub(super) kind: &'static str,
    pub(super) parts: &'a [String],
}

#[derive(Serialize, JsonSchema)]
pub(super) struct Soak<T> {
    pub(super) soak: T,
}

#[derive(Serialize, JsonSchema)]
pub(super) struct Checks {
    pub(super) checks: Vec<Check>,
}

#[derive(Serialize, JsonSchema)]
pub(super) struct Report {
    pub(super) report: String,
}

#[derive(Serialize, JsonSchema)]
pub(super) struct Exported {
    pub(super) file: String,
    pub(super) events: u64,
}

#[derive(Serialize, JsonSchema)]
pub(super) struct Serving {
    pub(super) address: String,
    /// Where the page is.
    pub(super) open: String,
    pub(super) token_file: String,
    pub(super) jobs: String,
    pub(super) socket: Option<String>,
    /// What a crash had left, and what became of it.
    pub(super) recovered: Vec<String>,
}

#[derive(Serialize, JsonSchema)]
pub(super) struct Listed {
    pub(super) chassis: Vec<ListedChassis>,
    pub(super) formats: Vec<ListedFormat>,
    pub(super) remotes: Vec<ListedRemote>,
}

/// A key table.
#[derive(Serialize, JsonSchema)]
pub(super) struct ListedRemote {
    pub(super) name: String,
    pub(super) about: String,
    pub(super) source: String,
    pub(super) format: String,
    pub(super) address: u32,
    pub(super) keys: Vec<ListedKey>,
}

#[derive(Serialize, JsonSchema)]
pub(super) struct ListedKey {
    pub(super) command: u32,
    pub(super) key: Key,
}

#[derive(Serialize, JsonSchema)]
pub(super) struct ListedChassis {
    pub(super) name: String,
    pub(super) decoder: String,
    pub(super) about: String,
    pub(super) file: String,
}

#[derive(Serialize, JsonSchema)]
pub(super) struct ListedFormat {
    pub(super) name: String,
    pub(super) about: String,
    pub(super) bits: u64,
    pub(super) carrier_hz: f64,
    /// Whether its frames carry check bits.
    pub(super) checked: bool,
}

#[derive(Serialize, JsonSchema)]
#[serde(untagged)]
pub(super) enum Shown {
    Chassis {
        name: String,
        decoder: String,
        about: String,
        lines: Vec<ShownLine>,
    },
    Format {
        #[serde(flatten)]
        format: ListedFormat,
        source: String,
        unit_us: f64,
        tolerance_us: f64,
    },
    Remote(ListedRemote),
}

#[derive(Serialize, JsonSchema)]
pub(super) struct ShownLine {
    pub(super) line: String,
    pub(super) windows: Vec<Window>,
    pub(super) limits: Limits,
}

/// A draft, or what was added to a file and what was left.
#[derive(Serialize, JsonSchema)]
#[serde(untagged)]
pub(super) enum Learned {
    Draft { text: String },
    Written { file: String },
    Extended { added: Vec<String>, left: Vec<String> },
}

#[derive(Serialize, JsonSchema)]
pub(super) struct Skeleton {
    pub(super) file: String,
    pub(super) text: String,
}

type Make = fn(&mut SchemaGenerator) -> Schema;

fn made<T: JsonSchema>(generator: &mut SchemaGenerator) -> Schema {
    generator.root_schema_for::<T>()
}

/// Every command that prints a result with `--json`, and an error.
const ALL: [(&str, Make); 27] = [
    ("error", made::<Versioned<Failed>>),
    ("demo", made::<Versioned<Demo>>),
    ("ports", made::<Versioned<Ports>>),
    ("watch", made::<Event>),
    ("decode", made::<Event>),
    ("patterns", made::<patterns::Shown>),
    ("compare", made::<compare::Answer>),
    ("job new", made::<JobState>),
    ("job build", made::<JobState>),
    ("job close", made::<Versioned<Closed>>),
    ("job pack", made::<Versioned<Pack>>),
    ("job open", made::<JobState>),
    ("job show", made::<JobState>),
    ("step", made::<Versioned<Stepped>>),
    ("soak", made::<Versioned<Soak<SoakState>>>),
    ("provoke", made::<Versioned<Provoked<'_>>>),
    ("job strike", made::<Versioned<Struck<'_>>>),
    ("keycheck", made::<Versioned<Checks>>),
    ("locate", made::<Located>),
    ("report", made::<Versioned<Report>>),
    ("export", made::<Versioned<Exported>>),
    ("serve", made::<Versioned<Serving>>),
    ("protocol check", made::<Versioned<FilesChecked>>),
    ("protocol list", made::<Versioned<Listed>>),
    ("protocol show", made::<Versioned<Shown>>),
    ("protocol learn", made::<Versioned<Learned>>),
    ("protocol new", made::<Versioned<Skeleton>>),
];

/// Prints the schema of one command's answer.
pub(super) fn schema(words: &[String], out: &mut Out) -> Result<Outcome> {
    let command = words.join(" ");
    let Some((_, make)) = ALL.iter().find(|(name, _)| *name == command) else {
        let names = ALL.map(|(name, _)| name).join(", ");
        return Err(Error::usage(format!("no answer is called \"{}\"", safe(&command)))
            .help(format!("name one of {names}")));
    };
    let mut settings = SchemaSettings::draft2020_12();
    // What is printed: a field that may be left out when it is read is always there.
    settings.contract = schemars::generate::Contract::Serialize;
    let schema = make(&mut settings.into_generator());
    let text = serde_json::to_string_pretty(&schema)
        .map_err(|error| Error::system("the schema cannot be written").because(error))?;
    out.line(text)?;
    Ok(Outcome::Done)
}
