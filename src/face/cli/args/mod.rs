//! What was typed: every command, its help and its example.

pub mod check;
pub mod job;
pub mod learn;
mod reading;
pub mod serve;

pub use crate::face::cli::args::reading::Reading;
use std::path::PathBuf;

use clap::{Args, Parser, Subcommand, ValueEnum};

use crate::face::glossary;

pub use check::{Keycheck, Locate};
pub use job::{JobArguments, JobCommand, Step, StepWord};
pub use learn::{ProtocolCheck, ProtocolLearn, ProtocolNew};
pub use serve::Serve;

/// Exit statuses, as `--help` shows them.
const STATUSES: &str = "\
Exit status:
  0  done
  1  done, and strays or a fault were found (only with --check)
  2  wrong use of the command
  3  bad input: a file that cannot be understood
  4  the machine failed: disk, port, another process in the way

Start here:
  straykey demo                                the whole job on a simulated set, in half a minute
  straykey job new bench/1187 --set \"bedroom set, ticket 1187\" --chassis alder
  straykey soak bench/1187 --port /dev/ttyUSB0 --minutes 20
  straykey step bench/1187 \"key board unplugged\" --kind isolate --part key-board
  straykey report bench/1187

Before a live chassis is touched: mains and stored charge inside; follow the service manual and local codes.";

/// Finds the key press that nobody made.
///
/// straykey records what a television believes its controls are doing, finds the input that no hand gave,
/// says which control path makes it, and proves whether a repair step stopped it.
#[derive(Debug, Parser)]
#[command(name = "straykey", version, after_help = STATUSES, max_term_width = 100, propagate_version = true)]
pub struct Arguments {
    /// What to do.
    #[command(subcommand)]
    pub command: Command,
    /// Options that every command takes.
    #[command(flatten)]
    pub common: Common,
}

/// Options that every command takes.
#[derive(Clone, Debug, Args)]
pub struct Common {
    /// Print one JSON object (or one a line) for programs; errors too, as the last line of standard error
    #[arg(long, global = true)]
    pub json: bool,
    /// Folder with your own protocol files; they win over the shipped ones of the same name
    #[arg(long, global = true, value_name = "DIR", env = "STRAYKEY_PROTOCOLS")]
    pub protocols: Option<PathBuf>,
    /// Tell more on standard error; twice for details
    #[arg(short, long, global = true, action = clap::ArgAction::Count)]
    pub verbose: u8,
}

/// All commands.
#[derive(Debug, Subcommand)]
pub enum Command {
    /// Run the whole job on a simulated set, through a pseudo-terminal
    #[command(after_help = "Example:\n  straykey demo --out /tmp/demo --seed 7")]
    Demo(Demo),
    /// List serial ports with their stable names
    #[command(after_help = "Example:\n  straykey ports --json")]
    Ports,
    /// Show live events; nothing is kept without --job
    #[command(after_help = "Example:\n  straykey watch --port /dev/ttyUSB0 --baud 115200 --chassis alder")]
    Watch(Watch),
    /// Decode capture files to events
    #[command(after_help = "\
Examples:
  straykey decode bench.csv --wire A=uart@115200 --wire B=infrared
  zcat old.log.gz | straykey decode - --chassis birch

SIGNAL is uart@BAUD (8N1), uart (rate and framing are found), infrared, cec or keypad:LINE.")]
    Decode(Decode),
    /// Find repeating strays in captures or in a job
    #[command(
        after_help = "Example:\n  straykey patterns baseline.log\n  straykey patterns bench/1187 --json"
    )]
    Patterns(Patterns),
    /// Compare two captures, or two stages of a job, before and after a step
    #[command(
        after_help = "Examples:\n  straykey compare before.log after.log\n  straykey compare bench/1187#1 bench/1187#2 --check\n  straykey compare bench/1187"
    )]
    Compare(Compare),
    /// Make, build or show a job: one set on the bench, from first look to hand-back
    Job(JobArguments),
    /// Record a step: something that you did to the set. One part at a time
    #[command(
        after_help = "Example:\n  straykey step bench/1187 \"key board unplugged\" --kind isolate --part key-board"
    )]
    Step(Step),
    /// Observe with hands off; the verdict is live, and the soak stops when it is certain
    #[command(after_help = "Example:\n  straykey soak bench/1187 --port /dev/ttyUSB0 --minutes 30")]
    Soak(Soak),
    /// Make a rare fault come: leave alone, warm, tap and the like, by a drawn plan
    #[command(
        after_help = "Example:\n  straykey provoke bench/1187 --port /dev/ttyUSB0 --with warm@key-cable --with tap@key-board --minutes 30\n  straykey provoke bench/1187 --port /dev/ttyUSB0 --again"
    )]
    Provoke(Provoke),
    /// Ask for each key in turn, or judge captures of that
    #[command(after_help = "\
Examples:
  straykey keycheck bench/1187 --port /dev/ttyUSB0
  straykey keycheck check.log --prompts prompts.jsonl --chassis alder --check")]
    Keycheck(Keycheck),
    /// Say where the fault is, how large, and which test tells most next
    #[command(after_help = "Example:\n  straykey locate bench/1187")]
    Locate(Locate),
    /// Write the report of a job: one HTML file
    #[command(after_help = "Example:\n  straykey report bench/1187 --out ticket-1187.html")]
    Report(Report),
    /// Write the events of a job or of capture files for other programs
    #[command(after_help = "\
Examples:
  straykey export bench/1187 --stage 2 --to csv --out ticket-1187.csv
  straykey export bench.csv --wire A=uart --wire B=infrared --to vcd --out bench.vcd

A VCD holds held keys, readings, counts of events, and the channels of logic captures as recorded.")]
    Export(Export),
    /// Check, list, show, learn or begin protocol files
    Protocol(ProtocolArguments),
    /// The bench daemon: ports, jobs and a page, for days
    #[command(
        after_help = "Examples:\n  straykey serve --demo\n  straykey serve --config /etc/straykey/serve.toml"
    )]
    Serve(Serve),
    /// Explain the special words
    #[command(after_help = "Example:\n  straykey help words", before_help = glossary::text())]
    Words,
    /// Print the JSON Schema of what a command prints with --json, or of an error
    #[command(after_help = "Examples:\n  straykey schema job show\n  straykey schema error")]
    Schema {
        /// The command; `error` for what stands on standard error when one fails
        #[arg(required = true, value_name = "COMMAND")]
        command: Vec<String>,
    },
    /// Print the completions of a shell
    #[command(
        after_help = "Example:\n  straykey completions bash >~/.local/share/bash-completion/completions/straykey"
    )]
    Completions {
        /// Which shell
        shell: clap_complete::Shell,
    },
    /// Write the manual: a page for each command
    #[command(after_help = "Example:\n  straykey man ~/.local/share/man/man1")]
    Man {
        /// Where to
        #[arg(value_name = "DIR")]
        folder: PathBuf,
    },
}

/// `demo`.
#[derive(Debug, Args)]
pub struct Demo {
    /// Where the job of the demo is kept; a temporary folder otherwise
    #[arg(long, value_name = "DIR")]
    pub out: Option<PathBuf>,
    /// Seed of the simulated set; the same seed gives the same fault
    #[arg(long, value_name = "N", default_value_t = crate::simulator::scenario::SEED)]
    pub seed: u64,
}

/// How a live port is opened.
#[derive(Clone, Debug, Args)]
pub struct Port {
    /// Serial port: a device path or a stable name from `straykey ports`
    #[arg(long, value_name = "PORT")]
    pub port: String,
    /// Bits per second
    #[arg(long, value_name = "BAUD", default_value_t = 115_200)]
    pub baud: u32,
    /// Data bits, parity (N, E, O) and stop bits
    #[arg(long, value_name = "FRAMING", default_value = "8N1")]
    pub framing: String,
    /// End with status 4 when the adapter is unplugged, instead of waiting for it
    #[arg(long)]
    pub no_wait: bool,
}

/// `watch`.
#[derive(Debug, Args)]
pub struct Watch {
    /// The port.
    #[command(flatten)]
    pub port: Port,
    /// Chassis; recognised from what arrives when left out
    #[arg(long, value_name = "NAME")]
    pub chassis: Option<String>,
    /// Keep the raw bytes in this job
    #[arg(long, value_name = "DIR")]
    pub job: Option<PathBuf>,
    /// Stop by itself after this many seconds
    #[arg(long, value_name = "SECONDS")]
    pub seconds: Option<f64>,
    /// Hands are off: every input counts as stray in the kept capture
    #[arg(long)]
    pub hands_off: bool,
    /// The cautions have been read (needed where nobody can be asked)
    #[arg(long)]
    pub cautions_read: bool,
}

/// `decode`.
#[derive(Debug, Args)]
pub struct Decode {
    /// Capture files; - is standard input
    #[arg(required = true, value_name = "FILE")]
    pub files: Vec<PathBuf>,
    /// How the files are read.
    #[command(flatten)]
    pub reading: Reading,
    /// Show the text itself, of a set whose chassis is not known
    #[arg(long, conflicts_with = "chassis")]
    pub text: bool,
    /// Exit with status 1 when there is an input event
    #[arg(long)]
    pub check: bool,
}

/// Whether hands were on the set.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, ValueEnum)]
pub enum Hands {
    /// Nobody touched a control: every input is stray.
    #[default]
    Off,
    /// Keys were pressed: strays can only be suspected.
    On,
}

/// `patterns`.
#[derive(Debug, Args)]
pub struct Patterns {
    /// Capture files, or one job folder, or JOB#STAGE
    #[arg(required = true, value_name = "FILE|JOB")]
    pub inputs: Vec<PathBuf>,
    /// How the files are read.
    #[command(flatten)]
    pub reading: Reading,
    /// Whether hands were on the set while the files were captured (a job knows it)
    #[arg(long, value_enum, default_value_t)]
    pub hands: Hands,
    /// Seed of the shuffled comparison
    #[arg(long, value_name = "N", default_value_t = 1)]
    pub seed: u64,
    /// Search so many shuffled copies too, and say in how many a pattern as good came out (takes so many times longer)
    #[arg(long, value_name = "N", default_value_t = 0, value_parser = clap::value_parser!(u32).range(0..=9999))]
    pub shuffles: u32,
    /// Exit with status 1 when there are strays
    #[arg(long)]
    pub check: bool,
    /// Say how it was worked out
    #[arg(long)]
    pub explain: bool,
}

/// `compare`.
#[derive(Debug, Args)]
pub struct Compare {
    /// Capture file, or JOB#STAGE, from before the step
    #[arg(value_name = "BEFORE")]
    pub before: PathBuf,
    /// Capture file, or JOB#STAGE, from after the step; may be left out when BEFORE is a job: all its stages
    #[arg(value_name = "AFTER")]
    pub after: Option<PathBuf>,
    /// How the files are read.
    #[command(flatten)]
    pub reading: Reading,
    /// Whether hands were on the set while the files were captured (a job knows it)
    #[arg(long, value_enum, default_value_t)]
    pub hands: Hands,
    /// Seed of the resampling
    #[arg(long, value_name = "N", default_value_t = 1)]
    pub seed: u64,
    /// Exit with status 1 unless the verdict is `gone`
    #[arg(long)]
    pub check: bool,
    /// Say how it was worked out
    #[arg(long)]
    pub explain: bool,
}

/// `soak`.
#[derive(Debug, Args)]
pub struct Soak {
    /// Folder of the job
    #[arg(value_name = "JOB")]
    pub job: PathBuf,
    /// The port.
    #[command(flatten)]
    pub port: Port,
    /// Longest time, in minutes of the set
    #[arg(long, value_name = "M")]
    pub minutes: f64,
    /// Chassis; the job's, or recognised, when left out
    #[arg(long, value_name = "NAME")]
    pub chassis: Option<String>,
    /// How long the set has been on already, in minutes, if it prints no clock of its own: a fault that needs warmth is not gone because
    /// the set is cold
    #[arg(long, value_name = "M")]
    pub on_for: Option<f64>,
    /// Nobody is there to press a key: no sign of life is asked for, and a set that speaks only when something happens proves nothing
    #[arg(long)]
    pub unattended: bool,
    /// Go on to the full time even when the verdict is certain
    #[arg(long)]
    pub full: bool,
    /// The cautions have been read (needed where nobody can be asked)
    #[arg(long)]
    pub cautions_read: bool,
}

/// `provoke`.
#[derive(Debug, Args)]
pub struct Provoke {
    /// Folder of the job
    #[arg(value_name = "JOB")]
    pub job: PathBuf,
    /// The port.
    #[command(flatten)]
    pub port: Port,
    /// What to do to the set, and where: warm, cold, breath, tap, flex, each with @PART; lamp, shade, brightness, remote-off,
    /// hdmi-off, mains-low; or other:WORDS. Up to six
    #[arg(long = "with", required_unless_present = "again", value_name = "STRESSOR[@PART]")]
    pub with: Vec<String>,
    /// After a repair: the plan of the last provocation before it, in a new random order, to compare with
    #[arg(long, conflicts_with_all = ["with", "minutes"])]
    pub again: bool,
    /// Minutes for all of it
    #[arg(long, value_name = "M", default_value_t = 15.0)]
    pub minutes: f64,
    /// Chassis; the job's, or recognised, when left out
    #[arg(long, value_name = "NAME")]
    pub chassis: Option<String>,
    /// The cautions have been read (needed where nobody can be asked)
    #[arg(long)]
    pub cautions_read: bool,
}

/// `report`.
#[derive(Debug, Args)]
pub struct Report {
    /// Folder of the job
    #[arg(value_name = "JOB")]
    pub job: PathBuf,
    /// Where to write it; report.html in the job when left out
    #[arg(long, value_name = "FILE")]
    pub out: Option<PathBuf>,
    /// Leave network names, keys, serial numbers, addresses and accounts as they are
    #[arg(long)]
    pub keep_private: bool,
}

/// Form of an export.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum ExportForm {
    /// One JSON object a line.
    Jsonl,
    /// A table, a column a field.
    Csv,
    /// The same table in columns; needs a build with this feature, and --out.
    Parquet,
    /// Value change dump.
    Vcd,
}

/// `export`.
#[derive(Debug, Args)]
pub struct Export {
    /// One job folder, or JOB#STAGE, or capture files
    #[arg(required = true, value_name = "JOB|FILE")]
    pub inputs: Vec<PathBuf>,
    /// In what form
    #[arg(long, value_enum, value_name = "FORM")]
    pub to: ExportForm,
    /// Only this stage of the job, counted from 1
    #[arg(long, value_name = "N")]
    pub stage: Option<usize>,
    /// Where to write it; standard output when left out
    #[arg(long, value_name = "FILE")]
    pub out: Option<PathBuf>,
    /// How capture files are read; a job knows it.
    #[command(flatten)]
    pub reading: Reading,
}

/// `protocol`.
#[derive(Debug, Args)]
pub struct ProtocolArguments {
    /// What to do.
    #[command(subcommand)]
    pub command: ProtocolCommand,
}

/// Commands on protocol files.
#[derive(Debug, Subcommand)]
pub enum ProtocolCommand {
    /// Run the examples of protocol files and look for mistakes; all known files when none is named
    #[command(
        after_help = "Examples:\n  straykey protocol check protocols/chassis/alder.toml\n  straykey protocol check mine/elm.toml --watch --capture keycheck.log"
    )]
    Check(ProtocolCheck),
    /// List the known chassis, remote-control formats and buses
    #[command(after_help = "Example:\n  straykey protocol list --json")]
    List,
    /// Show what one of them decodes, and its key windows
    #[command(after_help = "Example:\n  straykey protocol show alder")]
    Show {
        /// Name, as `protocol list` gives it
        name: String,
    },
    /// Print the JSON Schema of protocol files, for editors that complete and check them
    #[command(after_help = "Example:\n  straykey protocol schema chassis >chassis.json")]
    Schema {
        /// Sort of file: chassis, remote or bus
        #[arg(default_value = "chassis")]
        sort: String,
    },
    /// Learn a draft from an unknown log, or add to a file what a log shows beyond it
    #[command(
        after_help = "Examples:\n  straykey protocol learn keycheck.log --prompts prompts.jsonl --name elm --out elm.toml\n  straykey protocol learn second.log --prompts more.jsonl --extend elm.toml"
    )]
    Learn(ProtocolLearn),
    /// Write a skeleton from flags or from answers to questions
    #[command(
        after_help = "Example:\n  straykey protocol new elm --speech readings --key KEY_MENU=747 --key KEY_POWER=0"
    )]
    New(ProtocolNew),
}
