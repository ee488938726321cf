//! A report as a job would fill it.

#![allow(clippy::unwrap_used)] // helpers of tests are not seen as tests by the lint

use std::collections::BTreeMap;

use straykey::analysis::compare::{Comparison, Figures, Side, Verdict};
use straykey::analysis::event_sequence::Symbol;
use straykey::analysis::ladder::Entry;
use straykey::analysis::locate::{Belief, Located, Proposal, Risk, StepShare, TestKind};
use straykey::analysis::pattern::{Class, MotifEvent, Pattern};
use straykey::base::{ControlPath, Event, EventKind, Key, Nanoseconds};
use straykey::bench::{Advice, CaptureState, JobCauses, JobState, Level, StageState, WindowMark, Windows};
use straykey::face::drawing::Door;
use straykey::face::report::{Folded, Report, StageTimeline, TimelineBuilder};
use straykey::simulator::Scenario;
use straykey::simulator::keypad::Action;
use straykey::timeline::job::Hands;

fn rate(observed_s: f64, strays: u64, episodes: u64, low: f64, high: f64) -> Side {
    let per_min = episodes as f64 * 60.0 / observed_s;
    let stray_share = 0.0;
    Side {
        span_s: observed_s,
        observed_s,
        strays,
        episodes,
        per_min,
        per_min_low: low,
        per_min_high: high,
        stray_share,
    }
}

/// The timeline of one stage from what the simulated firmware registered.
fn timeline(number: u32, scenario: &Scenario) -> (StageTimeline, Vec<f64>) {
    let stage = &scenario.stages[number as usize - 1];
    let mut set = scenario.set_at(number as usize - 1).unwrap();
    set.advance(stage.time());
    let mut builder = TimelineBuilder::new(number);
    let mut boot = Event::new(Nanoseconds::ZERO, ControlPath::System, EventKind::Boot);
    boot.note = Some("cold".into());
    builder.push(Nanoseconds::ZERO, &boot, false);
    let mut times = Vec::new();
    for registered in set.registered() {
        let Action::Press(key) = registered.action else { continue };
        let path = registered.line.map_or(ControlPath::Infrared, |_| ControlPath::Keypad);
        let mut event = Event::new(registered.at, path, EventKind::Press);
        event.key = Some(key);
        builder.push(registered.at, &event, true);
        let mut change = Event::new(registered.at, ControlPath::Menu, EventKind::Change);
        change.item = Some("On-screen display".into());
        builder.push(registered.at + Nanoseconds::from_millis(60), &change, false);
        times.push(registered.at.seconds());
    }
    builder.observe(stage.time());
    (builder.finish(), times)
}

/// A job's state, and what is drawn beside it.
#[derive(Debug)]
pub(super) struct Sample {
    pub(super) state: JobState,
    pub(super) windows: Vec<Windows>,
    pub(super) timeline: Vec<StageTimeline>,
    pub(super) folded: BTreeMap<(usize, u32), Folded>,
}

impl Sample {
    pub(super) fn report(&self, door: Door) -> Report<'_> {
        Report {
            state: &self.state,
            decoder: Some("alder@1".into()),
            written: Some("2026-11-25T09:00:00Z".into()),
            simulated: true,
            windows: self.windows.clone(),
            timeline: self.timeline.clone(),
            folded: self.folded.clone(),
            door,
        }
    }
}

/// A stage of which nothing is known but its figures.
fn stage(number: usize, figures: Side) -> StageState {
    StageState {
        stage: number,
        step: "as received".into(),
        kind: None,
        parts: Vec::new(),
        span_s: figures.span_s,
        observed_s: figures.observed_s,
        paths: Vec::new(),
        unobserved: Vec::new(),
        strays: figures.strays as usize,
        keys: if figures.strays > 0 { vec![("Source".into(), figures.strays)] } else { Vec::new() },
        figures: Some(figures),
        captures: vec![CaptureState {
            name: format!("stage-{number}.journal"),
            file: format!("stage-{number}.journal"),
            source: "/dev/pts/3".into(),
            hands: Hands::Off,
            prompts: 0,
            started: Some(format!("2026-11-25T08:{:02}:00Z", 10 * (number - 1))),
            span_s: Some(1200.0),
            bytes: Some(2_140_000 + number as u64),
            sha256: Some("9f86d081884c7d659a2feaa0c55ad015a3bf4f1b2b0b822cd15d6c15b0f00a08".into()),
        }],
        patterns: Vec::new(),
        compared_with_stage: None,
        compared_with_stages: Vec::new(),
        comparison: None,
        key_checks: None,
        headline: None,
        plan: None,
        suspicion: None,
        rate_stretches: Vec::new(),
    }
}

fn pattern(id: u32) -> Pattern {
    Pattern {
        id,
        path: ControlPath::Keypad,
        class: Class::Burst,
        motif: vec![MotifEvent {
            kind: EventKind::Press,
            symbol: Symbol::key(ControlPath::Keypad, Key::from_name("KEY_VIDEO").unwrap()),
            offset_s: 0.0,
        }],
        period_s: Some(7.5),
        period_low_s: Some(7.1),
        period_high_s: Some(7.9),
        jitter_s: Some(2.2),
        jitter_locked_s: None,
        jitter_walk_s: None,
        period_first_s: None,
        period_last_s: None,
        locked_hz: None,
        alias_hz: Vec::new(),
        count: 97,
        missed: 3,
        runs: 1,
        coverage: 1.0,
        first_t: 0.0,
        last_t: 1200.0,
        chance: 0.0021,
        bits: None,
        saved_bits: None,
        chance_shuffled: None,
        note: "It keeps its beat.".into(),
    }
}

/// One with a verdict; `ratio` is the value with its interval.
fn comparison(before: &Side, after: &Side, verdict: Verdict, ratio: [f64; 3], note: &str) -> Comparison {
    let quiet = after.strays == 0;
    Comparison {
        version: 1,
        before: before.clone(),
        after: after.clone(),
        figures: Figures {
            verdict,
            hand_back: verdict == Verdict::Gone,
            too_uneven: false,
            ratio: ratio[0],
            ratio_low: ratio[1],
            ratio_high: ratio[2],
            ratio_any_low: ratio[1],
            ratio_any_high: ratio[2],
            quiet_anyway: if quiet { 8.7e-19 } else { 1.0 },
            soak_more_s: quiet.then_some(0.0),
            soak_more_95_s: quiet.then_some(0.0),
            soak_more_99_s: quiet.then_some(0.0),
            strayed_before: true,
            strayed_after: !quiet,
            excursions: None,
        },
        chance_same: if quiet { 1.7e-18 } else { 0.93 },
        chance_fall: if quiet { 1.7e-18 } else { 0.47 },
        episode_gap_s: None,
        dispersion: 1.0,
        dispersion_chance: None,
        alternatives: Vec::new(),
        paths: Vec::new(),
        method: "Exact conditional test of two Poisson rates on episodes.".into(),
        notes: vec![note.into()],
    }
}

fn belief(location: &'static str, probability: f64, because: &str) -> Belief {
    Belief { location, text: location.into(), probability, because: because.into() }
}

fn located() -> Located {
    Located {
        version: 1,
        nothing_yet: false,
        locations: vec![
            belief(
                "key-cable",
                0.94,
                "The strays went on with the cable off the key board and stopped with it off the main board.",
            ),
            belief("main-board-input", 0.05, "It may leak too."),
        ],
        ladder: vec![Entry {
            line: "KEY1".into(),
            model: "leak to ground in the key cable".into(),
            short: "leaks to ground in the key cable".into(),
            value: Some(5_100.0),
            unit: Some("ohm"),
            low: Some(5_020.0),
            high: Some(5_190.0),
            weight: 0.97,
            values: Vec::new(),
            also: Vec::new(),
            chi2: 1.0,
            freedom: 3,
            p: 0.8,
            because: "It fits.".into(),
            part_by: None,
        }],
        next: vec![Proposal {
            test: "damp-air".into(),
            text: "Put the set in damp air for an hour and soak again.".into(),
            kind: TestKind::Measure,
            minutes: 90.0,
            soak_minutes: 60.0,
            gain_bits: Some(0.2),
            risk: Risk::Low,
            prerequisites: vec!["Unplug the set and let it stand for ten minutes.".into()],
            cautions: vec!["Water on a live board kills: let it dry before you switch it on.".into()],
        }],
        steps: vec![StepShare {
            step: "key cable replaced by a new one, plugged in at both ends".into(),
            stage: 6,
            credit: 0.97,
            because: "Strays stopped with this step and nothing else changed in it.".into(),
        }],
        stages: Vec::new(),
        electrical: Vec::new(),
        undecided: false,
        method: "A fault that needs damp, cold or knocks may stay quiet through any soak in a dry room.",
        notes: Vec::new(),
        asks: Vec::new(),
        path: None,
        also: Vec::new(),
    }
}

fn windows() -> Windows {
    let names = [
        ("Power", 0.0),
        ("Volume down", 156.0),
        ("Volume up", 287.0),
        ("Channel down", 438.0),
        ("Channel up", 578.0),
        ("Menu", 747.0),
        ("no key", 1023.0),
    ];
    let edges = [0.0, 78.0, 221.5, 362.5, 508.0, 662.5, 885.0, 1024.0];
    Windows {
        line: "KEY1".into(),
        full_scale: 1023.0,
        levels: names
            .iter()
            .enumerate()
            .map(|(i, (label, nominal))| Level {
                label: (*label).into(),
                nominal: Some(*nominal),
                low: edges[i],
                high: edges[i + 1],
            })
            .collect(),
        marks: [
            ("stage 1, strays", 638.0, 628.0, 648.0),
            ("stage 1, quiet", 910.0, 908.0, 912.0),
            ("stage 2, strays", 692.0, 680.0, 703.0),
            ("stage 6, quiet", 910.0, 908.0, 912.0),
        ]
        .map(|(label, counts, low, high)| WindowMark { label: label.into(), asked: None, counts, low, high })
        .to_vec(),
    }
}

/// A job before anything was recorded.
pub(super) fn empty() -> Sample {
    let state = JobState {
        version: 1,
        job: "bedroom".into(),
        set: String::new(),
        chassis: None,
        complaint: None,
        technician: None,
        created: None,
        closed: None,
        cautions_read: false,
        remarks: Vec::new(),
        episode_gap_s: None,
        seed: 7,
        verdict: None,
        hand_back: false,
        resting: Vec::new(),
        hand_back_paths: Vec::new(),
        advice: Advice {
            action: "soak",
            text: String::new(),
            prerequisites: Vec::new(),
            cautions: Vec::new(),
            instead: None,
            provoke: None,
        },
        stages: Vec::new(),
        causes: JobCauses::default(),
        attribution: None,
        levels: Vec::new(),
        locate: Located {
            locations: Vec::new(),
            ladder: Vec::new(),
            next: Vec::new(),
            steps: Vec::new(),
            ..located()
        },
        provocations: Vec::new(),
        provoked_again: Vec::new(),
    };
    Sample { state, windows: Vec::new(), timeline: Vec::new(), folded: BTreeMap::new() }
}

/// The timelines of the simulated set: two simulated hours take their time in a debug build.
static TIMELINES: std::sync::LazyLock<Vec<(StageTimeline, Vec<f64>)>> = std::sync::LazyLock::new(|| {
    let scenario = Scenario::two_causes(7);
    (1..=scenario.stages.len() as u32).map(|number| timeline(number, &scenario)).collect()
});

/// A report as a job would fill it; the numbers of rates are made up, the timeline is the simulated set's.
pub(super) fn sample() -> Sample {
    let scenario = Scenario::two_causes(7);
    let mut sample = empty();
    let rates = [
        rate(1200.0, 177, 97, 3.93, 5.92),
        rate(1200.0, 85, 55, 2.07, 3.58),
        rate(1200.0, 90, 58, 2.2, 3.75),
        rate(1200.0, 92, 60, 2.29, 3.86),
        rate(1200.0, 0, 0, 0.0, 0.184),
        rate(1200.0, 0, 0, 0.0, 0.184),
    ];
    let mut stages: Vec<StageState> =
        rates.iter().enumerate().map(|(i, r)| stage(i + 1, r.clone())).collect();
    for (state, told) in stages.iter_mut().zip(&scenario.stages) {
        if let Some(step) = told.steps.last() {
            state.step = step.text.clone();
            state.kind = Some(step.kind.word());
            state.parts = step.parts.clone();
        }
    }
    stages[0].patterns.push(pattern(1));
    stages[3].patterns.push(pattern(2));
    let unchanged = "Taking the key board off its cable changed nothing that 20 minutes can show.";
    stages[3].compared_with_stage = Some(3);
    stages[3].comparison =
        Some(comparison(&rates[2], &rates[3], Verdict::Unchanged, [1.02, 0.7, 1.48], unchanged));
    let repeat = "Repeat the soak with the set warm and in damp air before hand-back.";
    let never = f64::INFINITY;
    stages[5].compared_with_stage = Some(4);
    stages[5].comparison =
        Some(comparison(&rates[3], &rates[5], Verdict::Gone, [never, 16.2, never], repeat));
    sample.state = JobState {
        set: "bedroom set, ticket 1187".into(),
        chassis: Some("alder".into()),
        complaint: Some(scenario.complaint.into()),
        technician: Some("K. Okafor".into()),
        stages,
        locate: located(),
        ..sample.state
    };
    for (lanes, times) in TIMELINES.iter() {
        sample.timeline.push(lanes.clone());
        if lanes.stage == 1 {
            sample.folded.insert((1, 1), Folded::new(7.5, times.iter().copied(), 24));
        }
    }
    sample.windows.push(windows());
    sample
}
