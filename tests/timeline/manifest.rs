//! Jobs from a manifest, and every mistake in one.

use std::fs;
use std::path::{Path, PathBuf};

use straykey::base::Error;
use straykey::timeline::job::{Hands, Job, StepKind, build};

use super::log_file;

const TOML: &str = r#"set = "bedroom set, ticket 1187"
chassis = "alder"
complaint = "volume falls by itself"

[[stage]]
step = "as it came in"
  [[stage.capture]]
  file = "baseline.log"
  hands = "off"

[[stage]]
step = "key board unplugged"
kind = "isolate"
parts = ["key-board"]
  [[stage.capture]]
  file = "logic.csv"
  hands = "off"
  wire = { CH0 = "infrared", CH1 = "uart@115200" }
  [[stage.capture]]
  file = "check.log"
  hands = "on"
  prompts = "prompts.jsonl"
"#;

const JSON: &str = r#"{
  "set": "bedroom set, ticket 1187",
  "chassis": "alder",
  "complaint": "volume falls by itself",
  "stage": [
    { "step": "as it came in",
      "capture": [{ "file": "baseline.log", "hands": "off" }] },
    { "step": "key board unplugged", "kind": "isolate", "parts": ["key-board"],
      "capture": [
        { "file": "logic.csv", "hands": "off", "wire": { "CH0": "infrared", "CH1": "uart@115200" } },
        { "file": "check.log", "hands": "on", "prompts": "prompts.jsonl" }
      ] }
  ]
}"#;

fn bench() -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    log_file(folder.path(), "baseline.log", 5);
    log_file(folder.path(), "check.log", 5);
    fs::write(folder.path().join("logic.csv"), "time,CH0,CH1\n0,1,1\n").unwrap();
    fs::write(
        folder.path().join("prompts.jsonl"),
        "{\"t\": 0.5, \"key\": \"KEY_VOLUMEUP\"}\n\n{\"t\": 4, \"key\": \"KEY_POWER\"}\n",
    )
    .unwrap();
    folder
}

fn built(folder: &Path, text: &str) -> Result<Job, Error> {
    let manifest = folder.join("manifest");
    fs::write(&manifest, text).unwrap();
    build(&manifest, &folder.join("job"))
}

#[test]
fn toml_and_json_build_the_same_job() {
    let (one, two) = (bench(), bench());
    let (toml, json) = (built(one.path(), TOML).unwrap(), built(two.path(), JSON).unwrap());
    for job in [&toml, &json] {
        assert_eq!(job.info().complaint.as_deref(), Some("volume falls by itself"));
        let stages = job.stages();
        assert_eq!(stages.len(), 2);
        assert_eq!((stages[0].text.as_str(), &stages[0].step), ("as it came in", &None));
        let step = stages[1].step.as_ref().unwrap();
        assert_eq!((step.kind, &step.parts[..]), (StepKind::Isolate, &["key-board".to_owned()][..]));
        let logic = &stages[1].captures[0];
        assert_eq!((logic.hands, logic.wire["CH1"].as_str()), (Hands::Off, "uart@115200"));
        let check = &stages[1].captures[1];
        assert_eq!(check.prompts.len(), 2);
        assert_eq!((check.prompts[1].t.0, check.prompts[1].key.name()), (4_000_000_000, "KEY_POWER"));
    }
    let sums = |job: &Job| job.captures().map(|capture| capture.sha256.clone()).collect::<Vec<_>>();
    assert_eq!(sums(&toml), sums(&json));
    assert_eq!(Job::read(toml.folder()).err().map(|error| error.to_string()), None);
}

/// A mistake: what to replace in the manifest, and by what; the line that is shown and a part of the message.
type Mistake = (&'static str, &'static str, u64, &'static str);

const TOML_MISTAKES: &[Mistake] = &[
    ("set = \"bedroom set, ticket 1187\"", "set = \"\"", 1, "no name"),
    ("chassis =", "chasis =", 2, "unknown field `chasis`"),
    ("kind = \"isolate\"", "kind = \"isolated\"", 13, "\"isolated\" is no kind of step"),
    ("kind = \"isolate\"\n", "", 12, "does not say what kind of step"),
    ("step = \"as it came in\"", "step = \"as it came in\"\nkind = \"repair\"", 7, "first stage"),
    ("file = \"baseline.log\"", "file = \"basline.log\"", 8, "there is no file"),
    ("hands = \"off\"\n\n", "hands = \"of\"\n\n", 9, "\"of\" does not say where the hands were"),
    ("uart@115200", "uart@fast", 18, "\"uart@fast\" is no signal"),
    ("prompts.jsonl", "prompt.jsonl", 22, "there is no file"),
    ("parts = [\"key-board\"]", "parts = \"key-board\"", 14, "invalid type"),
    ("[[stage]]\nstep = \"key", "[[stage]\nstep = \"key", 11, ""),
];

const JSON_MISTAKES: &[Mistake] = &[
    ("\"chassis\"", "\"chasis\"", 3, "unknown field `chasis`"),
    ("\"isolate\"", "\"isolated\"", 8, "\"isolated\" is no kind of step"),
    ("baseline.log", "basline.log", 7, "there is no file"),
    ("uart@115200", "uart@fast", 10, "\"uart@fast\" is no signal"),
    ("] }\n  ]\n}", "] }\n  ]\n", 14, "EOF"),
];

fn check_mistakes(manifest: &str, mistakes: &[Mistake]) {
    for (from, to, line, message) in mistakes {
        let folder = bench();
        assert!(manifest.contains(from), "{from}");
        let error = built(folder.path(), &manifest.replacen(from, to, 1)).unwrap_err();
        assert_eq!(error.exit_status(), 3, "{error}");
        assert_eq!(error.place().line, Some(*line), "{from} to {to}: {error}");
        assert!(error.place().column.is_some(), "{error}");
        assert!(error.what().contains(message), "{from} to {to}: {error}");
        assert!(!folder.path().join("job").exists(), "nothing is made: {error}");
    }
}

#[test]
fn every_mistake_is_shown_at_its_line() {
    check_mistakes(TOML, TOML_MISTAKES);
    check_mistakes(JSON, JSON_MISTAKES);
}

#[test]
fn mistakes_in_the_prompts_are_shown_at_their_line() {
    for (text, line) in [
        ("{\"t\": 1, \"key\": \"KEY_VOLUMEPU\"}\n", 1),
        ("{\"t\": 1, \"key\": \"KEY_UP\"}\nnot json\n", 2),
        ("{\"t\": 2, \"key\": \"KEY_UP\"}\n\n{\"t\": 1, \"key\": \"KEY_UP\"}\n", 3),
    ] {
        let folder = bench();
        fs::write(folder.path().join("prompts.jsonl"), text).unwrap();
        let error = built(folder.path(), TOML).unwrap_err();
        assert_eq!((error.exit_status(), error.place().line), (3, Some(line)), "{error}");
        assert!(error.place().path.as_ref().unwrap().ends_with("prompts.jsonl"));
    }
}

#[test]
fn what_cannot_be_a_manifest_is_told() {
    let folder = bench();
    let big = vec![b'#'; (1 << 20) + 1];
    for (bytes, part) in [(&b"\x00\xff\xfe"[..], "UTF-8"), (&big[..], "more than"), (b"", "set")] {
        let manifest = folder.path().join("m");
        fs::write(&manifest, bytes).unwrap();
        let error = build(&manifest, &folder.path().join("job")).unwrap_err();
        assert_eq!(error.exit_status(), 3);
        assert!(error.to_string().contains(part), "{error}");
    }
    let absent = PathBuf::from("/straykey/absent.toml");
    assert_eq!(build(&absent, &folder.path().join("job")).unwrap_err().exit_status(), 3);
}

#[test]
fn a_folder_in_use_is_left_alone() {
    let folder = bench();
    let used = folder.path().join("job");
    fs::create_dir(&used).unwrap();
    fs::write(used.join("letter.txt"), "dear customer").unwrap();
    assert_eq!(built(folder.path(), TOML).unwrap_err().exit_status(), 2);
    assert_eq!(fs::read(used.join("letter.txt")).unwrap(), b"dear customer");
}
