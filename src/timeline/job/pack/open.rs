//! A pack from elsewhere to a job folder.

use std::collections::BTreeMap;
use std::fs::File;
use std::io::{self, BufReader, Read, Write};
use std::path::Path;

use flate2::bufread::GzDecoder;
use ring::digest::{Context, SHA256};

use crate::base::{Error, Result, quote};
use crate::journal::hexadecimal;
use crate::timeline::job::folder::{Part, protect};
use crate::timeline::job::open::{Job, STEP_LOG, in_use, is_free};
use crate::timeline::job::pack::{FileEntry, LARGEST, MANIFEST, Manifest, VERSION};

/// A manifest is never longer.
const LONGEST_MANIFEST: u64 = 16 << 20;
/// Files in a pack at most.
const MOST_FILES: usize = 100_000;
/// Captures of a debug port shrink to a tenth or a fiftieth; what shrinks beyond this is no capture.
const HIGHEST_RATIO: u64 = 500;
/// Below this length no ratio is asked for.
const SMALL: u64 = 256 << 20;

/// Unpacks into a new or empty folder and opens the job to look at it.
///
/// # Errors
/// `Usage` when something is in the folder already; `Input` for what is no pack, for one with anything in it that
/// does not belong there, and for a wrong length or sum; `System` when the disk fails. Then nothing is left behind.
pub fn unpack(pack: &Path, to: &Path) -> Result<Job> {
    if !is_free(to) || to.join("raw").exists() {
        return Err(in_use(to));
    }
    let file = File::open(pack).map_err(|error| Error::io("cannot open this pack", pack, error))?;
    let packed = file.metadata().map_or(0, |data| data.len());
    let part = Part::make(to)?;
    let mut archive = tar::Archive::new(GzDecoder::new(BufReader::new(file)));
    take(&mut archive, packed, &part.0).map_err(|error| error.at(pack))?;
    // Read where it is before it gets its name: a job that cannot be read is not left behind.
    let job = Job::read(&part.0).map_err(|error| error.at(pack))?;
    if let Some(wrong) = job.verify()?.first() {
        return Err(refused(format!("the step log and the captures do not fit: {wrong}")).at(pack));
    }
    drop(job);
    part.into_place(to)?;
    Job::read(to)
}

fn refused(what: impl Into<String>) -> Error {
    Error::input(what)
        .help("the pack is damaged or was made to do harm; ask for a new one. Nothing was kept of it")
}

fn unreadable(error: &io::Error) -> Error {
    refused(format!("this is no pack, or a damaged one: {error}"))
}

fn take(archive: &mut tar::Archive<impl Read>, packed: u64, to: &Path) -> Result<()> {
    let mut expected: Option<BTreeMap<String, FileEntry>> = None;
    // Raw: links, long names and other extensions show as what they are, and are refused.
    for entry in archive.entries().map_err(|error| unreadable(&error))?.raw(true) {
        let mut entry = entry.map_err(|error| unreadable(&error))?;
        let name = String::from_utf8_lossy(&entry.path_bytes()).into_owned();
        let shown = quote(name.as_bytes());
        if entry.header().entry_type() != tar::EntryType::Regular {
            return Err(refused(format!("the pack holds \"{shown}\", which is no plain file")));
        }
        let Some(files) = &mut expected else {
            if name != MANIFEST {
                return Err(refused(format!("the pack begins with \"{shown}\" instead of {MANIFEST}")));
            }
            expected = Some(manifest(&mut entry, packed)?);
            continue;
        };
        let Some(file) = files.remove(&name) else {
            return Err(refused(format!("\"{shown}\" is not in the manifest, or comes twice")));
        };
        if entry.header().size().ok() != Some(file.bytes) {
            return Err(refused(format!("\"{shown}\" has not the length of the manifest")));
        }
        store(&mut entry, &file, to)?;
    }
    match expected {
        None => Err(refused("the pack is empty")),
        Some(files) => match files.keys().next() {
            None => Ok(()),
            Some(missing) => Err(refused(format!("\"{}\" is missing", quote(missing.as_bytes())))),
        },
    }
}

/// Reads the manifest and looks whether what it promises may be unpacked.
fn manifest(entry: &mut impl Read, packed: u64) -> Result<BTreeMap<String, FileEntry>> {
    let mut text = Vec::new();
    entry.take(LONGEST_MANIFEST + 1).read_to_end(&mut text).map_err(|error| unreadable(&error))?;
    if text.len() as u64 > LONGEST_MANIFEST {
        return Err(refused("the manifest is longer than 16 MiB"));
    }
    let manifest: Manifest =
        serde_json::from_slice(&text).map_err(|error| refused(format!("{MANIFEST}: {error}")))?;
    if manifest.version != VERSION {
        return Err(Error::input(format!("this pack has version {}, not {VERSION}", manifest.version))
            .help("it was made by another straykey; open it with that one"));
    }
    let whole = manifest.files.iter().fold(0u64, |sum, file| sum.saturating_add(file.bytes));
    if whole > LARGEST || whole > SMALL && whole / packed.max(1) > HIGHEST_RATIO {
        return Err(refused(format!("the pack of {packed} bytes says that it unpacks to {whole} bytes")));
    }
    if manifest.files.len() > MOST_FILES {
        return Err(refused(format!("the pack names {} files", manifest.files.len())));
    }
    let mut files = BTreeMap::new();
    for file in manifest.files {
        if !belongs(&file.file) {
            return Err(refused(format!("\"{}\" does not belong into a job", quote(file.file.as_bytes()))));
        }
        let name = file.file.clone();
        if files.insert(name.clone(), file).is_some() {
            return Err(refused(format!("the manifest names \"{}\" twice", quote(name.as_bytes()))));
        }
    }
    match ["job.toml", STEP_LOG].into_iter().find(|name| !files.contains_key(*name)) {
        Some(missing) => Err(refused(format!("the manifest does not name {missing}"))),
        None => Ok(files),
    }
}

/// The only names that a job has: `job.toml`, and plain names in `raw/`.
fn belongs(name: &str) -> bool {
    let plain = |name: &str| {
        let letters = |c: char| c.is_ascii_alphanumeric() || matches!(c, '.' | '_' | '-');
        !name.is_empty() && name.len() <= 100 && !name.starts_with('.') && name.chars().all(letters)
    };
    name == "job.toml" || name.strip_prefix("raw/").is_some_and(plain)
}

fn store(entry: &mut impl Read, file: &FileEntry, to: &Path) -> Result<()> {
    let path = to.join(&file.file);
    let failed = |error| Error::io("cannot write this file", &path, error);
    let mut copy = File::create_new(&path).map_err(failed)?;
    let mut hash = Context::new(&SHA256);
    let mut left = file.bytes;
    let mut piece = vec![0u8; 1 << 18];
    while left > 0 {
        let n = match entry.read(&mut piece) {
            Ok(0) => break,
            Ok(n) => n,
            Err(error) if error.kind() == io::ErrorKind::Interrupted => continue,
            Err(error) => return Err(unreadable(&error)),
        };
        let part = piece.get(..n).unwrap_or_default();
        left = left.saturating_sub(n as u64);
        hash.update(part);
        copy.write_all(part).map_err(failed)?;
    }
    let sum = hexadecimal(hash.finish().as_ref());
    if left > 0 || !sum.eq_ignore_ascii_case(&file.sha256) {
        return Err(refused(format!("\"{}\" has not the sum of the manifest", quote(file.file.as_bytes()))));
    }
    copy.sync_all().map_err(failed)?;
    if path.extension().is_some() && file.file.starts_with("raw/") && file.file != STEP_LOG {
        protect(&path);
    }
    Ok(())
}
