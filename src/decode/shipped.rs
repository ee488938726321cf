//! The protocol files that are built into the program.

use std::path::Path;

/// `(path below the project's root, text)` of every file in `protocols/`, sorted by path.
pub static FILES: &[(&str, &str)] = include!(concat!(env!("OUT_DIR"), "/protocols.rs"));

/// The shipped files of one folder, for example `protocols/chassis/`.
pub fn folder(prefix: &str) -> impl Iterator<Item = (&'static str, &'static str)> + '_ {
    FILES.iter().copied().filter(move |(path, _)| path.starts_with(prefix))
}

/// One shipped file with its path.
///
/// # Errors
/// That it is not built in, in words.
pub fn one(path: &str) -> Result<(&'static Path, &'static str), String> {
    let found = FILES.iter().find(|(known, _)| *known == path);
    found
        .map(|(known, text)| (Path::new(*known), *text))
        .ok_or_else(|| format!("{path} is not built into the program"))
}
