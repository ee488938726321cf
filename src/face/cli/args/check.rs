//! What was typed behind `keycheck` and `locate`.

use std::path::PathBuf;

use clap::Args;

use crate::face::cli::args::Reading;

/// `keycheck`.
#[derive(Debug, Args)]
pub struct Keycheck {
    /// Capture files, or one job folder, or JOB#STAGE
    #[arg(required = true, value_name = "FILE|JOB")]
    pub inputs: Vec<PathBuf>,
    /// What was asked for, one `{"t": 12.5, "key": "KEY_MENU"}` a line; once for each capture file, in order
    #[arg(long, value_name = "FILE", conflicts_with = "port")]
    pub prompts: Vec<PathBuf>,
    /// Ask now: the serial port of the set, a device path or a stable name from `straykey ports`
    #[arg(long, value_name = "PORT")]
    pub port: Option<String>,
    /// Bits per second of the port
    #[arg(long, value_name = "BAUD", default_value_t = 115_200)]
    pub baud: u32,
    /// Data bits, parity (N, E, O) and stop bits of the port
    #[arg(long, value_name = "FRAMING", default_value = "8N1")]
    pub framing: String,
    /// Keys to ask for, with commas between; all keys of the chassis when left out
    #[arg(long, value_name = "KEY", value_delimiter = ',', requires = "port")]
    pub keys: Vec<String>,
    /// Longest wait for each key, in seconds, 10 at most
    #[arg(long, value_name = "S", default_value_t = 10.0)]
    pub seconds: f64,
    /// How the files are read.
    #[command(flatten)]
    pub reading: Reading,
    /// The cautions have been read (needed where nobody can be asked)
    #[arg(long)]
    pub cautions_read: bool,
    /// Exit with status 1 when a key is not seen as itself, lies outside its window, or something is stray
    #[arg(long)]
    pub check: bool,
}

/// `locate`.
#[derive(Debug, Args)]
pub struct Locate {
    /// Folder of the job
    #[arg(value_name = "JOB")]
    pub job: PathBuf,
    /// Exit with status 1 when a fault is located
    #[arg(long)]
    pub check: bool,
    /// Say how it was worked out
    #[arg(long)]
    pub explain: bool,
}
