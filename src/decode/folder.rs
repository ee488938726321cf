//! A folder of protocol files: which there are, and what each describes.

use std::io::Read as _;
use std::path::{Path, PathBuf};

use crate::base::{Error, Result};
use crate::decode::file;

/// Deepest folder below the user's that is looked into, most files that are read, and most entries of one folder that
/// are looked at: one with more is no folder of protocol files.
const DEEPEST: usize = 4;
const MOST_FILES: usize = 1_000;
const MOST_ENTRIES: usize = 20_000;

/// The protocol files of a user's folder, read once for whoever needs them.
#[derive(Debug, Default)]
pub struct Own {
    files: Vec<(PathBuf, Sort, String)>,
    /// Files that could not be read, and why.
    pub unread: Vec<Error>,
}

impl Own {
    /// Reads all `*.toml` in and below a folder.
    ///
    /// # Errors
    /// As [`files`].
    pub fn read(folder: &Path) -> Result<Self> {
        let mut own = Self::default();
        for path in files(folder)? {
            match read(&path) {
                Ok(text) => own.files.push((path, sort(&text), text)),
                Err(error) => own.unread.push(error),
            }
        }
        Ok(own)
    }

    /// The files that describe this sort, by name.
    pub fn of(&self, wanted: Sort) -> impl Iterator<Item = (&Path, &str)> {
        let fits = move |(_, sort, _): &&(PathBuf, Sort, String)| *sort == wanted;
        self.files.iter().filter(fits).map(|(path, _, text)| (path.as_path(), text.as_str()))
    }
}

/// What a file describes, told by its tables.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Sort {
    /// A chassis.
    Chassis,
    /// Infrared formats and key tables of remotes.
    Remote,
    /// HDMI-CEC.
    Bus,
    /// Places and tests.
    Faults,
    /// What can be done to a set to call its fault.
    Stressors,
}

/// What the text of a protocol file describes; a chassis where nothing says otherwise, so that mistakes in it are shown.
pub fn sort(text: &str) -> Sort {
    let has = |table: &str| text.lines().any(|line| line.trim_start().starts_with(table));
    if has("[format]") || has("[remote]") {
        Sort::Remote
    } else if has("[[location]]") {
        Sort::Faults
    } else if has("[[stressor]]") {
        Sort::Stressors
    } else if has("[bus]") {
        Sort::Bus
    } else {
        Sort::Chassis
    }
}

/// The `*.toml` in and below a folder, by name; links to folders are not followed, since they may lead in a circle.
///
/// # Errors
/// `Input` when the folder cannot be read, or has too much in it to be one of protocol files.
pub fn files(folder: &Path) -> Result<Vec<PathBuf>> {
    let unreadable = |error| Error::io("cannot read the folder of protocol files", folder, error);
    let too_many = |most: usize, what: &str| {
        Error::input(format!("the folder of protocol files has more than {most} {what}"))
            .at(folder)
            .help("name a folder that holds protocol files only, or fewer of them")
    };
    let mut found = Vec::new();
    let mut folders = vec![(folder.to_owned(), 0)];
    let mut entries = 0;
    while let Some((folder, depth)) = folders.pop() {
        for entry in std::fs::read_dir(folder).map_err(unreadable)? {
            entries += 1;
            if entries > MOST_ENTRIES {
                return Err(too_many(MOST_ENTRIES, "entries"));
            }
            let entry = entry.map_err(unreadable)?;
            let path = entry.path();
            if entry.file_type().is_ok_and(|sort| sort.is_dir()) {
                if depth < DEEPEST {
                    folders.push((path, depth + 1));
                }
            } else if path.extension().is_some_and(|extension| extension == "toml") {
                if found.len() == MOST_FILES {
                    return Err(too_many(MOST_FILES, "files"));
                }
                found.push(path);
            }
        }
    }
    found.sort();
    Ok(found)
}

/// The text of a protocol file.
///
/// # Errors
/// `Input` when it is missing, too large or no UTF-8; `System` when the disk fails.
pub fn read(path: &Path) -> Result<String> {
    let failed = |error| Error::io("cannot read the protocol file", path, error);
    // A pipe or a device never ends, and opening one may wait for ever.
    if !std::fs::metadata(path).map_err(failed)?.is_file() {
        return Err(Error::input("this is no regular file").at(path).help(
            "name a protocol file (*.toml); folders go to `--protocols`, pipes and devices are not read",
        ));
    }
    let mut bytes = Vec::new();
    let limit = file::LARGEST as u64;
    std::fs::File::open(path).map_err(failed)?.take(limit + 1).read_to_end(&mut bytes).map_err(failed)?;
    if bytes.len() as u64 > limit {
        return Err(Error::input(format!("the protocol file has more than {limit} bytes"))
            .at(path)
            .help("a protocol file describes one decoder; captures do not belong into it"));
    }
    String::from_utf8(bytes).map_err(|error| {
        Error::input("the protocol file is no UTF-8 text")
            .at(path)
            .offset(error.utf8_error().valid_up_to() as u64)
            .help("save it as UTF-8; protocol files are TOML")
    })
}
