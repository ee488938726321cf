//! What is printed with `--json` is as its schema says: JSON Schema 2020-12, by the validator `jsonschema`.

use std::collections::BTreeSet;

use serde_json::Value;

use super::program::{sample, straykey, text};

fn schema(answer: &str) -> Value {
    let output = straykey(&[&["schema"][..], &answer.split(' ').collect::<Vec<_>>()].concat());
    assert_eq!(output.status.code(), Some(0), "{answer}: {}", text(&output.stderr));
    serde_json::from_slice(&output.stdout).unwrap()
}

/// Whatever keeps a printed object from being as its schema says.
pub(super) fn faults(answer: &str, printed: &str) -> Vec<String> {
    let validator = jsonschema::validator_for(&schema(answer)).unwrap();
    let lines: Vec<Value> = match serde_json::from_str(printed) {
        Ok(one) => vec![one],
        Err(_) => printed.lines().map(|line| serde_json::from_str(line).unwrap()).collect(),
    };
    assert!(!lines.is_empty(), "{answer} prints nothing");
    let found =
        |line: &Value| validator.iter_errors(line).map(|e| format!("{answer}: {e}")).collect::<Vec<_>>();
    lines.iter().flat_map(found).collect()
}

#[test]
fn every_answer_is_as_its_schema_says() {
    let folder = tempfile::tempdir().unwrap();
    let at = |name: &str| folder.path().join(name).display().to_string();
    drop(crate::support::jobs::small_job(folder.path()));
    let (job, log) = (at("job"), sample("alder/plain-lf.log"));
    std::fs::write(at("asked.jsonl"), "{\"t\": 1.0, \"key\": \"KEY_MENU\"}\n").unwrap();
    std::fs::write(
        at("ticket.toml"),
        format!("set = \"hall set\"\nchassis = \"alder\"\n[[stage]]\nstep = \"as received\"\n[[stage.capture]]\nfile = {log:?}\nhands = \"off\"\n"),
    )
    .unwrap();
    let run = |arguments: &str| {
        let mut words: Vec<String> = arguments.split(' ').map(|word| word.replace('~', " ")).collect();
        words.push("--json".to_owned());
        let output = straykey(&words.iter().map(String::as_str).collect::<Vec<_>>());
        assert_eq!(output.status.code(), Some(0), "{arguments}: {}", text(&output.stderr));
        text(&output.stdout)
    };
    // In turn: the job is closed last.
    let asked: [(&str, String); 18] = [
        ("ports", "ports".into()),
        ("decode", format!("decode {log}")),
        ("patterns", format!("patterns {log}")),
        ("compare", format!("compare {log} {}", at("unplugged.log"))),
        ("keycheck", format!("keycheck {log} --prompts {} --chassis alder", at("asked.jsonl"))),
        ("protocol list", "protocol list".into()),
        ("protocol show", "protocol show alder".into()),
        ("protocol check", "protocol check protocols/chassis/alder.toml".into()),
        ("protocol learn", format!("protocol learn {log}")),
        (
            "protocol new",
            format!("protocol new plane --speech keys --key KEY_MENU=MENU --out {}", at("plane.toml")),
        ),
        ("job new", format!("job new {} --set hall~set", at("made"))),
        ("job build", format!("job build {} --out {}", at("ticket.toml"), at("built"))),
        ("job show", format!("job show {job}")),
        ("locate", format!("locate {job}")),
        ("report", format!("report {job} --out {}", at("report.html"))),
        ("export", format!("export {job} --to csv --out {}", at("events.csv"))),
        ("step", format!("step {job} cable~reseated --kind repair --part key-cable")),
        ("job close", format!("job close {job}")),
    ];
    let mut wrong: Vec<String> =
        asked.iter().flat_map(|(answer, words)| faults(answer, &run(words))).collect();
    let (pack, opened) = (at("job.pack"), at("opened"));
    wrong.extend(faults("job pack", &run(&format!("job pack {job} --out {pack}"))));
    wrong.extend(faults("job open", &run(&format!("job open {pack} --out {opened}"))));
    wrong.extend(faults("compare", &run(&format!("compare {job}"))));
    wrong.extend(faults("protocol show", &run("protocol show nec")));
    assert_eq!(wrong, Vec::<String>::new());
}

#[test]
fn errors_are_json_where_answers_are() {
    for (arguments, status) in [
        (&["decode", "/nowhere/at.log", "--json"][..], 3),
        (&["job", "show", "/nowhere", "--json"], 3),
        (&["soak", "/nowhere", "--port", "/dev/none", "--minutes", "abc", "--json"], 2),
    ] {
        let output = straykey(arguments);
        assert_eq!(output.status.code(), Some(status), "{}", text(&output.stderr));
        let told = text(&output.stderr);
        let last = told.lines().last().unwrap();
        assert_eq!(faults("error", last), Vec::<String>::new());
        assert!(!told.contains("os error"), "{told}");
    }
    let plain = text(&straykey(&["decode", "/nowhere/at.log"]).stderr);
    assert!(!plain.contains("os error") && plain.contains("there is no such file"), "{plain}");
}

#[test]
fn every_command_that_prints_json_has_a_schema() {
    let refusal = text(&straykey(&["schema", "nothing"]).stderr);
    let known: BTreeSet<String> = refusal
        .split_once("name one of ")
        .unwrap()
        .1
        .split(',')
        .map(|name| name.split_whitespace().collect::<Vec<_>>().join(" "))
        .collect();
    let commands = |of: &[&str]| -> Vec<String> {
        let help = text(&straykey(&[of, &["--help"]].concat()).stdout);
        let listed = help.lines().skip_while(|line| !line.starts_with("Commands:")).skip(1);
        let named = listed
            .take_while(|line| !line.trim().is_empty())
            .filter(|line| line.starts_with("  ") && !line.starts_with("   "));
        named
            .filter_map(|line| line.split_whitespace().next())
            .filter(|word| *word != "help")
            .map(str::to_owned)
            .collect()
    };
    let (mut leaves, mut missing) = (0, Vec::new());
    for command in commands(&[]) {
        let below = commands(&[&command]);
        let names: Vec<String> = if below.is_empty() {
            vec![command]
        } else {
            below.iter().map(|sub| format!("{command} {sub}")).collect()
        };
        for name in names {
            let words: Vec<&str> = name.split(' ').chain(["--help"]).collect();
            leaves += 1;
            // These print a text or a schema, with and without.
            if ["words", "completions", "man", "schema", "protocol schema"].contains(&name.as_str()) {
                continue;
            }
            if text(&straykey(&words).stdout).contains("--json") && !known.contains(&name) {
                missing.push(name);
            }
        }
    }
    assert!(leaves >= 22, "{leaves}");
    assert_eq!(missing, Vec::<String>::new());
}
