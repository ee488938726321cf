//! `job` and `step`: what was typed.

use std::path::PathBuf;

use clap::{Args, Subcommand, ValueEnum};

use crate::timeline::job::check_part;

/// `job`.
#[derive(Debug, Args)]
pub struct JobArguments {
    /// What to do with the job.
    #[command(subcommand)]
    pub command: JobCommand,
}

/// Commands on a job.
#[derive(Debug, Subcommand)]
pub enum JobCommand {
    /// Start a job in a new folder
    #[command(
        after_help = "Example:\n  straykey job new bench/1187 --set \"bedroom set, ticket 1187\" --chassis alder"
    )]
    New {
        /// Folder of the job
        #[arg(value_name = "JOB")]
        folder: PathBuf,
        /// The set, in your words
        #[arg(long)]
        set: String,
        /// Chassis; recognised from the captures when left out
        #[arg(long, value_name = "NAME")]
        chassis: Option<String>,
        /// What the customer complained of
        #[arg(long, value_name = "TEXT")]
        complaint: Option<String>,
    },
    /// Build a job from a manifest of steps and capture files
    #[command(after_help = "\
Example:
  straykey job build ticket-1187.toml --out bench/1187

The manifest (TOML, or the same as JSON):
  set = \"bedroom set, ticket 1187\"
  chassis = \"alder\"
  [[stage]]
  step = \"as received\"
    [[stage.capture]]
    file = \"baseline.log\"
    hands = \"off\"
  [[stage]]
  step = \"key board unplugged\"
  kind = \"isolate\"
  parts = [\"key-board\"]
    [[stage.capture]]
    file = \"unplugged.log\"
    hands = \"off\"")]
    Build {
        /// The manifest
        #[arg(value_name = "MANIFEST")]
        manifest: PathBuf,
        /// Folder of the job; beside the manifest, under its name, when left out
        #[arg(long, value_name = "JOB")]
        out: Option<PathBuf>,
    },
    /// Close a job: the set is handed back. Writes SHA256SUMS; nothing can be added then
    #[command(after_help = "Example:\n  straykey job close bench/1187")]
    Close {
        /// Folder of the job
        #[arg(value_name = "JOB")]
        folder: PathBuf,
    },
    /// Write a job into one file for another bench; likely private strings are masked in it
    #[command(after_help = "Example:\n  straykey job pack bench/1187 --out ticket-1187.pack.tar.gz")]
    Pack {
        /// Folder of the job
        #[arg(value_name = "JOB")]
        folder: PathBuf,
        /// The file; beside the job, under its name, when left out
        #[arg(long, value_name = "FILE")]
        out: Option<PathBuf>,
        /// Leave network names, keys, serial numbers, addresses and accounts as they are
        #[arg(long)]
        keep_private: bool,
    },
    /// Open a pack from another bench as a job
    #[command(after_help = "Example:\n  straykey job open ticket-1187.pack.tar.gz --out bench/1187")]
    Open {
        /// The pack
        #[arg(value_name = "PACK")]
        pack: PathBuf,
        /// Folder of the job; beside the pack, under its name, when left out
        #[arg(long, value_name = "JOB")]
        out: Option<PathBuf>,
    },
    /// Leave a round of the last provocation out; it stays in the record, with the reason
    #[command(after_help = "Example:\n  straykey job strike bench/1187 3 --why \"the cable was touched\"")]
    Strike {
        /// Folder of the job
        #[arg(value_name = "JOB")]
        folder: PathBuf,
        /// The round, as the report counts it
        #[arg(value_parser = clap::value_parser!(u32).range(1..))]
        round: u32,
        /// What went wrong in it
        #[arg(long, value_name = "TEXT")]
        why: String,
    },
    /// Show stages, counts and verdicts
    #[command(after_help = "Example:\n  straykey job show bench/1187")]
    Show {
        /// Folder of the job
        #[arg(value_name = "JOB")]
        folder: PathBuf,
        /// Make the index again from the raw captures and the step log
        #[arg(long)]
        rebuild: bool,
        /// Say how it was worked out
        #[arg(long)]
        explain: bool,
    },
}

/// What kind of step.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum StepWord {
    /// Unplug, cover, substitute: to learn.
    Isolate,
    /// Clean, tighten, replace: to mend.
    Repair,
    /// Undo an earlier step.
    Restore,
}

/// `step`.
#[derive(Debug, Args)]
pub struct Step {
    /// Folder of the job
    #[arg(value_name = "JOB")]
    pub job: PathBuf,
    /// What you did, in your words
    pub text: String,
    /// Whether it was done to learn, to mend, or to undo
    #[arg(long, value_enum)]
    pub kind: StepWord,
    /// The part that you touched; one a step, or nobody can tell which one cured the set. One of key-board, key-cable,
    /// key-switch, main-board, ground-bond, infrared-receiver, remote, hdmi-cable, software, or other:WHAT
    #[arg(long, value_name = "PART", value_parser = |word: &str| check_part(word).map(|()| word.to_owned()))]
    pub part: Vec<String>,
}
