//! What was typed behind `serve`.

use std::net::SocketAddr;
use std::path::PathBuf;

use clap::Args;

/// `serve`.
#[derive(Clone, Debug, Args)]
pub struct Serve {
    /// Configuration file; $XDG_CONFIG_HOME/straykey/serve.toml when left out, defaults when there is none
    #[arg(long, value_name = "F")]
    pub config: Option<PathBuf>,
    /// Folder whose folders are jobs
    #[arg(long, value_name = "DIR")]
    pub jobs: Option<PathBuf>,
    /// Address to listen on; port 0 takes a free one
    #[arg(long, value_name = "ADDRESS")]
    pub listen: Option<SocketAddr>,
    /// Socket by which the other commands reach the daemon (on Windows a named pipe)
    #[arg(long, value_name = "PATH")]
    pub socket: Option<PathBuf>,
    /// File with the token; made when it is not there
    #[arg(long, value_name = "FILE")]
    pub token_file: Option<PathBuf>,
    /// Write the log as one JSON object a line
    #[arg(long)]
    pub log_json: bool,
    /// With a simulated set behind a pseudo-terminal, and a job for it
    #[arg(long, conflicts_with = "config")]
    pub demo: bool,
    /// Where the demo keeps its jobs; a temporary folder otherwise
    #[arg(long, value_name = "DIR", requires = "demo")]
    pub out: Option<PathBuf>,
    /// Seed of the simulated set
    #[arg(long, value_name = "N", default_value_t = crate::simulator::scenario::SEED)]
    pub seed: u64,
}
