//! What a live capture shows while it runs: in place on a terminal; elsewhere a plain line when something turns.

use std::collections::BTreeMap;
use std::io::IsTerminal;

use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};

use crate::analysis::compare::Verdict;
use crate::base::words::plural;
use crate::base::{Event, EventKind, Key, Nanoseconds};
use crate::bench::{Asked, SoakRun, words};
use crate::face::cli::load::{chance, duration};
use crate::face::cli::table;
use crate::timeline::live::Adapter;

/// Facts as lines, never wider than `width` characters.
pub(super) trait Look {
    /// The lines, the weightiest first.
    fn lines(&self) -> Vec<String>;

    /// What is worth a line of a log when it changes; figures that only run on are none of it.
    fn standing(&self) -> Standing;
}

/// The state of a live capture without its running figures.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(super) struct Standing {
    verdict: Option<Verdict>,
    strays: bool,
    enough: [bool; 2],
    restarts: u32,
    silent: bool,
    waits: bool,
}

/// A soak at one moment.
pub(super) struct SoakLook {
    lines: Vec<String>,
    standing: Standing,
}

impl SoakLook {
    /// Of a soak that runs here.
    pub(super) fn of(run: &SoakRun) -> Self {
        let facts = Facts {
            run_s: run.run().seconds(),
            waits_s: run.waits().map(Nanoseconds::seconds),
            limit_s: run.limit().seconds(),
            compared: run.is_compared(),
            blind: run.blind().map(words::blind).collect(),
        };
        let state = run.state();
        let figures = Figures {
            observed_s: state.observed_s,
            strays: state.strays,
            episodes: state.episodes,
            verdict: state.verdict,
            quiet_anyway: state.quiet_anyway,
            soak_more_s: state.soak_more_s,
            soak_more_95_s: state.soak_more_95_s,
            pending_s: state.pending_s,
            restarts: state.restarts,
        };
        Self::new(&facts, &figures, run.asked().map(Asked::words))
    }

    fn new(facts: &Facts, figures: &Figures, ask: Option<String>) -> Self {
        let lines = ask.into_iter().chain(facts.lines(figures)).collect();
        Self { lines, standing: facts.standing(figures) }
    }

    /// Of a soak that a daemon runs; nothing when it does not say how it stands.
    pub(super) fn of_value(soak: &serde_json::Value) -> Option<Self> {
        let number = |name: &str| soak[name].as_f64().unwrap_or(0.0);
        let listed = |item: &serde_json::Value| item["sentence"].as_str().map(str::to_owned);
        let facts = Facts {
            run_s: number("run_s"),
            waits_s: soak["waits_s"].as_f64(),
            limit_s: number("limit_s"),
            compared: soak["planned"] == true,
            blind: soak["blind_now"].as_array().into_iter().flatten().filter_map(listed).collect(),
        };
        let figures = serde_json::from_value(soak.clone()).ok()?;
        Some(Self::new(&facts, &figures, soak["ask"].as_str().map(str::to_owned)))
    }
}

struct Facts {
    run_s: f64,
    waits_s: Option<f64>,
    limit_s: f64,
    compared: bool,
    blind: Vec<String>,
}

#[derive(serde::Deserialize)]
struct Figures {
    observed_s: f64,
    strays: u64,
    episodes: u64,
    verdict: Verdict,
    quiet_anyway: f64,
    soak_more_s: Option<f64>,
    soak_more_95_s: Option<f64>,
    pending_s: f64,
    restarts: u32,
}

impl Facts {
    fn lines(&self, state: &Figures) -> Vec<String> {
        let mut lines = match self.waits_s {
            Some(waits_s) => vec![format!("{}; the clock stands still", waiting(waits_s))],
            None => self.blind.clone(),
        };
        lines.push(format!("Soak {} of {}, hands off", duration(self.run_s.floor()), duration(self.limit_s)));
        if state.observed_s < 0.98 * self.run_s - 1.0 {
            lines.push(format!("observed {}", duration(state.observed_s.floor())));
        }
        lines.push(format!("Verdict so far: {}", state.verdict));
        lines.push(format!("{} in {}", plural(state.strays, "stray"), plural(state.episodes, "episode")));
        if self.compared && state.strays == 0 {
            lines.push(format!("Could be luck: {}", chance(state.quiet_anyway)));
            let needed = |more: Option<f64>| match more {
                Some(more) if more > 0.0 => duration(more.ceil()),
                Some(_) => "reached".to_owned(),
                None => "out of reach".to_owned(),
            };
            lines.push(format!(
                "Quiet still needed: {} for 95 %, {} for 99 %",
                needed(state.soak_more_95_s),
                needed(state.soak_more_s)
            ));
        }
        if state.pending_s > 1.0 {
            lines.push(format!("{} wait for a sign of life", duration(state.pending_s.floor())));
        }
        if state.restarts > 0 {
            lines.push(format!(
                "Clock restarted {}; it counts all the same",
                plural(state.restarts.into(), "time")
            ));
        }
        lines
    }

    fn standing(&self, state: &Figures) -> Standing {
        let quiet = self.compared && state.strays == 0;
        let reached = |more: Option<f64>| quiet && more.is_some_and(|more| more <= 0.0);
        Standing {
            verdict: Some(state.verdict),
            strays: state.strays > 0,
            enough: [reached(state.soak_more_95_s), reached(state.soak_more_s)],
            restarts: state.restarts,
            silent: self.waits_s.is_none() && !self.blind.is_empty(),
            waits: self.waits_s.is_some(),
        }
    }
}

impl Look for SoakLook {
    fn lines(&self) -> Vec<String> {
        self.lines.clone()
    }

    fn standing(&self) -> Standing {
        self.standing.clone()
    }
}

/// Something that goes on step by step, as lines.
pub(super) struct StepLook(pub(super) Vec<String>);

impl Look for StepLook {
    fn lines(&self) -> Vec<String> {
        self.0.clone()
    }

    fn standing(&self) -> Standing {
        Standing::default()
    }
}

/// No adapter or no serial server is there; nothing is wrong with the set.
fn waiting(seconds: f64) -> String {
    format!("PORT GONE for {}: waiting for it", duration(seconds.floor()))
}

/// A set that says nothing is no quiet set.
fn silence(now: Nanoseconds, last: Option<Nanoseconds>) -> Option<String> {
    match last {
        Some(last) if (now - last).seconds() > 10.0 => {
            Some(format!("NOTHING FROM THE SET for {}", duration((now - last).seconds())))
        }
        None if now.seconds() > 3.0 => Some("NOTHING FROM THE SET yet".to_owned()),
        _ => None,
    }
}

/// A watch at one moment.
#[derive(Default)]
pub(super) struct WatchLook {
    now: Nanoseconds,
    last: Option<Nanoseconds>,
    adapter: Option<Adapter>,
    bytes: u64,
    presses: u64,
    changes: u64,
    faults: u64,
    down: BTreeMap<Key, Nanoseconds>,
}

impl WatchLook {
    /// Takes what came.
    pub(super) fn take(&mut self, events: &[Event]) {
        for event in events {
            match (event.kind, event.key) {
                (EventKind::Press, Some(key)) if event.comes_in() => {
                    self.presses += 1;
                    self.down.insert(key, event.t);
                }
                (EventKind::Release, Some(key)) => {
                    self.down.remove(&key);
                }
                (EventKind::Change, _) => self.changes += 1,
                (EventKind::Fault | EventKind::Noise, _) => self.faults += 1,
                _ => {}
            }
        }
    }

    /// Takes the time and what was read up to now.
    pub(super) fn tick(&mut self, now: Nanoseconds, last: Option<Nanoseconds>, adapter: Adapter, bytes: u64) {
        (self.now, self.last, self.adapter, self.bytes) = (now, last, Some(adapter), bytes);
    }

    /// What keeps bytes from coming.
    fn trouble(&self) -> Option<String> {
        match self.adapter {
            Some(Adapter::Gone { since }) => Some(waiting((self.now - since).seconds())),
            Some(Adapter::Back { since }) => silence(self.now, Some(self.last.unwrap_or(since).max(since))),
            Some(Adapter::Stayed) | None => silence(self.now, self.last),
        }
    }
}

impl Look for WatchLook {
    fn lines(&self) -> Vec<String> {
        let mut lines = vec![format!(
            "Watching for {}: {}, {}, {}, {}",
            duration(self.now.seconds().floor()),
            plural(self.bytes, "byte"),
            plural(self.presses, "press"),
            plural(self.changes, "menu change"),
            plural(self.faults, "fault")
        )];
        let down: Vec<String> = self
            .down
            .iter()
            .map(|(key, since)| {
                format!("{} for {}", key.label(), duration((self.now - *since).seconds().max(0.0)))
            })
            .collect();
        if !down.is_empty() {
            lines.push(format!("Down now: {}", down.join(", ")));
        }
        lines.extend(self.trouble());
        lines
    }

    fn standing(&self) -> Standing {
        Standing { silent: self.trouble().is_some(), ..Standing::default() }
    }
}

/// Lines at the foot of a terminal that are written anew in place; on anything else a line for each change.
pub(super) struct Status {
    bar: Option<ProgressBar>,
    next: Nanoseconds,
    shown: Option<Standing>,
}

const EVERY: Nanoseconds = Nanoseconds::from_millis(500);

impl Status {
    pub(super) fn new() -> Self {
        let bar = std::io::stderr().is_terminal().then(|| {
            let bar = ProgressBar::with_draw_target(None, ProgressDrawTarget::stderr_with_hz(4));
            if let Ok(style) = ProgressStyle::with_template("{msg}") {
                bar.set_style(style);
            }
            bar
        });
        Self { bar, next: Nanoseconds::ZERO, shown: None }
    }

    pub(super) fn is_due(&self, now: Nanoseconds) -> bool {
        now >= self.next
    }

    /// Shows it in place; where there is no terminal, in one line when it stands otherwise than before.
    pub(super) fn show(&mut self, now: Nanoseconds, look: &dyn Look) {
        self.in_place(now, look);
        if self.bar.is_none() && self.turned(look) {
            let _ =
                std::io::Write::write_all(&mut anstream::stderr(), format!("{}\n", plain(look)).as_bytes());
        }
    }

    /// Whether it stands otherwise than when it was last shown; where it began is no change.
    fn turned(&mut self, look: &dyn Look) -> bool {
        let standing = look.standing();
        let turned = self.shown.as_ref().is_some_and(|shown| *shown != standing);
        self.shown = Some(standing);
        turned
    }

    /// Shows it in place, or not at all where there is no terminal.
    pub(super) fn in_place(&mut self, now: Nanoseconds, look: &dyn Look) {
        self.next = now + EVERY;
        if let Some(bar) = &self.bar {
            bar.set_message(foot(look, usize::from(table::width())));
            bar.tick();
        }
    }

    /// Prints beside the status without tearing it.
    pub(super) fn aside<T>(&self, print: impl FnOnce() -> T) -> T {
        match &self.bar {
            Some(bar) => bar.suspend(print),
            None => print(),
        }
    }

    pub(super) fn end(&self) {
        if let Some(bar) = &self.bar {
            bar.finish_and_clear();
        }
    }
}

/// All facts in one line, for a log.
fn plain(look: &dyn Look) -> String {
    look.lines().iter().map(|line| line.trim_end_matches('.')).collect::<Vec<_>>().join("; ")
}

/// Short facts share a line where there is room; none is wider than the terminal.
fn foot(look: &dyn Look, width: usize) -> String {
    // The last column stays free: some terminals wrap when it is written.
    let room = width.saturating_sub(1).max(20);
    let mut rows: Vec<String> = Vec::new();
    for line in look.lines() {
        let line: String = line.chars().take(room).collect();
        match rows.last_mut() {
            Some(row) if row.chars().count() + 3 + line.chars().count() <= room => {
                row.push_str(" | ");
                row.push_str(&line);
            }
            _ => rows.push(line),
        }
    }
    rows.join("\n")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_soak_fits_every_terminal_and_says_all_it_knows() {
        let soak = serde_json::json!({
            "run_s": 95.0, "limit_s": 1200.0, "planned": true, "observed_s": 70.0, "strays": 0, "episodes": 0,
            "verdict": "undecided", "quiet_anyway": 0.31, "soak_more_s": 719.2, "soak_more_95_s": 420.0,
            "pending_s": 0.0, "restarts": 1, "ask": null,
            "blind_now": [{ "sentence": "BLIND since 1 min 10 s: keypad KEY1: nothing came from the set" }],
        });
        let look = SoakLook::of_value(&soak).unwrap();
        for width in [40, 60, 80, 120] {
            let foot = foot(&look, width);
            assert!(foot.lines().all(|line| line.chars().count() < width), "{width}: {foot}");
            for fact in
                ["1 min 35 s of 20 min", "undecided", "0 strays in 0 episodes", "luck: 31 %", "BLIND since"]
            {
                assert!(foot.contains(fact), "{width}: {fact}: {foot}");
            }
        }
        let plain = plain(&look);
        assert!(!plain.contains('\n') && plain.contains("7 min for 95 %, 12 min for 99 %"), "{plain}");
        assert!(plain.contains("observed 1 min 10 s"), "{plain}");
        // Without an adapter nothing is said of the set.
        let mut gone = soak;
        gone["waits_s"] = 61.5.into();
        let look = SoakLook::of_value(&gone).unwrap();
        let lines = look.lines();
        assert_eq!(lines[0], "PORT GONE for 1 min 1 s: waiting for it; the clock stands still");
        assert!(!lines.iter().any(|line| line.contains("BLIND")), "{lines:?}");
    }

    #[test]
    fn elsewhere_than_on_a_terminal_only_changes_are_shown() {
        let mut status = Status { bar: None, next: Nanoseconds::ZERO, shown: None };
        let mut lines = 0;
        let mut soak = serde_json::json!({
            "run_s": 0.0, "limit_s": 7200.0, "planned": true, "observed_s": 0.0, "strays": 0, "episodes": 0,
            "verdict": "undecided", "quiet_anyway": 1.0, "soak_more_s": 719.2, "soak_more_95_s": 420.0,
            "pending_s": 0.0, "restarts": 0, "ask": null, "blind_now": [],
        });
        let mut at = |soak: &serde_json::Value| {
            lines += u32::from(status.turned(&SoakLook::of_value(soak).unwrap()));
            lines
        };
        for second in 0..3600 {
            soak["run_s"] = second.into();
            soak["observed_s"] = second.into();
            soak["quiet_anyway"] = (1.0 / (1.0 + f64::from(second))).into();
            assert_eq!(at(&soak), 0, "an hour in which only figures run on");
        }
        soak["strays"] = 1.into();
        assert_eq!(at(&soak), 1, "the first stray");
        soak["strays"] = 2.into();
        assert_eq!(at(&soak), 1);
        soak["blind_now"] = serde_json::json!([{ "sentence": "BLIND since 1 h: the set: nothing came" }]);
        assert_eq!(at(&soak), 2, "the set is silent");
        assert_eq!(at(&soak), 2);
        soak["blind_now"] = serde_json::json!([]);
        assert_eq!(at(&soak), 3, "it speaks again");
        soak["verdict"] = "reduced".into();
        assert_eq!(at(&soak), 4);
    }

    #[test]
    fn a_watch_tells_which_keys_are_down() {
        let mut look = WatchLook::default();
        let menu = Key::from_name("KEY_MENU");
        let mut event = Event::new(Nanoseconds::ZERO, crate::base::ControlPath::Keypad, EventKind::Press);
        event.key = menu;
        look.take(&[event.clone()]);
        look.tick(Nanoseconds::from_seconds(4.0), Some(Nanoseconds::from_seconds(3.9)), Adapter::Stayed, 812);
        let lines = look.lines();
        assert!(
            lines[0].contains("812 bytes, 1 press,") && lines[1] == "Down now: Menu for 4 s",
            "{lines:?}"
        );
        event.kind = EventKind::Release;
        look.take(&[event]);
        assert_eq!(look.lines().len(), 1);
    }

    #[test]
    fn a_watch_without_its_adapter_does_not_blame_the_set() {
        let at = Nanoseconds::from_seconds;
        let mut look = WatchLook::default();
        look.tick(at(60.0), Some(at(4.0)), Adapter::Gone { since: at(5.0) }, 12);
        assert_eq!(look.lines()[1], "PORT GONE for 55 s: waiting for it");
        look.tick(at(65.0), Some(at(4.0)), Adapter::Back { since: at(61.0) }, 12);
        assert_eq!(look.lines().len(), 1, "{:?}", look.lines());
        look.tick(at(72.0), Some(at(4.0)), Adapter::Back { since: at(61.0) }, 12);
        assert_eq!(look.lines()[1], "NOTHING FROM THE SET for 11 s");
    }
}
