//! The bench daemon: several sets on several ports, recorded and watched for days, driven over HTTP.
//!
//! A thread for each port owns the port and what is recorded from it ([`port`]); a disk thread writes for all of them
//! ([`journal::Group`](crate::journal::Group)); one more thread runs the sockets. Requests reach a port by orders to its
//! thread, and never wait for one another's disk: what may wait runs on threads of its own. Events go into a bounded ring
//! ([`ring`]), from which every subscriber reads at its own pace.
//!
//! A job is locked while something is recorded into it, or a request changes it, and free otherwise.

pub mod api;
pub mod app;
pub mod axis;
mod bind;
pub mod client;
pub mod config;
pub mod guard;
pub mod jobs;
pub mod ladder;
pub mod life;
pub mod log;
pub mod page;
mod places;
pub mod port;
mod rates;
mod recording;
pub mod refusal;
pub mod ring;
pub mod server;
pub mod shown;
pub mod tls;
pub mod token;
mod worker;

pub use app::Makers;
pub use config::Config;
pub use life::{Ready, Start, run};
