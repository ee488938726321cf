//! A job that is made of a log before the daemon starts.

use std::path::Path;
use std::process::Command;

use serde_json::json;

use crate::support::daemon::Daemon;

/// A daemon with one job: a set of the chassis `alder`, hands off, what it printed. Its cautions were read.
pub(super) fn daemon(folder: &Path, name: &str, log: &str) -> Daemon {
    std::fs::write(folder.join(format!("{name}.log")), log).unwrap();
    let manifest = folder.join(format!("{name}.toml"));
    let text = format!(
        "set = \"{name} set\"\nchassis = \"alder\"\n[[stage]]\nstep = \"as received\"\n\
         [[stage.capture]]\nfile = \"{name}.log\"\nhands = \"off\"\n"
    );
    std::fs::write(&manifest, text).unwrap();
    std::fs::create_dir_all(folder.join("jobs")).unwrap();
    let built = Command::new(env!("CARGO_BIN_EXE_straykey"))
        .args(["job", "build"])
        .arg(&manifest)
        .arg("--out")
        .arg(folder.join("jobs").join(name))
        .output()
        .unwrap();
    assert!(built.status.success(), "{}", String::from_utf8_lossy(&built.stderr));
    let daemon = Daemon::start(folder, "");
    daemon.post(&format!("/jobs/{name}/cautions"), &json!({ "read": true }));
    daemon
}
