//! From start to end: recovery, ports, sockets, signals, reload, watchdog, an orderly end.

use std::collections::BTreeSet;
use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::AtomicBool;
use std::time::{Duration, Instant, SystemTime};

use tokio::net::TcpListener;
use tokio::sync::watch;

use crate::base::system::{self, Ends, Moment, Reloads, notify};
use crate::base::{Anchor, Error, Result, locked};
use crate::decode::folder;
use crate::face::http::app::{Access, AppState, Counts, Known, Makers, ThisStart};
use crate::face::http::config::Config;
use crate::face::http::jobs::Jobs;
use crate::face::http::log::Log;
use crate::face::http::rates::Rates;
use crate::face::http::replay::Replay;
use crate::face::http::token::{Token, random_hex};
use crate::face::http::{page, server, tls};
use crate::journal::{Group, Limits};
use crate::timeline::Protocols;
use crate::timeline::job::{CaptureSource, Job};

/// Files are looked at for changes so often.
const LOOK_EVERY: Duration = Duration::from_secs(2);
/// A disk thread that gives no sign of life for so long is stuck: the watchdog is no longer fed.
const STUCK: Duration = Duration::from_secs(120);

/// What the daemon is started with.
pub struct Start {
    /// Reads the configuration; asked again at each reload.
    pub config: Box<dyn Fn() -> Result<Config> + Send>,
    /// What other faces make.
    pub makers: Makers,
    /// ErrorDetail once it listens: the address and the token for the link.
    pub ready: Box<dyn FnOnce(&Ready) + Send>,
}

/// What is said when the daemon listens.
#[derive(Debug)]
pub struct Ready {
    /// Where.
    pub address: SocketAddr,
    /// Over TLS.
    pub tls: bool,
    /// The token.
    pub token: Token,
    /// The file that holds it.
    pub token_file: PathBuf,
    /// The jobs folder.
    pub jobs: PathBuf,
    /// The local socket.
    pub socket: Option<PathBuf>,
    /// What was repaired.
    pub recovered: Vec<String>,
}

/// Runs the daemon until a signal ends it.
///
/// # Errors
/// `Input` and `Usage` for the configuration, `System` when an address is taken or the system gives no threads.
pub fn run(start: Start) -> Result<()> {
    let config = (start.config)()?;
    let log = Log::start(&config.log)?;
    let token = Token::load(&config.token_file)?;
    let acceptor = config.tls.as_ref().map(tls::acceptor).transpose()?;
    if acceptor.is_none() && !config.listen.ip().is_loopback() {
        return Err(Error::usage("this address is reached from other machines, and there is no TLS")
            .help("listen on 127.0.0.1, or give [tls] with certificate and key in the configuration"));
    }
    let protocols = Protocols::load(config.protocols.as_deref())?;
    let limits = Limits {
        keep_bytes: config.limits.keep_bytes,
        warn_hours: config.limits.warn_hours.unwrap_or(48.0),
        ..Limits::default()
    };
    let bench = Arc::new(AppState {
        jobs: Jobs::new(&config.jobs)?,
        config: Arc::new(config).into_mutex(),
        known: Known { protocols, error: None }.into_mutex(),
        group: Group::start(limits)?,
        replay: Replay::default(),
        ports: Default::default(),
        access: Access { token: token.clone(), session: token.session(), rates: Rates::default() },
        start: ThisStart {
            name: random_hex::<6>()?,
            started: Anchor::now(),
            born: Instant::now(),
            recovered: Default::default(),
        },
        makers: start.makers,
        counts: Counts::default(),
        surveying: AtomicBool::new(false),
        page: page::tagged(page::ASSETS),
        ending: watch::Sender::new(false),
    });
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .max_blocking_threads(16)
        .build()
        .map_err(|error| Error::system("the system gives no threads").because(error))?;
    let done = runtime.block_on(live(&bench, acceptor, start.config, &log, start.ready));
    // A request that is still being worked out must not hold up the end.
    runtime.shutdown_timeout(Duration::from_secs(5));
    done
}

trait IntoMutex: Sized {
    fn into_mutex(self) -> std::sync::Mutex<Self> {
        std::sync::Mutex::new(self)
    }
}

impl IntoMutex for Arc<Config> {}
impl IntoMutex for Known {}

async fn live(
    bench: &Arc<AppState>,
    acceptor: Option<tokio_rustls::TlsAcceptor>,
    load: Box<dyn Fn() -> Result<Config> + Send>,
    log: &Log,
    ready: Box<dyn FnOnce(&Ready) + Send>,
) -> Result<()> {
    let deaf = |error| Error::system("cannot listen for signals").because(error);
    let mut ends = Ends::listen().map_err(deaf)?;
    let mut reloads = Reloads::listen().map_err(deaf)?;
    let config = bench.config();
    let listener = TcpListener::bind(config.listen).await.map_err(|error| {
        Error::system(format!("cannot listen on {}", config.listen))
            .because(error)
            .help("another daemon may run; give this one another `listen`")
    })?;
    let address = listener.local_addr().map_err(|error| Error::system("no address").because(error))?;
    let mut socket = None;
    let router = server::router(bench);
    if let Some(path) = &config.socket {
        let (own, listener) = server::bind_local(path)?;
        socket = Some(own);
        tokio::spawn(server::local(Arc::clone(bench), listener, router.clone()));
    } else {
        tracing::info!(
            "no place for the local socket: XDG_RUNTIME_DIR is not set, and `socket` is not configured"
        );
    }
    recover(bench);
    for port in &config.ports {
        if let Err(why) = bench.bind(port.clone(), true) {
            return Err(Error::usage(why.what().to_owned()).at(config.file.clone().unwrap_or_default()));
        }
    }
    tokio::spawn(server::tcp(Arc::clone(bench), listener, acceptor.clone(), router));
    tracing::info!(version = env!("CARGO_PKG_VERSION"), %address, jobs = %bench.jobs.folder().display(), "listening");
    ready(&Ready {
        address,
        tls: acceptor.is_some(),
        token: bench.access.token.clone(),
        token_file: config.token_file.clone(),
        jobs: bench.jobs.folder().to_owned(),
        socket: config.socket.clone().filter(|_| socket.is_some()),
        recovered: locked(&bench.start.recovered).clone(),
    });
    notify(Moment::Ready);
    let mut keeper = Keeper::new(bench, load, log.clone());
    let watchdog = system::watchdog().map(|time| time / 3);
    let beat = watchdog.unwrap_or(LOOK_EVERY).min(LOOK_EVERY).max(Duration::from_millis(100));
    let mut tick = tokio::time::interval(beat);
    tick.set_missed_tick_behavior(tokio::time::MissedTickBehavior::Skip);
    loop {
        tokio::select! {
            () = ends.asked() => break,
            () = reloads.asked() => keeper.reload("asked by a signal"),
            _ = tick.tick() => {
                keeper.look();
                if watchdog.is_some() && bench.group.status().beat_age < STUCK {
                    notify(Moment::Alive);
                }
            }
        }
    }
    tracing::info!("ending: captures are closed");
    notify(Moment::Stopping);
    bench.ending.send_replace(true);
    let closing = Arc::clone(bench);
    let closed = tokio::task::spawn_blocking(move || {
        let ports = std::mem::take(&mut *locked(&closing.ports));
        // ErrorDetail all at once, then waited for one after another.
        ports.values().for_each(|port| port.order(crate::face::http::port::Order::Stop));
        ports.values().for_each(|port| port.stop());
        closing.group.stop();
    });
    tokio::select! {
        _ = closed => {}
        // Asked twice: do not wait for a port or a disk that hangs. What was acknowledged is safe.
        () = ends.asked() => {
            drop(socket);
            std::process::exit(130);
        }
    }
    tracing::info!("ended");
    Ok(())
}

/// Closes what a crash or a power cut has left open, and says what it found.
fn recover(bench: &AppState) {
    for name in bench.jobs.names() {
        let Ok(entry) = bench.jobs.find(&name) else { continue };
        let open = match Job::read(&entry.folder) {
            Ok(job) => job
                .captures()
                .any(|capture| !capture.is_closed() && matches!(capture.source, CaptureSource::Live { .. })),
            Err(error) => {
                say(bench, format!("{name}: {}", error.sentence()));
                continue;
            }
        };
        if !open {
            continue;
        }
        match Job::open(&entry.folder) {
            Ok(job) => {
                for remark in job.remarks() {
                    say(bench, format!("{name}: {remark}"));
                }
            }
            Err(error) => say(bench, format!("{name}: {}", error.sentence())),
        }
    }
}

fn say(bench: &AppState, sentence: String) {
    tracing::warn!("{sentence}");
    locked(&bench.start.recovered).push(sentence);
}

/// Looks after files that change, and after the disk.
struct Keeper {
    bench: Arc<AppState>,
    load: Box<dyn Fn() -> Result<Config> + Send>,
    log: Log,
    looked: Instant,
    config_seen: Option<SystemTime>,
    protocols_seen: Vec<(PathBuf, Option<SystemTime>, u64)>,
    disk_level: &'static str,
    notes: u64,
}

impl Keeper {
    fn new(bench: &Arc<AppState>, load: Box<dyn Fn() -> Result<Config> + Send>, log: Log) -> Self {
        let config = bench.config();
        Self {
            bench: Arc::clone(bench),
            load,
            log,
            looked: Instant::now(),
            config_seen: config.file.as_deref().and_then(changed_at),
            protocols_seen: config.protocols.as_deref().map(listing).unwrap_or_default(),
            disk_level: "plenty",
            notes: bench.group.status().notes_next,
        }
    }

    fn look(&mut self) {
        if self.looked.elapsed() < LOOK_EVERY - Duration::from_millis(100) {
            return;
        }
        self.looked = Instant::now();
        self.disk();
        let config = self.bench.config();
        let now = config.file.as_deref().and_then(changed_at);
        if now.is_some() && now != self.config_seen {
            self.config_seen = now;
            self.reload("its file has changed");
        }
        if let Some(folder) = &config.protocols {
            let now = listing(folder);
            if now != self.protocols_seen {
                self.protocols_seen = now;
                self.protocols(folder);
            }
        }
    }

    /// Tells subscribers and the log what the disk does.
    fn disk(&mut self) {
        for note in self.bench.group.notes(self.notes) {
            self.notes = note.number + 1;
            tracing::warn!("{}", note.what);
        }
        let disk = self.bench.disk();
        if disk.level != self.disk_level {
            self.disk_level = disk.level;
            self.bench.replay.send("status", None, &serde_json::json!({ "disk": disk }));
            match &disk.sentence {
                Some(sentence) => tracing::warn!("{sentence}"),
                None => tracing::info!("there is room on the disk again"),
            }
        }
    }

    /// Takes a changed configuration. Ports that stay the same go on untouched.
    fn reload(&mut self, why: &str) {
        notify(Moment::Reloading);
        match (self.load)() {
            Ok(config) => self.apply(config, why),
            Err(error) => {
                tracing::error!("the configuration stays as it was: {}", error.to_string().replace('\n', " "))
            }
        }
        notify(Moment::Ready);
    }

    fn apply(&mut self, config: Config, why: &str) {
        let before = self.bench.config();
        self.log.set_level(&config.log.level);
        let fixed = [
            ("jobs", before.jobs != config.jobs),
            ("listen", before.listen != config.listen),
            ("socket", before.socket != config.socket),
            ("token_file", before.token_file != config.token_file),
            ("tls", before.tls != config.tls),
            ("limits", before.limits != config.limits),
        ];
        for (field, _) in fixed.iter().filter(|(_, differs)| *differs) {
            tracing::warn!("`{field}` has changed; that takes effect at the next start");
        }
        let wanted: BTreeSet<&str> = config.ports.iter().map(|port| port.name.as_str()).collect();
        for port in self.bench.all_ports() {
            let name = port.config().name;
            if port.fixed && !wanted.contains(name.as_str()) {
                tracing::info!(port = %name, "no longer bound");
                locked(&self.bench.ports).remove(&name);
                // Its capture is closed, which may wait for the disk.
                tokio::task::spawn_blocking(move || port.stop());
            }
        }
        for port in &config.ports {
            let known = locked(&self.bench.ports).get(&port.name).cloned();
            match known {
                Some(known) if known.config() == *port => {}
                Some(known) => {
                    tracing::info!(port = %port.name, "other settings, from its next capture on");
                    known.set_config(port.clone());
                }
                None => match self.bench.bind(port.clone(), true) {
                    Ok(_) => tracing::info!(port = %port.name, "bound"),
                    Err(error) => tracing::error!(port = %port.name, "not bound: {}", error.what()),
                },
            }
        }
        let folder_changed = before.protocols != config.protocols;
        *locked(&self.bench.config) = Arc::new(config);
        if folder_changed {
            let config = self.bench.config();
            match Protocols::load(config.protocols.as_deref()) {
                Ok(protocols) => *locked(&self.bench.known) = Known { protocols, error: None },
                Err(error) => self.mistake(&error.to_string()),
            }
        }
        tracing::info!("configuration taken: {why}");
    }

    /// Takes changed protocol files; a broken edit keeps the last good file. Captures that run keep what they began with.
    fn protocols(&self, folder: &Path) {
        let mut known = locked(&self.bench.known);
        let mistakes = known.protocols.reload(folder);
        known.error = None;
        drop(known);
        match mistakes.first() {
            None => tracing::info!("protocol files read again"),
            Some(error) => self.mistake(&error.to_string()),
        }
        self.bench.replay.send("status", None, &serde_json::json!({ "disk": self.bench.disk() }));
    }

    fn mistake(&self, text: &str) {
        let sentence = format!("{text}\n  The last good protocol files stay in use.");
        tracing::error!("{}", sentence.replace('\n', " "));
        locked(&self.bench.known).error = Some(sentence);
    }
}

fn changed_at(path: &Path) -> Option<SystemTime> {
    std::fs::metadata(path).ok()?.modified().ok()
}

fn listing(folder: &Path) -> Vec<(PathBuf, Option<SystemTime>, u64)> {
    let stated = |path: PathBuf| {
        let data = path.metadata().ok()?;
        Some((path, data.modified().ok(), data.len()))
    };
    folder::files(folder).into_iter().flatten().filter_map(stated).collect()
}
