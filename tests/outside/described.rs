//! The description of the requests, judged by a validator that is not ours, and the requests by a fuzzer that reads it.

use crate::support::daemon::Daemon;
use crate::support::python;

/// openapi-spec-validator (OpenAPI 3.1 schema by the OpenAPI Initiative).
#[test]
fn the_description_is_valid() {
    let folder = tempfile::tempdir().unwrap();
    let daemon = Daemon::start(folder.path(), "");
    let described = daemon.get("/openapi.json");
    let path = folder.path().join("openapi.json");
    std::fs::write(&path, described.to_string()).unwrap();
    let output = python().args(["-m", "openapi_spec_validator"]).arg(&path).output().unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stdout));
}

/// Schemathesis: requests made from the description, right and wrong ones; none may end in a 5xx that is not the disk's or
/// the port's.
#[test]
fn made_up_requests_never_break_it() {
    let folder = tempfile::tempdir().unwrap();
    let daemon = Daemon::start(folder.path(), "");
    daemon.job("one");
    let output = python()
        // It leaves caches where it runs.
        .current_dir(folder.path())
        .args(["-m", "schemathesis.cli", "run", "--checks", "not_a_server_error", "--max-examples", "25"])
        .args(["--seed", "1", "--request-timeout", "20", "--rate-limit", "150/s", "--workers", "1"])
        // The stream does not end, and trying rates takes its time.
        .args(["--exclude-path", "/api/v1/stream", "--exclude-path-regex", "find$"])
        .args(["-H", &format!("Authorization: Bearer {}", daemon.token)])
        .arg("--url")
        .arg(format!("http://{}", daemon.address))
        .arg(format!("http://{}/api/v1/openapi.json", daemon.address))
        .output()
        .unwrap();
    let told = String::from_utf8_lossy(&output.stdout).into_owned();
    assert!(output.status.success(), "{told}{}", String::from_utf8_lossy(&output.stderr));
    assert_eq!(daemon.get("/status")["version"], 1);
}
