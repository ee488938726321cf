//! The demo, from fault to proof.

use crate::support::program::{straykey, text};

#[test]
fn the_demo_goes_from_fault_to_proof_and_reports() {
    let folder = tempfile::tempdir().unwrap();
    let out = folder.path().join("demo");
    let output = straykey(&["demo", "--out", out.to_str().unwrap(), "--json"]);
    assert_eq!(output.status.code(), Some(0), "{}", text(&output.stderr));
    let result: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    assert_eq!(result["simulated"], true);
    let report = std::fs::read_to_string(out.join("report.html")).unwrap();
    assert!(report.contains("simulated") && report.len() < 2_000_000);
    // The one address in it is the name of the SVG language, which nothing fetches.
    let addresses = report.replace("http://www.w3.org/2000/svg", "");
    assert!(!addresses.contains("http://") && !addresses.contains("https://"), "no outside request");
    let shown: serde_json::Value =
        serde_json::from_slice(&straykey(&["job", "show", out.to_str().unwrap(), "--json"]).stdout).unwrap();
    // One stage of the story is two steps: tape off and remote control found, watched once.
    let stages = shown["stages"].as_array().unwrap();
    let seen =
        |stage: usize| (stages[stage]["strays"].as_u64().unwrap() > 0, stages[stage]["keys"].to_string());
    assert_eq!(stages.len(), 7);
    let (Some(info), Some(source)) = (seen(0).1.find("Info"), seen(0).1.find("Source")) else {
        panic!("both causes are seen as received: {}", stages[0]["keys"]);
    };
    assert_ne!(info, source);
    for stage in [1, 3, 4] {
        let (strays, keys) = seen(stage);
        assert!(strays && keys.contains("Source") && !keys.contains("Info"), "stage {}: {keys}", stage + 1);
    }
    for stage in [5, 6] {
        assert!(!seen(stage).0, "stage {}", stage + 1);
    }
    // The whole repair against the stage of like condition; what was isolated in between is no part of it.
    assert_eq!(stages[6]["compared_with_stage"], 4);
    assert_eq!(stages[6]["comparison"]["verdict"], "gone", "{}", stages[6]["comparison"]);
    assert_ne!(stages[1]["comparison"]["verdict"], "gone");
    assert_ne!(stages[3]["comparison"]["verdict"], "gone");
    assert_ne!(stages[4]["comparison"]["verdict"], "gone");
}
