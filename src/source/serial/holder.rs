//! Who has a port open: read from `/proc`, best effort, for the message alone.

use std::fs;
use std::path::Path;

/// The program that has the device open, as `process 4711 (name)`; `None` when nobody can be seen, which
/// is also the case for programs of other users.
pub(super) fn of(device: &Path) -> Option<String> {
    let device = fs::canonicalize(device).ok()?;
    for process in fs::read_dir("/proc").ok()?.flatten() {
        let Some(pid) = process.file_name().to_str().and_then(|name| name.parse::<u32>().ok()) else {
            continue;
        };
        let Ok(open) = fs::read_dir(process.path().join("fd")) else { continue };
        if open.flatten().any(|fd| fs::read_link(fd.path()).is_ok_and(|target| target == device)) {
            let name = fs::read_to_string(process.path().join("comm")).unwrap_or_default();
            return Some(if pid == std::process::id() {
                "this very program".to_owned()
            } else {
                format!("process {pid} ({})", crate::base::quote(name.trim_end().as_bytes()))
            });
        }
    }
    None
}
