//! A walk over all faces of one job: every quantity that two of them show is the same in both.
//!
//! Terminal (`job show`, `compare`), JSON (`job show`, `compare` of the job and of each pair of stages, `patterns`), the
//! daemon's API, the report as people read it, and the export. The figures are compared as numbers where both are JSON, and
//! as they are written where one is read by people.

use std::path::{Path, PathBuf};

use serde_json::Value;
use straykey::base::words::{chance, duration};

use super::{alder, json, line, run};
use crate::face::program::{straykey, text};
use crate::support::daemon::Daemon;

/// What the faces disagree about.
#[derive(Default)]
struct Walk(Vec<String>);

impl Walk {
    fn same(&mut self, what: &str, one: &Value, two: &Value) {
        if one != two {
            self.0.push(format!("{what}: {one} and {two}"));
        }
    }

    /// All fields that both have.
    fn shared(&mut self, what: &str, one: &Value, two: &Value) {
        match (one, two) {
            (Value::Object(one), Value::Object(two)) => {
                for (name, value) in one {
                    if let Some(other) = two.get(name) {
                        self.shared(&format!("{what}.{name}"), value, other);
                    }
                }
            }
            (Value::Array(one), Value::Array(two)) if one.len() == two.len() => {
                for (place, (one, two)) in one.iter().zip(two).enumerate() {
                    self.shared(&format!("{what}[{place}]"), one, two);
                }
            }
            _ => self.same(what, one, two),
        }
    }

    /// A face for people shows this, spaces and line ends apart.
    fn shows(&mut self, face: &str, said: &str, words: &str) {
        if !plain(said).contains(&plain(words)) {
            self.0.push(format!("{face} does not show {words:?}"));
        }
    }
}

fn plain(text: &str) -> String {
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

/// The rows of the tables of a report, each cell as people read it.
fn cells(report: &str) -> Vec<Vec<String>> {
    // The first cell of a row is its heading.
    let page = report.split("<script").next().unwrap().replace("<th", "<td");
    let strip = |cell: &str| {
        let mut text = String::new();
        let mut inside = false;
        for letter in cell.chars() {
            match letter {
                '<' => inside = true,
                '>' if inside => inside = false,
                _ if !inside => text.push(letter),
                _ => {}
            }
        }
        plain(&text.replace("&lt;", "<").replace("&gt;", ">").replace("&quot;", "\"").replace("&amp;", "&"))
    };
    let row = |row: &str| {
        row.split("</tr>")
            .next()
            .unwrap_or_default()
            .split("<td")
            .skip(1)
            .map(|cell| strip(&format!("<td{cell}")))
            .collect()
    };
    page.split("<tr").skip(1).map(row).collect()
}

fn number(value: &Value) -> f64 {
    value.as_f64().unwrap_or(f64::NAN)
}

/// What a command prints for people on a terminal so wide that nothing is broken.
fn wide(arguments: &[&str]) -> String {
    let output = std::process::Command::new(env!("CARGO_BIN_EXE_straykey"))
        .args(arguments)
        .env_remove("STRAYKEY_PROTOCOLS")
        .env("COLUMNS", "400")
        .output()
        .unwrap();
    text(&output.stdout)
}

/// All that the faces of a job disagree about.
fn walk(job: &Path, tamper: impl Fn(&mut Value)) -> Vec<String> {
    let mut walk = Walk::default();
    let folder = job.to_str().unwrap();
    let mut state = json(&["job", "show", folder, "--json"]);
    let terminal = wide(&["job", "show", folder, "--explain"]);
    tamper(&mut state);
    run(&["report", folder]);
    let report = std::fs::read_to_string(job.join("report.html")).unwrap();
    let rows = cells(&report);
    let compared = json(&["compare", folder, "--json"]);
    let compared_text = wide(&["compare", folder, "--explain"]);
    walk.same("verdict of the job", &state["verdict"], &compared["verdict"]);
    walk.same("credit", &state["attribution"], &compared["attribution"]);
    walk.shows("job show", &terminal, state["advice"]["text"].as_str().unwrap());
    let stages = state["stages"].as_array().unwrap();
    let mut comparisons = compared["comparisons"].as_array().unwrap().iter();
    for stage in stages {
        let name = format!("stage {}", stage["stage"]);
        let figures = &stage["figures"];
        if figures.is_null() {
            continue;
        }
        walk.same(&format!("{name}: strays"), &stage["strays"], &figures["strays"]);
        walk.same(&format!("{name}: observed"), &stage["observed_s"], &figures["observed_s"]);
        let keys: u64 = stage["keys"].as_array().unwrap().iter().map(|key| key[1].as_u64().unwrap()).sum();
        walk.same(&format!("{name}: strays by key"), &stage["strays"], &Value::from(keys));
        let observed = duration(number(&stage["observed_s"]));
        let of_stage = format!("{} {}", stage["stage"], stage["step"].as_str().unwrap());
        let own = plain(&terminal);
        let row: String = own.split(&of_stage).nth(1).unwrap_or_default().chars().take(120).collect();
        let expected = format!("{observed} {} {}", stage["strays"], figures["episodes"]);
        walk.shows(&format!("job show, {name}"), &row, &expected);
        // The report: observed time, strays, episodes, and the rate with its interval.
        let number_of = stage["stage"].to_string();
        let Some(cells) = rows.iter().find(|row| row.len() == 8 && row[0] == number_of) else {
            walk.0.push(format!("report, {name}: no row"));
            continue;
        };
        let wanted = [observed, stage["strays"].to_string(), figures["episodes"].to_string()];
        walk.same(&format!("report, {name}"), &wanted.to_vec().into(), &cells[4..7].to_vec().into());
        let rate = cells[7].split(|letter: char| !letter.is_ascii_digit() && letter != '.');
        let rate: Vec<f64> = rate.filter_map(|part| part.parse().ok()).collect();
        let wanted = [&figures["per_min"], &figures["per_min_low"], &figures["per_min_high"]].map(number);
        let near = |shown: &f64| {
            wanted.iter().any(|wanted| (wanted - shown).abs() <= 0.0051 * wanted.abs().max(0.2))
        };
        if rate.is_empty() || !rate.iter().all(near) {
            walk.0.push(format!("report, {name}: rate {:?} and {wanted:?}", cells[7]));
        }
        // The patterns of the stage, asked for alone.
        let alone = json(&["patterns", &format!("{folder}#{}", stage["stage"]), "--json"]);
        walk.same(&format!("{name}: patterns"), &stage["patterns"], &alone["patterns"]);
        walk.same(&format!("{name}: strays of patterns"), &stage["strays"], &alone["strays"]);
        let comparison = &stage["comparison"];
        if comparison.is_null() {
            continue;
        }
        let other = comparisons.next().unwrap();
        walk.same(&format!("{name}: compared with"), &stage["compared_with_stage"], &other["before_stage"]);
        walk.shared(&format!("{name}, compare of the job"), comparison, &other["comparison"]);
        // One stage has one rate, one interval and one upper limit, whatever it is compared with.
        walk.shared(&format!("{name}: its figures when compared"), figures, &comparison["after"]);
        let reference = &stages[stage["compared_with_stage"].as_u64().unwrap() as usize - 1];
        walk.shared(&format!("{name}: those of its reference"), &reference["figures"], &comparison["before"]);
        let sides = [&reference["stage"], &stage["stage"]].map(|number| format!("{folder}#{number}"));
        let mut pair = json(&["compare", &sides[0], &sides[1], "--json"]);
        // What is said of the readings is another question.
        pair.as_object_mut().unwrap().remove("readings");
        walk.shared(&format!("{name}, compare of the pair"), comparison, &pair);
        let headline = stage["headline"].as_str().unwrap();
        walk.shows("job show", &terminal, headline);
        walk.shows("compare", &compared_text, headline);
        // Terminal and report write a chance by the same function.
        let quiet = comparison["after"]["episodes"] == 0;
        let verdict = comparison["verdict"].as_str().unwrap();
        let of_report = format!("Stage {} against stage {}", stage["stage"], stage["compared_with_stage"]);
        match rows.iter().find(|row| row.first().is_some_and(|cell| *cell == of_report)) {
            None => walk.0.push(format!("report: no row {of_report}")),
            Some(row) => {
                walk.shows(&of_report, &row[1].to_lowercase(), verdict);
                walk.shows(&of_report, &row[3], &chance(number(&comparison["chance_same"])));
                if quiet {
                    walk.shows(&of_report, &row[4], &chance(number(&comparison["quiet_anyway"])));
                }
            }
        }
        for path in comparison["paths"].as_array().unwrap() {
            let totals = stage["paths"].as_array().unwrap();
            let id = |of: &Value| (of["path"].clone(), of["line"].clone());
            if let Some(total) = totals.iter().find(|total| id(total) == id(path)) {
                walk.shared(&format!("{name}, {} of it", path["path"]), total, path);
            }
        }
        for sentence in stage["unobserved"].as_array().unwrap() {
            for (face, said) in [("job show", &terminal), ("compare", &compared_text), ("report", &report)] {
                walk.shows(face, said, sentence.as_str().unwrap());
            }
        }
    }
    exported(&mut walk, folder, stages);
    served(&mut walk, job, &state);
    walk.0
}

/// The export holds as many stray inputs as the stages say.
fn exported(walk: &mut Walk, folder: &str, stages: &[Value]) {
    let said = text(&straykey(&["export", folder, "--to", "jsonl"]).stdout);
    let events: Vec<Value> = said.lines().filter_map(|line| serde_json::from_str(line).ok()).collect();
    for stage in stages.iter().filter(|stage| !stage["figures"].is_null()) {
        let off: Vec<&str> = stage["captures"]
            .as_array()
            .unwrap()
            .iter()
            .filter(|capture| capture["hands"] == "off" && capture["prompts"] == 0)
            .map(|capture| capture["name"].as_str().unwrap())
            .collect();
        if off.is_empty() || off.len() != stage["captures"].as_array().unwrap().len() {
            continue;
        }
        let own = |event: &&Value| {
            off.iter().any(|name| event["capture"].as_str().is_some_and(|c| c.contains(name)))
        };
        let input = |event: &&Value| event["kind"] == "press" || event["kind"] == "repeat";
        let menu = |key: &&Value| key[0].as_str().unwrap().starts_with("menu item");
        let changes: u64 =
            stage["keys"].as_array().unwrap().iter().filter(menu).map(|k| k[1].as_u64().unwrap()).sum();
        let inputs = events.iter().filter(own).filter(input).count() as u64;
        let strays = stage["strays"].as_u64().unwrap();
        if inputs + changes != strays {
            walk.0.push(format!(
                "export, stage {}: {inputs} inputs and {changes} menu changes, {strays} strays; {}",
                stage["stage"], stage["keys"]
            ));
        }
    }
}

/// The daemon says of the job what the command says.
fn served(walk: &mut Walk, job: &Path, state: &Value) {
    let daemon = Daemon::start(job.parent().and_then(Path::parent).unwrap(), "");
    let mut served = daemon.get(&format!("/jobs/{}", job.file_name().unwrap().to_str().unwrap()));
    for own in ["job", "live", "advice", "cautions"] {
        served.as_object_mut().unwrap().remove(own);
    }
    walk.shared("API", state, &served);
}

/// Keypad and menu strays on a set that is worked on in three stages, a standby, a hole and a blind stretch included.
fn built(folder: &Path) -> PathBuf {
    let menu = |from: u64, to: u64| -> String {
        (from..to)
            .step_by(7000)
            .map(|ms| {
                format!("[{}.{:03}] osd: set item=brightness value={}\r\n", ms / 1000, ms % 1000, ms % 50)
            })
            .collect()
    };
    let merged = |log: String, changes: String| {
        let mut lines: Vec<String> =
            log.lines().chain(changes.lines()).map(|line| format!("{line}\r\n")).collect();
        let stamp = |line: &String| line[1..].split(']').next().unwrap().parse::<f64>().unwrap();
        lines.sort_by(|one, two| stamp(one).total_cmp(&stamp(two)));
        lines.concat()
    };
    let write = |name: &str, log: String| std::fs::write(folder.join(name), log).unwrap();
    write("one.log", merged(alder(1000, 301_000, true), menu(4_000, 300_000)));
    write(
        "two.log",
        merged(
            [alder(1000, 61_000, true), alder(91_000, 121_000, false), alder(121_000, 181_000, true)]
                .concat(),
            menu(4_000, 90_000),
        ),
    );
    write("three.log", [alder(1000, 41_000, false), line(641_000, "KEY1", super::REST)].concat());
    let mut manifest = "set = \"hall set\"\nchassis = \"alder\"\n".to_owned();
    for (name, step) in [
        ("one.log", "step = \"as received\""),
        ("two.log", "step = \"connector cleaned\"\nkind = \"repair\"\nparts = [\"key-cable\"]"),
        ("three.log", "step = \"key board replaced\"\nkind = \"repair\"\nparts = [\"key-board\"]"),
    ] {
        manifest += &format!("[[stage]]\n{step}\n[[stage.capture]]\nfile = \"{name}\"\nhands = \"off\"\n");
    }
    write("job.toml", manifest);
    let job = folder.join("jobs").join("hall");
    std::fs::create_dir(folder.join("jobs")).unwrap();
    run(&["job", "build", folder.join("job.toml").to_str().unwrap(), "--out", job.to_str().unwrap()]);
    job
}

#[test]
fn the_faces_of_a_job_agree() {
    let folder = tempfile::tempdir().unwrap();
    let job = built(folder.path());
    let found = walk(&job, |_| ());
    assert!(found.is_empty(), "{}", found.join("\n"));
    // It can fail: one figure that is another in one face is found.
    for (figure, value) in [("observed_s", Value::from(12.5)), ("strays", Value::from(3))] {
        let found = walk(&job, |state| state["stages"][1][figure] = value.clone());
        assert!(found.iter().any(|line| line.contains("stage 2")), "{figure}: {found:?}");
    }
    let found = walk(&job, |state| state["stages"][1]["comparison"]["before"]["per_min_high"] = 9.9.into());
    assert!(found.iter().any(|line| line.contains("per_min_high")), "{found:?}");
}

#[test]
fn the_faces_of_the_demo_agree() {
    let folder = tempfile::tempdir().unwrap();
    let job = folder.path().join("jobs").join("demo");
    std::fs::create_dir(folder.path().join("jobs")).unwrap();
    run(&["demo", "--out", job.to_str().unwrap()]);
    let found = walk(&job, |_| ());
    assert!(found.is_empty(), "{}", found.join("\n"));
    // The page's lanes too: a key that was asked for is nobody's stray. In few parts they hold sums, in many the events.
    let shown = json(&["job", "show", job.to_str().unwrap(), "--json"]);
    let strays: u64 = shown["stages"].as_array().unwrap().iter().map(|s| s["strays"].as_u64().unwrap()).sum();
    let daemon = Daemon::start(folder.path().join("jobs").as_path().parent().unwrap(), "");
    let timeline = |query: &str| daemon.get(&format!("/jobs/demo/timeline?buckets=40{query}"));
    assert_eq!(timeline("&strays=true")["total"], strays);
    let whole = timeline("");
    let lanes = whole["lanes"].as_object().unwrap().values();
    let sums = lanes.clone().filter_map(|lane| lane["buckets"]["strays"].as_array()).flatten();
    let events = lanes.filter_map(|lane| lane["events"].as_array()).flatten().filter(|e| e["stray"] == true);
    assert_eq!(sums.filter_map(Value::as_u64).sum::<u64>() + events.count() as u64, strays);
}
