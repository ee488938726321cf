//! The bench daemon: several sets on several ports, recorded and watched for days, driven over HTTP.
//!
//! A thread for each port owns the port and what is recorded from it ([`port`]); a disk thread writes for all of them
//! ([`journal::Group`](crate::journal::Group)); one more thread runs the sockets. Requests reach a port by orders to its
//! thread, and never wait for one another's disk: what may wait runs on threads of its own. Events go into a bounded buffer
//! ([`replay`]), from which every subscriber reads at its own pace.
//!
//! A job is locked while something is recorded into it, or a request changes it, and free otherwise.

pub mod api;
pub mod app;
pub mod auth;
mod bind;
pub mod client;
pub mod clock;
pub mod config;
pub mod error;
pub mod jobs;
pub mod ladder;
pub mod lifecycle;
pub mod log;
pub mod page;
mod places;
pub mod port;
pub mod provoking;
mod rates;
mod recording;
pub mod replay;
pub mod server;
pub mod tls;
pub mod token;
pub mod types;
mod watching;
mod worker;

pub use app::Makers;
pub use config::Config;
pub use lifecycle::{Ready, Start, run};
