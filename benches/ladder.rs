//! The full fit of all fault models to nine readings, beside SciPy's in the same run; `locate` on a large job.
//!
//! `cargo bench --bench ladder`. `STRAYKEY_PYTHON` names the interpreter that has NumPy and SciPy
//! (tests/reference/requirements.txt); `python3` when it is not set.

use std::process::Command;
use std::time::Instant;

use straykey::analysis::ladder::{Condition, Fit, Gatherer, Network, NetworkKey, Reading, fit};
use straykey::analysis::locate::{Outcome, StageEvidence, StepKind, locate};
use straykey::base::{ControlPath, Key};
use straykey::decode::ladder::{Board, Topology, WindowRule};

const KEYS: [(&str, f64); 6] = [
    ("KEY_POWER", 0.0),
    ("KEY_VOLUMEDOWN", 1_800.0),
    ("KEY_VOLUMEUP", 3_900.0),
    ("KEY_CHANNELDOWN", 7_500.0),
    ("KEY_CHANNELUP", 13_000.0),
    ("KEY_MENU", 27_000.0),
];

/// Codes of two leaks, 47 kΩ on the main board and 24 kΩ on the key board (case F03).
const CODES: [u32; 9] = [628, 0, 142, 244, 345, 426, 512, 844, 306];

fn network() -> Network {
    let keys = KEYS.iter().filter_map(|(name, ohm)| {
        Some(NetworkKey { key: Key::from_name(name)?, ohm: *ohm, counts: None, low_counts: None })
    });
    Network {
        name: "KEY1".into(),
        full_scale: 1023,
        supply_volts: 3.3,
        reference_volts: 3.3,
        higher_volts: 5.0,
        pull_up_ohm: 10_000.0,
        pull_up_assumed: false,
        pull_up_on: Board::MainBoard,
        pin_ohm: 0.0,
        closed_ohm: 0.05,
        end_of_line_ohm: None,
        return_ohm: 0.0,
        series_ohm: 0.0,
        tolerance: 0.01,
        topology: Topology::Parallel,
        window: WindowRule::Midpoint,
        tolerance_counts: None,
        idle_counts: None,
        idle_low_counts: None,
        keys: keys.collect(),
    }
}

fn readings(network: &Network) -> Vec<Reading> {
    let mut conditions = network.conditions();
    conditions.push(Condition::Substituted(4_700.0));
    CODES.iter().zip(conditions).map(|(code, c)| Reading::steady(c, *code, 1023, 0.3)).collect()
}

/// Median of several runs in seconds.
fn median(runs: usize, mut run: impl FnMut()) -> f64 {
    let mut times: Vec<f64> = (0..runs)
        .map(|_| {
            let start = Instant::now();
            run();
            start.elapsed().as_secs_f64()
        })
        .collect();
    times.sort_by(f64::total_cmp);
    times[runs / 2]
}

/// Seconds that SciPy needs; `None` when there is no interpreter with it.
fn scipy() -> Option<f64> {
    let python = std::env::var("STRAYKEY_PYTHON").unwrap_or_else(|_| "python3".into());
    let script = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/reference/ladder.py");
    let output = Command::new(python).args([script, "--time"]).output().ok()?;
    String::from_utf8_lossy(&output.stdout).trim().parse().ok()
}

/// Twenty stages, a million readings gathered into nine conditions, weighed.
fn large_job(network: &Network) -> Option<Fit> {
    let mut conditions = network.conditions();
    conditions.push(Condition::Substituted(4_700.0));
    let mut gatherers: Vec<Gatherer> = conditions.iter().map(|_| Gatherer::default()).collect();
    for i in 0..1_000_000u32 {
        let which = (i % 9) as usize;
        gatherers[which].push((CODES[which] + i % 2).min(1023));
    }
    let readings: Vec<Reading> =
        gatherers.iter().zip(&conditions).filter_map(|(g, c)| g.reading(c.clone(), 1023)).collect();
    let fit = fit(network, &readings);
    let stages: Vec<StageEvidence> = (0..20)
        .map(|i| StageEvidence {
            kind: (i > 0).then_some(StepKind::Isolate),
            text: ["as received", "key board unplugged", "remotes out of the room"][i % 3].into(),
            parts: vec!["key-board".into()],
            outcome: Outcome::Stays,
            quiet_anyway: None,
            exposure_s: 600.0,
            episodes: 20,
            keys: Vec::new(),
            path: Some(ControlPath::Keypad),
        })
        .collect();
    locate(&stages, std::slice::from_ref(&fit)).ok()?;
    Some(fit)
}

#[allow(clippy::print_stdout)]
fn main() {
    let network = network();
    let readings = readings(&network);
    let ours = median(21, || {
        std::hint::black_box(fit(&network, &readings));
    });
    println!("full fit, {} models, 9 readings: {:.2} ms", fit(&network, &readings).models.len(), ours * 1e3);
    match scipy() {
        Some(theirs) => {
            println!("the same by SciPy: {:.0} ms, {:.0} times as long", theirs * 1e3, theirs / ours)
        }
        None => println!("SciPy was not measured: no interpreter with it; set STRAYKEY_PYTHON"),
    }
    let job = median(5, || {
        std::hint::black_box(large_job(&network));
    });
    println!("locate, 20 stages, 1000000 readings: {:.1} ms", job * 1e3);
}
