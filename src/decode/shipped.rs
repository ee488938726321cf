//! The protocol files that are built into the program.

/// `(path below the project's root, text)` of every file in `protocols/`, sorted by path.
pub static FILES: &[(&str, &str)] = include!(concat!(env!("OUT_DIR"), "/protocols.rs"));

/// The shipped files of one folder, for example `protocols/chassis/`.
pub fn folder(prefix: &str) -> impl Iterator<Item = (&'static str, &'static str)> + '_ {
    FILES.iter().copied().filter(move |(path, _)| path.starts_with(prefix))
}
