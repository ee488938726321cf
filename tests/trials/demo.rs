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
    let verdict = |stage: usize| stages[stage]["comparison"]["verdict"].as_str().unwrap();
    assert_eq!(
        [1, 3, 4, 5, 6].map(verdict),
        ["reduced", "reduced", "unchanged", "gone", "gone"],
        "{}",
        shown["stages"]
    );
    // Path by path: what was covered or taken away is gone, the other cause is not.
    for stage in [1, 3] {
        let paths = stages[stage]["comparison"]["paths"].as_array().unwrap();
        let of = |path: &str| {
            let found = paths.iter().find(|own| own["path"] == path).unwrap();
            (found["verdict"].as_str().unwrap(), found["observed_s"].as_f64().unwrap() > 1_190.0)
        };
        assert_eq!(of("infrared"), ("gone", true), "stage {}", stage + 1);
        assert!(!["gone", "worse"].contains(&of("keypad").0), "stage {}", stage + 1);
    }
    // Both paths have a say at hand-back, and each has its own cause.
    assert_eq!((&shown["verdict"], &shown["hand_back"]), (&"gone".into(), &true.into()));
    let back = shown["hand_back_paths"].as_array().unwrap();
    assert_eq!(back.len(), 2, "{back:?}");
    assert!(back.iter().all(|path| path["verdict"] == "gone" && path["hand_back"] == true), "{back:?}");
    assert_eq!(shown["advice"]["action"], "hand-back");
    let causes = [&shown["locate"], &shown["locate"]["also"][0]];
    for (cause, (path, place, step)) in
        causes.into_iter().zip([("keypad", "key-cable", "replaced"), ("infrared", "remote", "batteries")])
    {
        assert_eq!(cause["path"], path);
        assert_eq!(cause["locations"][0]["location"], place, "{}", cause["locations"]);
        let steps = cause["steps"].as_array().unwrap();
        let done = steps.iter().find(|own| own["step"].as_str().unwrap().contains(step)).unwrap();
        assert!(done["credit"].as_f64().unwrap() > 0.9, "{done}");
    }
    assert!(report.contains("Strays on keypad") && report.contains("Strays on infrared"));
    assert!(report.contains("\"masked\":[]"), "the product's own words are not private");
}
