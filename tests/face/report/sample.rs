//! A report as a job would fill it.

#![allow(clippy::unwrap_used)] // helpers of tests are not seen as tests by the lint

use straykey::base::{ControlPath, Event, EventKind, Nanoseconds};
use straykey::bench::{Level, WindowMark, Windows};
use straykey::face::report::{
    Capture, Comparison, Credit, Folded, LadderFit, Location, Motif, NextTest, Observed, Pattern,
    ReportModel, Stage, StageTimeline, TimelineBuilder, Verdict, Versions,
};
use straykey::simulator::Scenario;
use straykey::simulator::keypad::Action;

fn rate(observed_s: f64, strays: u64, episodes: u64, low: f64, high: f64) -> Observed {
    let per_min = episodes as f64 * 60.0 / observed_s;
    Observed { observed_s, strays, episodes, per_min, per_min_low: low, per_min_high: high }
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

/// A report as a job would fill it; the numbers of rates are made up, the timeline is the simulated set's.
pub(super) fn sample() -> ReportModel {
    SAMPLE.clone()
}

/// Made once: two simulated hours take their time in a debug build.
static SAMPLE: std::sync::LazyLock<ReportModel> = std::sync::LazyLock::new(make_sample);

fn make_sample() -> ReportModel {
    let scenario = Scenario::two_causes(7);
    let mut model = ReportModel {
        version: 1,
        set: "bedroom set, ticket 1187".into(),
        chassis: "alder (recognised, score 0.99)".into(),
        complaint: scenario.complaint.into(),
        technician: Some("K. Okafor".into()),
        written: Some("2026-11-25T09:00:00Z".into()),
        notices: vec!["Simulated set: nothing in this report was measured on a real television.".into()],
        concluding_stage: Some(6),
        versions: Versions { straykey: "0.1.0".into(), decoders: vec!["alder@1".into()], seed: Some(7) },
        ..ReportModel::default()
    };
    let rates = [
        rate(1200.0, 177, 97, 3.93, 5.92),
        rate(1200.0, 85, 55, 2.07, 3.58),
        rate(1200.0, 90, 58, 2.2, 3.75),
        rate(1200.0, 92, 60, 2.29, 3.86),
        rate(1200.0, 0, 0, 0.0, 0.184),
        rate(1200.0, 0, 0, 0.0, 0.184),
    ];
    let mut folded = None;
    for (i, (stage, rate)) in scenario.stages.iter().zip(rates).enumerate() {
        let number = i as u32 + 1;
        let (lanes, times) = timeline(number, &scenario);
        folded = folded.or_else(|| Some(Folded::new(7.5, times.iter().copied(), 24)));
        model.timeline.push(lanes);
        let step = stage.steps.last();
        model.stages.push(Stage {
            number,
            step: step.map_or("as received", |step| &step.text).into(),
            kind: step.map(|step| step.kind.word().into()),
            parts: step.map(|step| step.parts.clone()).unwrap_or_default(),
            observed: Some(rate),
            keys: if rate.strays > 0 { vec![("Source".into(), rate.strays)] } else { Vec::new() },
        });
        model.captures.push(Capture {
            name: format!("stage-{number}.journal"),
            stage: number,
            source: "port /dev/pts/3, 115200 baud".into(),
            hands_off: true,
            started: Some(format!("2026-11-25T08:{:02}:00Z", 10 * i)),
            span_s: 1200.0,
            bytes: 2_140_000 + number as u64,
            sha256: Some("9f86d081884c7d659a2feaa0c55ad015a3bf4f1b2b0b822cd15d6c15b0f00a08".into()),
        });
    }
    model.patterns.push(Pattern {
        id: "1".into(),
        stage: 1,
        path: "keypad".into(),
        class: "burst".into(),
        motif: vec![Motif { kind: "press".into(), key: Some("KEY_VIDEO".into()), item: None }],
        period_s: Some(7.5),
        period_low_s: Some(7.1),
        period_high_s: Some(7.9),
        jitter_s: Some(2.2),
        count: 97,
        missed: 3,
        coverage: Some(1.0),
        chance: Some(0.0021),
        folded,
    });
    let second = Pattern { id: "2".into(), stage: 4, ..model.patterns[0].clone() };
    model.patterns.push(second);
    model.comparisons = vec![
        Comparison {
            before_stage: 3,
            after_stage: 4,
            before: rates[2],
            after: rates[3],
            ratio: Some(1.02),
            ratio_low: Some(0.7),
            ratio_high: Some(1.48),
            chance_same: Some(0.93),
            quiet_anyway: None,
            soak_more_s: None,
            verdict: Verdict::Unchanged,
            method: "Exact conditional test of two Poisson rates on episodes.".into(),
            notes: vec![
                "Taking the key board off its cable changed nothing that 20 minutes can show.".into(),
            ],
        },
        Comparison {
            before_stage: 4,
            after_stage: 6,
            before: rates[3],
            after: rates[5],
            ratio: None,
            ratio_low: Some(16.2),
            ratio_high: None,
            chance_same: Some(1.7e-18),
            quiet_anyway: Some(8.7e-19),
            soak_more_s: Some(0.0),
            verdict: Verdict::Gone,
            method: "Exact conditional test of two Poisson rates on episodes.".into(),
            notes: vec!["Repeat the soak with the set warm and in damp air before hand-back.".into()],
        },
    ];
    model.locations = vec![
        Location {
            location: "key-cable".into(),
            probability: 0.94,
            because:
                "The strays went on with the cable off the key board and stopped with it off the main board."
                    .into(),
        },
        Location {
            location: "main-board-input".into(),
            probability: 0.05,
            because: "It may leak too.".into(),
        },
    ];
    model.ladder = vec![LadderFit {
        model: "leak to ground in the key cable".into(),
        value: Some(5_100.0),
        unit: Some("ohm".into()),
        low: Some(5_020.0),
        high: Some(5_190.0),
        weight: 0.97,
    }];
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
    model.windows.push(Windows {
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
    });
    model.steps = vec![Credit {
        step: "key cable replaced by a new one, plugged in at both ends".into(),
        credit: 0.97,
        because: "Strays stopped with this step and nothing else changed in it.".into(),
    }];
    model.next = vec![NextTest {
        test: "damp-air".into(),
        text: "Put the set in damp air for an hour and soak again.".into(),
        prerequisites: vec!["Unplug the set and let it stand for ten minutes.".into()],
        cautions: vec!["Water on a live board kills: let it dry before you switch it on.".into()],
        minutes: 90.0,
        gain_bits: Some(0.2),
        risk: "low".into(),
    }];
    model.method = vec![
        "An interval covers the true rate in at least 95 of 100 cases if episodes are independent.".into(),
        "A fault that needs damp, cold or knocks may stay quiet through any soak in a dry room.".into(),
    ];
    model
}
