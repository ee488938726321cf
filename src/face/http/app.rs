//! What all parts of the daemon share.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Arc, Mutex};
use std::time::Instant;

use crate::base::locked;
use crate::face::http::config::Config;
use crate::face::http::error::{Answer, ApiError};
use crate::face::http::jobs::{Entry, Jobs};
use crate::face::http::page::Tagged;
use crate::face::http::port::Port;
use crate::face::http::rates::Rates;
use crate::face::http::replay::Replay;
use crate::face::http::token::Token;
use crate::face::http::types::DiskRoom;
use tokio::sync::watch;

use crate::base::{Anchor, Result};
use crate::journal::{DiskLevel, Files, Group, SystemFiles};
use crate::timeline::Protocols;

/// What other faces make for the daemon; it imports none of them.
#[derive(Clone, Copy)]
pub struct Makers {
    /// Writes the report of a job; gives its path.
    pub report: fn(&Path, &Protocols) -> Result<PathBuf>,
}

/// Counters for the metrics.
#[derive(Debug, Default)]
pub struct Counts {
    /// Answers by their first digit.
    pub answers: [AtomicU64; 6],
    /// Connections that are open now.
    pub connections: AtomicU64,
    /// Connections turned away.
    pub turned_away: AtomicU64,
    /// Requests refused for their rate.
    pub too_many: AtomicU64,
    /// Subscribers now.
    pub subscribers: AtomicU64,
    /// Subscribers that were notified of a gap.
    pub gaps: AtomicU64,
}

/// The protocol files and the mistake of the last edit.
pub struct Known {
    /// The last good ones.
    pub protocols: Protocols,
    /// What is wrong with the present files.
    pub error: Option<String>,
}

/// Who may ask.
pub struct Access {
    /// The token.
    pub token: Token,
    /// What the cookie holds, until the daemon ends.
    pub session: Token,
    /// How often each client asks.
    pub rates: Rates,
}

/// This start of the daemon.
pub struct ThisStart {
    /// Its name.
    pub name: String,
    /// When it began.
    pub started: Anchor,
    /// The same, for durations.
    pub born: Instant,
    /// What was repaired at the start, in sentences.
    pub recovered: Mutex<Vec<String>>,
}

/// What all requests and port threads share.
pub struct AppState {
    /// Who may ask.
    pub access: Access,
    /// This start of the daemon.
    pub start: ThisStart,
    /// The configuration as it is now.
    pub config: Mutex<Arc<Config>>,
    /// Protocol files.
    pub known: Mutex<Known>,
    /// The disk threads.
    pub group: Group,
    /// Messages to subscribers.
    pub replay: Replay,
    /// Ports by name.
    pub ports: Mutex<BTreeMap<String, Arc<Port>>>,
    /// Jobs.
    pub jobs: Jobs,
    /// What other faces make.
    pub makers: Makers,
    /// Counters.
    pub counts: Counts,
    /// The states of all jobs are being worked out.
    pub surveying: AtomicBool,
    /// The page's files.
    pub page: Vec<Tagged>,
    /// `true` once the daemon is to end.
    pub ending: watch::Sender<bool>,
}

impl AppState {
    /// The protocol files to decode with now.
    pub fn protocols(&self) -> Protocols {
        locked(&self.known).protocols.clone()
    }

    /// The configuration as it is now.
    pub fn config(&self) -> Arc<Config> {
        Arc::clone(&locked(&self.config))
    }

    /// A port by its name.
    ///
    /// # Errors
    /// 404.
    pub fn port(&self, name: &str) -> Answer<Arc<Port>> {
        locked(&self.ports).get(name).cloned().ok_or_else(|| {
            ApiError::missing("there is no such port").help("choose one of the list, or bind it")
        })
    }

    /// All ports, in order of their names.
    pub fn all_ports(&self) -> Vec<Arc<Port>> {
        locked(&self.ports).values().cloned().collect()
    }

    /// Tells subscribers that a job has changed.
    pub fn job_changed(&self, entry: &Entry) {
        let revision = entry.changed();
        let value = serde_json::json!({ "job": &*entry.name, "revision": revision });
        self.replay.send("job", Some(Arc::clone(&entry.name)), &value);
    }

    /// `true` when nobody works out the states of all jobs yet.
    pub fn begin_survey(&self) -> bool {
        !self.surveying.swap(true, Ordering::AcqRel)
    }

    /// They are worked out.
    pub fn end_survey(&self) {
        self.surveying.store(false, Ordering::Release);
    }

    /// Room on the disk of the jobs.
    pub fn disk(&self) -> DiskRoom {
        if let Some(forecast) = self.group.status().disk {
            return DiskRoom::new(forecast.level, forecast.free, forecast.hours_left);
        }
        // Nothing was recorded yet: nothing grows.
        let free = SystemFiles.room(self.jobs.folder()).map_or(0, |room| room.free);
        DiskRoom::new(if free == 0 { DiskLevel::Full } else { DiskLevel::Fine }, free, None)
    }

    /// Returns once the daemon is to end.
    pub async fn ended(&self) {
        // The sender lives as long as this does.
        let _ = self.ending.subscribe().wait_for(|ending| *ending).await;
    }

    /// Counts an answer.
    pub fn count(&self, status: u16) {
        if let Some(counter) = self.counts.answers.get(usize::from(status / 100)) {
            counter.fetch_add(1, Ordering::Relaxed);
        }
    }
}
