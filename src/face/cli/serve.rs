//! `serve`: the bench daemon, and the demo of it.

use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use crate::base::{Error, Key, Nanoseconds, Result};
use crate::face::cli::answers;
use crate::face::cli::args::serve::Serve;
use crate::face::cli::report;
use crate::face::http::config::PortConfig;
use crate::face::http::{self, Config, Makers, Ready, Start};
use crate::face::out::{Out, Outcome};
use crate::simulator::scenario::Scenario;
use crate::simulator::set::SimulatedSet;
use crate::simulator::terminal::Terminal;
use crate::source::serial::Binding;
use crate::timeline::Protocols;
use crate::timeline::job::{Hands, Job, JobInfo, Step};

pub(super) fn run(options: &Serve, user: Option<&Path>, out: &mut Out) -> Result<Outcome> {
    let demo = options.demo.then(|| Demo::begin(options)).transpose()?;
    let (options, user) = (options.clone(), user.map(Path::to_path_buf));
    let jobs = demo.as_ref().map(|demo| demo.jobs.clone());
    let port = demo.as_ref().map(|demo| demo.port.clone());
    let config = move || {
        let mut config = match &port {
            // The demo is the same whatever a configuration says.
            Some(_) => Config::parse(Path::new("demo"), "")?,
            None => Config::load(options.config.as_deref())?,
        };
        config.file = config.file.filter(|_| port.is_none());
        if let Some(folder) = &jobs {
            config.jobs = folder.join("jobs");
            config.token_file = folder.join("token");
            config.socket = Some(folder.join("straykey.sock"));
        }
        config.ports.extend(port.clone());
        let given = |own: &Option<PathBuf>, field: &mut PathBuf| {
            if let Some(own) = own {
                field.clone_from(own);
            }
        };
        given(&options.jobs, &mut config.jobs);
        given(&options.token_file, &mut config.token_file);
        config.listen = options.listen.unwrap_or(config.listen);
        config.socket = options.socket.clone().or(config.socket);
        config.protocols = user.clone().or(config.protocols);
        config.log.json |= options.log_json;
        Ok(config)
    };
    let json = out.json;
    http::run(Start {
        config: Box::new(config),
        makers: Makers { report: make_report },
        ready: Box::new(move |ready| tell(ready, json)),
    })?;
    drop(demo);
    Ok(Outcome::Done)
}

/// Says where the page is. The link lets in whoever has it, so it goes to a terminal alone: other standard outputs are
/// kept, as the log of a service is.
fn tell(ready: &Ready, json: bool) {
    let scheme = if ready.tls { "https" } else { "http" };
    let page = format!("{scheme}://{}", ready.address);
    let link = |token: &str| format!("{page}/open?token={token}");
    let token_file = ready.token_file.display().to_string();
    let mut out = Out::new(json);
    let written = if json {
        let socket = ready.socket.as_ref().map(|path| path.display().to_string());
        out.answer(answers::Serving {
            address: ready.address.to_string(),
            open: page,
            token_file,
            jobs: ready.jobs.display().to_string(),
            socket,
            recovered: ready.recovered.clone(),
        })
    } else if Out::is_terminal() {
        let link = link(ready.token.secret());
        out.line(format!("The bench is open: {link}\nJobs: {}. Ctrl-C ends.", ready.jobs.display()))
    } else {
        out.line(format!(
            "The bench is open: {}\nThe token is in {token_file}; it is not written here, since this is no terminal.\n\
             Jobs: {}.",
            link("TOKEN"),
            ready.jobs.display()
        ))
    };
    // Whoever closed our output does not want to know.
    let _ = written.and_then(|()| out.flush());
}

fn make_report(folder: &Path, protocols: &Protocols) -> Result<PathBuf> {
    report::write(folder, None, false, protocols, &Out::new(true))
}

/// A simulated set that speaks in real time while the daemon runs.
struct Demo {
    jobs: PathBuf,
    port: PortConfig,
}

/// The set speaks this often.
const PIECE: Duration = Duration::from_millis(50);

impl Demo {
    fn begin(options: &Serve) -> Result<Self> {
        let jobs = options
            .out
            .clone()
            .unwrap_or_else(|| std::env::temp_dir().join(format!("straykey-bench-{}", std::process::id())));
        let scenario = Scenario::two_causes(options.seed).brisk();
        let job = jobs.join("jobs/demo");
        if !job.join("job.toml").is_file() {
            let failed = |error| Error::system("cannot make the folder of the demo").at(&jobs).because(error);
            std::fs::create_dir_all(jobs.join("jobs")).map_err(failed)?;
            let info = JobInfo {
                complaint: Some(scenario.complaint.to_owned()),
                simulated: true,
                ..JobInfo::new(scenario.set).chassis(scenario.style.chassis())
            };
            Job::create(&job, &info)?
                .acknowledge_cautions("demo: the set is simulated, nothing is connected")?;
        }
        let set = scenario.set_at(0)?;
        let terminal = Terminal::open()?;
        let port = PortConfig {
            name: "demo".to_owned(),
            binding: Binding::Device(terminal.path().to_owned()),
            baud: 115_200,
            framing: "8N1".to_owned(),
            chassis: Some(scenario.style.chassis().to_owned()),
            job: None,
            hands: Hands::On,
        };
        std::thread::Builder::new()
            .name("simulated set".to_owned())
            .spawn(move || speak(&scenario, set, terminal, &job))
            .map_err(|error| Error::system("cannot start the simulated set").because(error))?;
        Ok(Self { jobs, port })
    }
}

/// The set speaks at the pace of the wall clock; what is noted in the job is done to it, and keys that are asked for are
/// pressed.
fn speak(scenario: &Scenario, mut set: SimulatedSet, mut terminal: Terminal, job: &Path) {
    let mut noted = Vec::new();
    let mut pressed = Job::read(job).map_or(0, |job| asked(&job).len());
    let mut begun = Instant::now();
    let mut looked: Option<Instant> = None;
    loop {
        std::thread::sleep(PIECE);
        if looked.is_none_or(|looked| looked.elapsed() > Duration::from_secs(1)) {
            looked = Some(Instant::now());
            let Ok(job) = Job::read(job) else { continue };
            let keys = asked(&job);
            keys.iter().skip(pressed).for_each(|key| set.answer(*key));
            pressed = keys.len();
            let steps = steps(&job);
            if steps != noted {
                noted = steps;
                if let Ok(faults) = scenario.faults(&noted) {
                    set.power_cycle(faults);
                    begun = Instant::now();
                }
            }
        }
        let due = Nanoseconds::from_seconds(begun.elapsed().as_secs_f64()) - set.uptime();
        // While nobody listens the set speaks into the void, as a real one does.
        let _ = terminal.offer(&set.advance(due));
    }
}

fn asked(job: &Job) -> Vec<Key> {
    job.captures().flat_map(|capture| &capture.prompts).map(|prompt| prompt.key).collect()
}

fn steps(job: &Job) -> Vec<Step> {
    job.stages().iter().filter_map(|stage| stage.step.clone()).collect()
}
