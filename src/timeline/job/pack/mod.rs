//! A job in one file, for another bench: a gzip-compressed tar of manifest, captures, steps and sums.
//!
//! | in the pack | what |
//! | --- | --- |
//! | `manifest.json` | first: version, every file with length and SHA-256, what was masked |
//! | `job.toml`, `raw/…` | the job's folder, without its index, which is rebuilt |
//!
//! Private strings are masked in the copies unless asked otherwise ([`mask`](crate::timeline::mask)); a masked
//! capture keeps its length and its time, so that it gives the same findings. A masked pack holds the sums of its
//! copies alone: the sum of a raw capture would confirm every guess of what was masked. Nothing in the job itself is
//! touched.
//!
//! A pack comes from elsewhere and is not trusted: only the files of the manifest are taken, each once, regular,
//! of the length and the sum that stand there, below [`LARGEST`] together; everything else is refused, and what
//! was unpacked until then is removed.

mod copy;
mod open;

use std::fs::{self, File};
use std::io::{Read, Write};
use std::path::{Path, PathBuf};

use flate2::Compression;
use flate2::write::GzEncoder;
use serde::{Deserialize, Serialize};

use crate::base::{Anchor, Error, Nanoseconds, Result, write_output};
use crate::timeline::job::folder::{Part, sum_of};
use crate::timeline::job::open::{Job, STEP_LOG};
use crate::timeline::mask::{Masked, Tally};

pub use open::unpack;

/// Most bytes that a pack may unpack to: 32 GiB.
pub const LARGEST: u64 = 32 << 30;
/// Version of the pack.
const VERSION: u32 = 1;
const MANIFEST: &str = "manifest.json";

/// How a job is packed.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct PackOptions {
    /// Leave private strings as they are.
    pub keep_private: bool,
}

/// What was packed.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, schemars::JsonSchema)]
pub struct Packed {
    /// The pack.
    pub pack: PathBuf,
    /// Its length.
    pub bytes: u64,
    /// Captures in it.
    pub captures: usize,
    /// What was masked in the copies.
    pub masked: Vec<Masked>,
}

#[derive(Clone, Debug, Serialize, Deserialize)]
struct Manifest {
    version: u32,
    straykey: String,
    written: Option<String>,
    set: String,
    files: Vec<FileEntry>,
    #[serde(default)]
    masked: Vec<Masked>,
}

#[derive(Clone, Debug, Serialize, Deserialize)]
struct FileEntry {
    file: String,
    bytes: u64,
    sha256: String,
}

fn beside(path: &Path, ending: &str) -> PathBuf {
    let mut name = path.as_os_str().to_owned();
    name.push(ending);
    PathBuf::from(name)
}

impl Job {
    /// Writes the job into one file. The job is not changed.
    ///
    /// # Errors
    /// `Usage` when a capture is still running or the file is there already, `Input` when a capture is missing or
    /// was altered after the capture, `System` when the disk fails.
    pub fn pack(&self, to: &Path, options: &PackOptions) -> Result<Packed> {
        // A link that leads nowhere counts: renaming would replace it.
        if fs::symlink_metadata(to).is_ok() {
            return Err(Error::usage("there is a file of this name already")
                .at(to)
                .help("choose another name"));
        }
        if let Some(open) = self.captures().find(|capture| !capture.is_closed()) {
            return Err(Error::usage(format!("the capture {} is still running", open.name))
                .at(self.folder())
                .help("end it first, then pack the job"));
        }
        if let Some(wrong) = self.verify()?.first() {
            return Err(Error::input(format!("the job is not whole: {wrong}"))
                .at(self.folder())
                .help("bring the capture back from a copy; a pack of altered captures would prove nothing"));
        }
        let scratch = Part::make(&beside(to, ".files"))?;
        let manifest = self.collect(&scratch.0, options)?;
        let bytes = write_output(to, "cannot write the pack", |file| {
            write(file, to, &manifest, &scratch.0, self.folder())
        })?;
        Ok(Packed { pack: to.to_owned(), bytes, captures: self.captures().count(), masked: manifest.masked })
    }

    /// Puts what differs from the job into a folder, and lists all.
    fn collect(&self, scratch: &Path, options: &PackOptions) -> Result<Manifest> {
        let mut manifest = Manifest {
            version: VERSION,
            straykey: env!("CARGO_PKG_VERSION").to_owned(),
            written: Anchor::now().wall(Nanoseconds::ZERO),
            set: self.info().set.clone(),
            files: Vec::new(),
            masked: Vec::new(),
        };
        let tally = || if options.keep_private { Tally::off() } else { Tally::default() };
        let mut sums = std::collections::BTreeMap::new();
        for capture in self.captures() {
            let mut tally = tally();
            // A file may be called after what is private.
            let name = tally.text(capture.name.clone());
            let file = capture.file.replacen(&capture.name, &name, 1);
            let copy = scratch.join(&file);
            // A capture in segments is packed as one journal, so that a pack holds plain files alone.
            let segments = capture.path.is_dir();
            let mut own = segments || name != capture.name;
            if tally.masks() || segments {
                copy::capture(&capture.path, &copy, &mut tally)?;
                own |= !tally.is_empty();
            }
            if !own && copy.exists() {
                fs::remove_file(&copy).map_err(|error| Error::io("cannot remove a copy", &copy, error))?;
            }
            let sum = sum_of(if own { &copy } else { &capture.path })?;
            manifest.masked.extend(tally.masked(&name));
            if own {
                let (sha256, bytes) = (sum.sha256.clone(), sum.bytes);
                sums.insert(capture.name.clone(), copy::Renamed { name, file: file.clone(), sha256, bytes });
            }
            manifest.files.push(FileEntry { file, bytes: sum.bytes, sha256: sum.sha256 });
        }
        if !options.keep_private || !sums.is_empty() {
            let mut tally = tally();
            copy::steps(&self.folder().join(STEP_LOG), &scratch.join(STEP_LOG), &sums, &mut tally)?;
            copy::info(&self.folder().join("job.toml"), &scratch.join("job.toml"), &mut tally)?;
            if tally.masks() {
                manifest.set = crate::timeline::mask::mask_text(&manifest.set).0;
            }
            manifest.masked.extend(tally.masked("the notes of the job"));
        }
        for file in ["job.toml", STEP_LOG] {
            let copy = scratch.join(file);
            let sum = sum_of(&if copy.exists() { copy } else { self.folder().join(file) })?;
            manifest.files.push(FileEntry { file: file.to_owned(), bytes: sum.bytes, sha256: sum.sha256 });
        }
        Ok(manifest)
    }
}

fn write(file: File, part: &Path, manifest: &Manifest, scratch: &Path, folder: &Path) -> Result<u64> {
    let failed = |error| Error::io("cannot write the pack", part, error);
    let text = serde_json::to_vec_pretty(manifest)
        .map_err(|error| Error::system("cannot write the manifest of the pack").because(error))?;
    let mut tar = tar::Builder::new(GzEncoder::new(file, Compression::default()));
    put(&mut tar, MANIFEST, text.len() as u64, &mut text.as_slice()).map_err(failed)?;
    for entry in &manifest.files {
        let copy = scratch.join(&entry.file);
        let from = if copy.exists() { copy } else { folder.join(&entry.file) };
        let mut source =
            File::open(&from).map_err(|error| Error::io("cannot open this capture", &from, error))?;
        // The length of the manifest is what is packed, should somebody append in this moment.
        put(&mut tar, &entry.file, entry.bytes, &mut (&mut source).take(entry.bytes)).map_err(failed)?;
    }
    let mut gz = tar.into_inner().map_err(failed)?;
    gz.flush().map_err(failed)?;
    let file = gz.finish().map_err(failed)?;
    Ok(file.metadata().map_err(failed)?.len())
}

/// The same bytes for the same files, whoever packs them and when.
fn put(
    tar: &mut tar::Builder<impl Write>,
    name: &str,
    bytes: u64,
    from: &mut dyn Read,
) -> std::io::Result<()> {
    let mut header = tar::Header::new_ustar();
    header.set_size(bytes);
    header.set_mode(0o644);
    header.set_mtime(0);
    header.set_entry_type(tar::EntryType::Regular);
    tar.append_data(&mut header, name, from)
}
