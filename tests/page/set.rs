//! A set on a pseudo-terminal that speaks at the pace of the wall clock: a key line that is read every 50 ms, a fault that
//! presses Menu every three seconds until it is mended, and a hand that presses what it is told to.

use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use crate::support::terminal::Terminal;

/// Readings of the keys of KEY1 on the chassis `alder`, and of the idle line.
const LEVELS: [(&str, u32); 7] = [
    ("Power", 0),
    ("Volume down", 156),
    ("Volume up", 287),
    ("Channel down", 438),
    ("Channel up", 578),
    ("Menu", 747),
    ("no key", 1023),
];

#[derive(Debug, Default)]
struct State {
    faulty: bool,
    /// What the hand holds down, and until when.
    held: Option<(u32, Instant)>,
    say: String,
    unplug: bool,
    /// What nobody has read yet is to be gone.
    forget: bool,
    over: bool,
}

pub(super) struct Set {
    state: Arc<Mutex<State>>,
    path: PathBuf,
    worker: Option<JoinHandle<()>>,
}

impl Set {
    pub(super) fn begin(faulty: bool) -> Self {
        let terminal = Terminal::open();
        let path = terminal.path().to_owned();
        let state = Arc::new(Mutex::new(State { faulty, ..State::default() }));
        let its = Arc::clone(&state);
        let worker = std::thread::spawn(move || speak(terminal, &its));
        Self { state, path, worker: Some(worker) }
    }

    pub(super) fn path(&self) -> &Path {
        &self.path
    }

    /// The step that helps. What waits unread in the pseudo-terminal, which a real line would have lost, is from before.
    pub(super) fn mend(&self) {
        let mut state = self.state.lock().unwrap();
        state.faulty = false;
        state.forget = true;
        drop(state);
        // Some readings of the quiet line, so that none of a stray is left when the watching begins.
        std::thread::sleep(Duration::from_millis(300));
    }

    /// What is done to the set makes its fault come, or nothing is done and it rests.
    pub(super) fn provoke(&self, on: bool) {
        self.state.lock().unwrap().faulty = on;
    }

    /// A hand presses a key of KEY1 for a third of a second.
    pub(super) fn press(&self, name: &str) {
        let (_, counts) =
            LEVELS.iter().find(|(key, _)| *key == name).unwrap_or_else(|| panic!("no key {name}"));
        self.state.lock().unwrap().held = Some((*counts, Instant::now() + Duration::from_millis(350)));
    }

    /// A line of the log besides the readings.
    pub(super) fn say(&self, line: &str) {
        self.state.lock().unwrap().say.push_str(&format!("{line}\n"));
    }

    /// The adapter is pulled out.
    pub(super) fn unplug(&self) {
        self.state.lock().unwrap().unplug = true;
    }
}

impl Drop for Set {
    fn drop(&mut self) {
        self.state.lock().unwrap().over = true;
        let _ = self.worker.take().unwrap().join();
    }
}

fn speak(mut terminal: Terminal, state: &Mutex<State>) {
    let begun = Instant::now();
    let idle = 1023;
    // Pauses between strays, 50 ms each: uneven, so that it is no beat.
    let pauses = [56, 72, 64, 50, 80, 60, 70, 54];
    let (mut next, mut stray_ends, mut turn) = (20, 0, 0);
    for scan in 0_u64.. {
        let due = begun + Duration::from_millis(50 * scan);
        std::thread::sleep(due.saturating_duration_since(Instant::now()));
        let mut state = state.lock().unwrap();
        if state.over {
            return;
        }
        if std::mem::take(&mut state.forget) {
            terminal.forget();
        }
        if std::mem::take(&mut state.unplug) {
            terminal.unplug();
        }
        if state.faulty && scan == next {
            stray_ends = scan + 6;
        } else if !state.faulty {
            stray_ends = scan;
        }
        if scan == next {
            next += pauses[turn % pauses.len()];
            turn += 1;
        }
        let held = state.held.filter(|(_, until)| Instant::now() < *until).map(|(counts, _)| counts);
        let counts = held.unwrap_or(if scan < stray_ends { 747 } else { idle });
        let ms = 50 * scan;
        let stamp = format!("[{}.{:03}]", 1 + ms / 1000, ms % 1000);
        let mut text = format!("{stamp} keyscan: line=KEY1 adc=0x{counts:03x}\r\n");
        for line in std::mem::take(&mut state.say).lines() {
            text.push_str(&format!("{stamp} {line}\r\n"));
        }
        drop(state);
        terminal.offer(text.as_bytes());
    }
}
