//! What the statistics say, as a user sees it: the truth is planted in logs of the invented chassis alder, whose
//! form stands in its protocol file; 1023 x 27 / 37 = 746.5 counts is its Menu key by the divider rule.

use std::fmt::Write as _;
use std::path::Path;

use serde_json::Value;

use super::program::{straykey, text};

const MENU: u32 = 747;

/// A log of so many seconds: a reading each half second as `idle` gives it, Menu for 0.2 s at each of `presses`,
/// a menu change at each of `changes`.
fn log(seconds: u32, presses: &[f64], changes: &[f64], mut idle: impl FnMut(u32) -> u32) -> String {
    let mut lines: Vec<(i64, String)> = Vec::new();
    let ms = |t: f64| (t * 1e3).round() as i64;
    let reading = |counts: u32| format!("keyscan: line=KEY1 adc=0x{counts:03x}");
    for i in 0..=2 * seconds {
        lines.push((500 * i64::from(i), reading(idle(i))));
    }
    for press in presses {
        // Between the readings of the idle line, so that the key is not broken up.
        for k in 0..5 {
            let counts = if k < 4 { MENU } else { 1000 };
            lines.push((ms(*press) + 50 * k, reading(counts)));
        }
        lines.push((ms(*press) + 250, reading(1000)));
    }
    for (number, change) in changes.iter().enumerate() {
        lines.push((ms(*change), format!("osd: set item=volume value={number}")));
    }
    lines.sort_by_key(|line| line.0);
    let mut out = String::new();
    for (t, line) in lines {
        writeln!(out, "[{}.{:03}] {line}", t / 1000, t % 1000).unwrap();
    }
    out
}

fn quiet(_: u32) -> u32 {
    1000
}

/// `count` presses, `apart` seconds between them, off the half seconds of the idle readings.
fn beat(count: u32, apart: u32) -> Vec<f64> {
    (0..count).map(|i| 10.1 + f64::from(apart) * f64::from(i)).collect()
}

/// Presses a minute apart, in bursts of four.
fn bursts(count: u32) -> Vec<f64> {
    (0..count).flat_map(|i| (0..4).map(move |k| 10.1 + 60.0 * f64::from(i) + f64::from(k))).collect()
}

/// A job from stages: step, kind, parts, log, hands.
fn job(folder: &Path, stages: &[(&str, &str, &[&str], String, &str)]) -> String {
    let mut manifest = String::from("set = \"kitchen set\"\nchassis = \"alder\"\n");
    for (number, (step, kind, parts, log, hands)) in stages.iter().enumerate() {
        std::fs::write(folder.join(format!("{number}.log")), log).unwrap();
        writeln!(manifest, "[[stage]]\nstep = \"{step}\"").unwrap();
        if number > 0 {
            writeln!(manifest, "kind = \"{kind}\"\nparts = {parts:?}").unwrap();
        }
        writeln!(manifest, "[[stage.capture]]\nfile = \"{number}.log\"\nhands = \"{hands}\"").unwrap();
    }
    let file = folder.join("ticket.toml");
    std::fs::write(&file, manifest).unwrap();
    let job = folder.join("job").to_str().unwrap().to_owned();
    let built = straykey(&["job", "build", file.to_str().unwrap(), "--out", &job]);
    assert_eq!(built.status.code(), Some(0), "{}", text(&built.stderr));
    job
}

fn json(arguments: &[&str]) -> Value {
    let output = straykey(arguments);
    assert_eq!(output.status.code(), Some(0), "{arguments:?}: {}", text(&output.stderr));
    serde_json::from_slice(&output.stdout).unwrap()
}

/// The report's page and its JSON copy.
fn report(job: &str) -> (String, Value) {
    json(&["report", job, "--json"]);
    let page = std::fs::read_to_string(Path::new(job).join("report.html")).unwrap();
    let (_, data) = page.split_once("id=\"straykey-report\">").unwrap();
    let data = serde_json::from_str(data.split_once("</script>").unwrap().0).unwrap();
    (page, data)
}

fn topic<'a>(data: &'a Value, id: &str) -> &'a Value {
    data["topics"].as_array().unwrap().iter().find(|topic| topic["id"] == id).unwrap()
}

#[test]
fn a_stage_counts_the_same_episodes_in_every_view() {
    let folder = tempfile::tempdir().unwrap();
    let job = job(
        folder.path(),
        &[
            ("as received", "", &[], log(1200, &bursts(18), &[], quiet), "off"),
            ("key board unplugged", "isolate", &["key-board"], log(1200, &beat(30, 37), &[], quiet), "off"),
            ("connector cleaned", "repair", &["main-board"], log(1200, &[], &[], quiet), "off"),
        ],
    );
    let shown = json(&["job", "show", &job, "--json"]);
    let counted = |stage: usize| shown["stages"][stage]["figures"]["episodes"].as_u64().unwrap();
    // Bursts of four one second apart, a minute between them: eighteen causes, and thirty lone presses.
    assert_eq!([counted(0), counted(1), counted(2)], [18, 30, 0], "{shown}");
    let data = report(&job).1;
    for (before, after) in [(0, 1), (1, 2), (0, 2)] {
        let sides: Vec<String> = [before, after].iter().map(|stage| format!("{job}#{}", stage + 1)).collect();
        let compared = json(&["compare", &sides[0], &sides[1], "--json"]);
        assert_eq!(compared["before"]["episodes"], counted(before));
        assert_eq!(compared["after"]["episodes"], counted(after));
        assert_eq!(data["stages"][before]["observed"]["episodes"], counted(before));
    }
}

#[test]
fn before_a_repair_the_step_says_what_the_soak_will_need() {
    let folder = tempfile::tempdir().unwrap();
    let job = job(folder.path(), &[("as received", "", &[], log(600, &[100.1, 420.1], &[], quiet), "off")]);
    let step = |kind: &str| text(&straykey(&["step", &job, "something", "--kind", kind]).stderr);
    assert!(!step("isolate").contains("95 %"));
    let told = step("repair");
    assert!(told.contains("2 episodes in 10 min") && told.contains("95 % will need"), "{told}");
    assert!(told.contains("watch the baseline for longer first"), "{told}");
    let (page, data) = report(&job);
    assert!(page.contains("95 % will need"));
    assert_eq!(topic(&data, "plan")["data"]["episodes"], 2);
}

/// Planted: twenty changes 0.2 s after a press is seen (its second equal reading), three with nothing before them.
fn caused() -> String {
    let presses = beat(20, 25);
    let mut changes: Vec<f64> = presses.iter().map(|t| t + 0.05 + 0.22).collect();
    changes.extend([22.0, 147.0, 322.0]);
    log(600, &presses, &changes, quiet)
}

#[test]
fn menu_changes_are_linked_and_orphans_are_events() {
    let folder = tempfile::tempdir().unwrap();
    let job = job(folder.path(), &[("as received", "", &[], caused(), "off")]);
    let file = folder.path().join("0.log");
    let file = file.to_str().unwrap();
    let found = json(&["patterns", file, "--json"]);
    assert_eq!(
        (&found["causes"]["changes"], &found["causes"]["orphans"]),
        (&23.into(), &3.into()),
        "{found}"
    );
    assert!(text(&straykey(&["patterns", file]).stdout).contains("at 22.00 s, 147.00 s, 322.00 s"));
    let events = text(&straykey(&["export", &job, "--to", "jsonl"]).stdout);
    let orphans: Vec<&str> = events.lines().filter(|line| line.contains("no input within")).collect();
    assert_eq!(orphans.len(), 3, "{orphans:?}");
    assert!(orphans.iter().all(|line| line.contains("\"change\"")));
    let (page, data) = report(&job);
    assert!(page.contains("Menu changes and their causes"));
    let data = &topic(&data, "causes")["data"];
    assert_eq!((&data["changes"], &data["orphans"]), (&23.into(), &3.into()), "{data}");
}

/// A beat is found in none of 19 shuffled copies; of 20 searches it is the best.
#[test]
fn the_search_is_held_against_shuffled_copies_when_asked() {
    let folder = tempfile::tempdir().unwrap();
    job(folder.path(), &[("as received", "", &[], log(720, &beat(175, 4), &[], quiet), "off")]);
    let file = folder.path().join("0.log");
    let file = file.to_str().unwrap();
    let found = json(&["patterns", file, "--shuffles", "19", "--json"]);
    assert_eq!(found["patterns"][0]["chance_shuffled"], 0.05, "{found}");
    assert!(json(&["patterns", file, "--json"])["patterns"][0]["chance_shuffled"].is_null());
    let told = text(&straykey(&["patterns", file, "--shuffles", "19"]).stdout);
    assert!(told.contains("this one counted: 5.0 % of the searches"), "{told}");
    assert_eq!(straykey(&["patterns", file, "--shuffles", "10000"]).status.code(), Some(2));
}

#[test]
fn hands_on_input_is_suspected_with_odds_and_a_soak_is_asked_for() {
    let folder = tempfile::tempdir().unwrap();
    let machine = log(720, &beat(175, 4), &[], quiet);
    let job = job(folder.path(), &[("as received", "", &[], machine, "on")]);
    let file = folder.path().join("0.log");
    let file = file.to_str().unwrap();
    let found = json(&["patterns", file, "--hands", "on", "--json"]);
    // Gaps alike to 2 %, far below the scatter of a hand, over ten minutes without a pause.
    assert!(found["suspicion"]["suspects"][0]["probability"].as_f64().unwrap() > 0.9, "{found}");
    assert!(json(&["patterns", file, "--json"])["suspicion"].is_null());
    for shown in [
        text(&straykey(&["patterns", file, "--hands", "on"]).stdout),
        text(&straykey(&["patterns", &job]).stdout),
        text(&straykey(&["job", "show", &job]).stdout),
        report(&job).0,
    ] {
        assert!(shown.replace("\n  ", " ").contains("take the hands off and watch"), "{shown}");
    }
}

#[test]
fn parts_changed_together_are_one_unit_and_a_repeat_is_proposed() {
    let folder = tempfile::tempdir().unwrap();
    let parts = ["key-board", "main-board"];
    let job = job(
        folder.path(),
        &[
            ("as received", "", &[], log(1200, &beat(30, 37), &[], quiet), "off"),
            ("both boards cleaned", "repair", &parts, log(1200, &[], &[], quiet), "off"),
        ],
    );
    let (page, data) = report(&job);
    let credit = &topic(&data, "attribution")["data"];
    assert_eq!(credit["steps"][0]["confounded"], true, "{credit}");
    assert_eq!(credit["steps"][0]["changes"].as_array().unwrap().len(), 2);
    // 1/C(6, 3) is one in twenty: three stretches of each kind.
    assert_eq!(credit["toggle"]["blocks_each"], 3);
    assert!(page.contains("cannot be told apart"));
    let shown = text(&straykey(&["job", "show", &job, "--explain"]).stdout);
    assert!(shown.contains("cannot be told apart") && shown.contains("Undo"), "{shown}");
}

#[test]
fn a_shift_of_the_readings_shows_and_so_does_one_that_means_do_not_see() {
    let folder = tempfile::tempdir().unwrap();
    let mut random = crate::support::random::Random(5);
    let mut noise = |level: u32, off: u32, every: u32| {
        let mut sign = false;
        log(600, &[], &[], |_| {
            let scatter = u32::try_from(random.below(5)).unwrap();
            if every > 0 && random.below(every as usize) == 0 {
                sign = !sign;
                return if sign { level + 2 - off } else { level + 2 + off };
            }
            level + scatter
        })
    };
    let files = [("plain", noise(960, 0, 0)), ("lower", noise(950, 0, 0)), ("spikes", noise(960, 30, 8))];
    let path = |name: &str| folder.path().join(name).to_str().unwrap().to_owned();
    files.iter().for_each(|(name, log)| std::fs::write(path(name), log).unwrap());
    let compare = |after: &str| {
        let found =
            json(&["compare", &path("plain"), &path(after), "--chassis", "alder", "--json"])["readings"]
                .clone();
        found["shifts"][0].clone()
    };
    let lower = compare("lower");
    assert!((lower["shift"].as_f64().unwrap() + 10.0).abs() <= 1.0, "{lower}");
    assert!(lower["shift_low"].as_f64().unwrap() < -9.0 && lower["shift_high"].as_f64().unwrap() > -11.0);
    let spikes = compare("spikes");
    assert!(spikes["chance_mean"].as_f64().unwrap() > 0.01, "{spikes}");
    assert!(spikes["chance_any"].as_f64().unwrap() < 0.01, "{spikes}");
    let shown = text(&straykey(&["compare", &path("plain"), &path("spikes"), "--chassis", "alder"]).stdout);
    assert!(shown.replace("\n  ", " ").contains("of the readings before"), "{shown}");
}
