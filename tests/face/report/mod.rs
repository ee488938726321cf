//! The report: hostile text inert, bounded size, sound markup, and what it says.

#![allow(clippy::unwrap_used)] // helpers of tests are not seen as tests by the lint

mod sample;

use sample::sample;
use straykey::base::{ControlPath, Event, EventKind, Key, Nanoseconds};
use straykey::bench::Readings;
use straykey::face::report::{
    self, Folded, Lane, Observed, ReportModel, StageTimeline, Tick, TimelineBuilder, Verdict, words,
};

#[test]
fn the_report_says_what_the_model_says() {
    let html = report::write(&sample());
    // For those who want to look at it.
    std::fs::write(concat!(env!("CARGO_TARGET_TMPDIR"), "/report.html"), &html).unwrap();
    for said in [
        "bedroom set, ticket 1187",
        "The fault is gone",
        "key cable replaced by a new one, plugged in at both ends",
        "✓\u{a0}gone",
        "5.1 kΩ (5.02 kΩ to 5.19 kΩ)",
        "Stage 4 against stage 3",
        "=\u{a0}unchanged",
        "1.02 (0.7 to 1.48)",
        "more than 16.2",
        "Mains inside",
        "<strong>First:</strong> Unplug the set and let it stand for ten minutes.",
        "<strong>Caution:</strong> Water on a live board kills: let it dry before you switch it on.",
        "90 minutes, expected gain 0.2 bits, risk low: covers stay on.",
        "9f86d081884c7d659a2feaa0c55ad015a3bf4f1b2b0b822cd15d6c15b0f00a08",
    ] {
        assert!(html.contains(said), "{said}");
    }
}

/// Every tag closed in order, every attribute quoted, no bare `<` or `&`: a scanner of our own, written from the
/// syntax that XML and HTML share, which knows nothing of the report.
fn assert_well_formed(html: &str) {
    let mut open: Vec<&str> = Vec::new();
    let mut rest = html;
    while let Some(at) = rest.find('<') {
        assert!(!rest[..at].contains('>'), "bare > in {:?}", &rest[..at.min(200)]);
        for (i, _) in rest[..at].match_indices('&') {
            assert!(rest[i..at].contains(';'), "bare & near {:?}", &rest[i..at]);
        }
        let end = at + rest[at..].find('>').unwrap();
        let tag = &rest[at + 1..end];
        rest = &rest[end + 1..];
        let name = tag.split([' ', '/']).find(|part| !part.is_empty()).unwrap();
        if tag.starts_with('!') || tag.ends_with('/') || name == "meta" {
            continue;
        }
        if tag.starts_with('/') {
            assert_eq!(open.pop(), Some(name));
            continue;
        }
        assert_eq!(tag.matches('"').count() % 2, 0, "{tag}");
        assert!(!tag.contains("onload") && !tag.contains("javascript:"), "{tag}");
        open.push(name);
        if name == "style" || name == "script" {
            // Raw text up to the matching end.
            rest = &rest[rest.find(&format!("</{name}")).unwrap()..];
        }
    }
    assert!(open.is_empty(), "{open:?}");
}

fn data_block(html: &str) -> serde_json::Value {
    let from = html.split_once("id=\"straykey-report\">").unwrap().1;
    serde_json::from_str(from.split_once("</script>").unwrap().0).unwrap()
}

const HOSTILE: &str =
    "</script></title><script>alert(1)</script><img src=x onerror=alert(1)>\u{202e}drow'\"&\0\u{7}";

/// Every string of a JSON value replaced.
fn poison(value: &mut serde_json::Value) {
    match value {
        serde_json::Value::String(text) => *text = HOSTILE.to_owned(),
        serde_json::Value::Array(list) => list.iter_mut().for_each(poison),
        serde_json::Value::Object(map) => map.values_mut().for_each(poison),
        _ => {}
    }
}

#[test]
fn hostile_text_in_every_field_stays_text() {
    let mut value = serde_json::to_value(sample()).unwrap();
    poison(&mut value);
    for comparison in value["comparisons"].as_array_mut().unwrap() {
        comparison["verdict"] = "gone".into();
    }
    let model: ReportModel = serde_json::from_value(value.clone()).unwrap();
    let html = report::write(&model);
    assert_well_formed(&html);
    let lower = html.to_lowercase();
    assert!(!lower.contains("<img") && !lower.contains("<script>"));
    assert_eq!(lower.matches("<script").count(), 1);
    assert_eq!(lower.matches("</script").count(), 1);
    assert!(!html.contains('\u{202e}') && !html.contains('\0') && !html.contains('\u{7}'));
    assert!(html.contains("&lt;script&gt;alert(1)&lt;/script&gt;") && html.contains("&lt;U+202E&gt;drow"));
    // In the data block the text is whole.
    assert_eq!(data_block(&html)["complaint"], HOSTILE);
}

#[test]
fn the_report_is_well_formed_and_fetches_nothing() {
    for model in [sample(), ReportModel::default()] {
        let html = report::write(&model);
        assert_well_formed(&html);
        let body = html.replace("http://www.w3.org/2000/svg", "");
        for fetch in ["http:", "https:", "url(", "@import", "src=", "href=", "<link"] {
            assert!(!body.contains(fetch), "{fetch}");
        }
        assert!(html.contains("default-src 'none'") && !html.contains("unsafe-inline"));
    }
}

#[test]
fn the_data_block_reads_back_as_the_model() {
    let model = sample();
    let again: ReportModel = serde_json::from_value(data_block(&report::write(&model))).unwrap();
    assert!(again == model, "the model changed on the way");
}

#[test]
fn a_number_that_json_cannot_hold_is_shown_as_unknown() {
    let mut value = serde_json::to_value(sample()).unwrap();
    value["stages"][0]["observed"]["per_min_high"] = serde_json::Value::Null;
    value["ladder"][0]["weight"] = serde_json::Value::Null;
    value["locations"][0]["because"] = serde_json::json!(["First reason.", "Second reason."]);
    let html = report::write(&serde_json::from_value::<ReportModel>(value).unwrap());
    assert!(html.contains("4.85 (3.93 to –)") && html.contains("First reason. Second reason."));
}

#[test]
fn every_drawing_has_a_title_a_description_and_finite_numbers() {
    let mut odd = sample();
    for stage in &mut odd.stages {
        stage.observed = Some(Observed {
            observed_s: f64::NAN,
            strays: u64::MAX,
            episodes: u64::MAX,
            per_min: f64::INFINITY,
            per_min_low: f64::NAN,
            per_min_high: f64::INFINITY,
        });
    }
    for stage in &mut odd.timeline {
        stage.span_s = 0.0;
    }
    odd.windows[0].full_scale = f64::NAN;
    odd.patterns[0].folded = Some(Folded::new(f64::NAN, [1.0], 0));
    for model in [sample(), odd] {
        let html = report::write(&model);
        let (page, _) = html.split_once("<script").unwrap();
        assert_eq!(page.matches("<svg").count(), page.matches("<title>").count() - 1);
        assert_eq!(page.matches("<svg").count(), page.matches("<desc>").count());
        assert!(!page.contains("NaN") && !page.contains("inf,") && !page.contains("\"inf"));
    }
}

#[test]
fn an_undecided_job_is_not_called_gone() {
    let mut model = sample();
    model.comparisons[1].verdict = Verdict::Undecided;
    model.comparisons[1].quiet_anyway = Some(0.4);
    model.comparisons[1].soak_more_s = Some(2_400.0);
    let html = report::write(&model);
    let outcome = html.split_once("id=\"outcome\"").unwrap().1.split_once("</section>").unwrap().0;
    assert!(outcome.contains("?\u{a0}undecided") && outcome.contains("It cannot be said yet"));
    assert!(outcome.contains("40 %") && outcome.contains("40 min"), "{outcome}");
    assert!(!outcome.contains("gone"));
    model.concluding_stage = None;
    assert!(report::write(&model).contains(words::OPEN));
}

#[test]
fn a_gigantic_job_stays_below_two_megabytes() {
    let mut model = sample();
    let lane = |i: usize| Lane {
        path: "keypad".into(),
        label: format!("key {i}"),
        ticks: (0..240).map(|t| Tick(f64::from(t) * 5.123_456_789, 1_000_000 + t, 1_000_000)).collect(),
    };
    model.timeline = (1..=60)
        .map(|stage| StageTimeline {
            stage,
            span_s: 1229.6,
            bin_s: 5.123_456_789,
            lanes: (0..24).map(lane).collect(),
        })
        .collect();
    let html = report::write(&model);
    assert!(html.len() <= report::LARGEST, "{}", html.len());
    assert_well_formed(&html);
    // Nothing was lost in the coarser bins.
    let block = data_block(&html);
    let ticks = block["timeline"][0]["lanes"][0]["ticks"].as_array().unwrap();
    let strays: u64 = ticks.iter().map(|tick| tick[1].as_u64().unwrap()).sum();
    assert_eq!(strays, 240 * 1_000_000 + 239 * 240 / 2);
}

#[test]
fn the_timeline_counts_what_was_pushed_into_bounded_bins() {
    let mut builder = TimelineBuilder::new(1);
    let mut random = straykey::simulator::Random::new(7, 0);
    let mut all: Vec<(i64, bool)> = Vec::new();
    let mut t = 0i64;
    for _ in 0..20_000 {
        t += i64::from(random.below(4_000_000)) * 1_000;
        let stray = random.below(3) == 0;
        let mut event = Event::new(Nanoseconds(t), ControlPath::Keypad, EventKind::Press);
        event.key = Key::from_name("KEY_MENU");
        builder.push(Nanoseconds(t), &event, stray);
        all.push((t, stray));
    }
    let timeline = builder.finish();
    let [lane] = &timeline.lanes[..] else { panic!("one lane") };
    assert!(lane.ticks.len() <= 240);
    // The slow way: each event into its bin at the final width.
    let bin = Nanoseconds::from_seconds(timeline.bin_s).0;
    let mut slow = std::collections::BTreeMap::<i64, (u32, u32)>::new();
    for (t, stray) in all {
        let counts = slow.entry(t / bin).or_default();
        if stray { counts.0 += 1 } else { counts.1 += 1 }
    }
    let fast: Vec<(i64, (u32, u32))> =
        lane.ticks.iter().map(|tick| ((tick.0 / timeline.bin_s).round() as i64, (tick.1, tick.2))).collect();
    assert_eq!(fast, slow.into_iter().collect::<Vec<_>>());
}

#[test]
fn readings_and_releases_make_no_lane_and_many_labels_share_one() {
    let mut builder = TimelineBuilder::new(1);
    for kind in [EventKind::Reading, EventKind::Release] {
        builder.push(Nanoseconds::ZERO, &Event::new(Nanoseconds::ZERO, ControlPath::Keypad, kind), false);
    }
    for command in 0..10_000 {
        let mut event = Event::new(Nanoseconds::ZERO, ControlPath::Infrared, EventKind::Press);
        event.command = Some(command);
        builder.push(Nanoseconds::SECOND, &event, true);
    }
    let timeline = builder.finish();
    assert!(timeline.lanes.len() <= 25, "{}", timeline.lanes.len());
    assert_eq!(timeline.lanes.iter().flat_map(|lane| &lane.ticks).map(|tick| tick.1).sum::<u32>(), 10_000);
    assert_eq!(timeline.lanes[0].label, words::OTHER);
}

#[test]
fn readings_become_one_mark_for_each_window_they_fell_into() {
    let mut readings = Readings::new(2);
    let mut push = |counts, times| {
        (0..times).for_each(|_| readings.push(&"KEY1".into(), counts));
    };
    // 101 quiet readings of 900 to 1000, the hundred below 620 .. 640, one stray passage at 300.
    (900..=1000).for_each(|counts| push(counts, 3));
    (621..=640).for_each(|counts| push(counts, 5));
    push(300, 1);
    let mut windows = sample().windows;
    windows[0].marks.clear();
    readings.mark(&mut windows);
    let marks: Vec<_> =
        windows[0].marks.iter().map(|m| (m.label.as_str(), m.low, m.counts, m.high)).collect();
    // By hand: 5, 50 and 95 of 100 readings, five of each value from 621; 16th, 152nd and 288th of 303, three of
    // each value from 900.
    assert_eq!(
        marks,
        [("Stage 2: Channel up", 621.0, 630.0, 639.0), ("Stage 2: no key", 905.0, 950.0, 995.0)]
    );
}

#[test]
fn numbers_durations_and_odds_read_without_doubt() {
    for (value, text) in [
        (0.0, "0"),
        (0.184, "0.184"),
        (3.0, "3"),
        (2.345, "2.35"),
        (99.96, "100"),
        (12.34, "12.3"),
        (1_234.6, "1235"),
        (-0.05, "-0.05"),
        (f64::NAN, "–"),
    ] {
        assert_eq!(words::number(value), text, "{value}");
    }
    for (seconds, text) in [
        (0.9, "0.9 s"),
        (59.4, "59.4 s"),
        (59.9, "1 min"),
        (90.0, "1 min 30 s"),
        (1_200.0, "20 min"),
        (3_900.0, "1 h 5 min"),
        (266_400.0, "3 d 2 h"),
        (-1.0, "–"),
        (f64::INFINITY, "–"),
    ] {
        assert_eq!(words::duration(seconds), text, "{seconds}");
    }
    for (chance, text) in
        [(0.0, "less than 0.1 %"), (2.4e-5, "less than 0.1 %"), (0.025, "2.5 %"), (0.5, "50 %")]
    {
        assert_eq!(words::chance_words(chance), text, "{chance}");
    }
    assert_eq!(words::size(20_700.0, "ohm"), "20.7 kΩ");
    assert_eq!(words::size(0.080, "volt"), "80 mV");
    assert_eq!(words::instant("2026-11-25T08:00:00.123Z"), "2026-11-25 08:00:00 UTC");
    assert_eq!(words::instant("yesterday"), "yesterday");
    assert_eq!(words::size(0.675, "ratio"), "0.675");
    assert_eq!(words::plain("leak-to-ground+series-contact"), "leak to ground, with series contact");
    assert_eq!(words::plain("pull-up too low"), "pull-up too low");
}

#[test]
fn folding_puts_each_instant_at_its_phase() {
    let folded = Folded::new(2.0, [0.1, 2.1, 4.1, 1.9, -0.1], 4);
    assert_eq!(folded.bins, [3, 0, 0, 2]);
}

#[test]
fn the_cautions_stand_in_the_report_and_fit_a_terminal() {
    let html = report::write(&ReportModel::default());
    for caution in &straykey::face::cautions::ALL {
        assert!(html.contains(&report::html::escape(caution.text)), "{}", caution.title);
    }
    let text = straykey::face::cautions::text(60);
    assert!(text.lines().all(|line| line.chars().count() <= 60), "{text}");
    for word in [
        "mains",
        "Unplug",
        "isolation transformer",
        "isolated USB",
        "RS-232",
        "local electrical codes",
        "licensed",
    ] {
        assert!(text.replace("\n  ", " ").replace('\n', " ").contains(word), "{word}");
    }
}
