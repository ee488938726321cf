//! The folder of a capture in segments: names, and the sums of the closed ones.

use std::collections::BTreeMap;
use std::io::{self, Read};
use std::path::{Path, PathBuf};

use flate2::read::MultiGzDecoder;
use ring::digest::{Context, SHA256, digest};

use crate::base::{Error, Result};
use crate::journal::disk::Files;

/// File of the sums inside the folder, as `sha256sum` writes it.
pub(super) const SUMS: &str = "SHA256SUMS";

/// Ending of a file that is not finished; it is worth nothing.
pub(super) const UNFINISHED: &str = ".new";

/// Size of the pieces in which files are read.
const PIECE: usize = 256 << 10;

/// Name of a segment.
pub(super) fn name(number: u32) -> String {
    format!("{number:06}.journal")
}

/// Name of a packed segment.
pub(super) fn packed_name(number: u32) -> String {
    format!("{number:06}.journal.gz")
}

/// What lies in the folder under one number.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) struct Present {
    /// Length of the plain file.
    pub(super) plain: Option<u64>,
    /// Length of the packed file.
    pub(super) packed: Option<u64>,
}

impl Present {
    /// Bytes on disk.
    pub(super) fn bytes(&self) -> u64 {
        self.plain.unwrap_or(0) + self.packed.unwrap_or(0)
    }
}

/// What lies in a capture's folder.
#[derive(Clone, Debug, Default)]
pub(super) struct Listing {
    pub(super) segments: BTreeMap<u32, Present>,
    /// Files that were never finished.
    pub(super) unfinished: Vec<String>,
}

/// Looks into a folder.
pub(super) fn list(files: &dyn Files, folder: &Path) -> io::Result<Listing> {
    let mut listing = Listing::default();
    for (name, length) in files.list(folder)? {
        if name.ends_with(UNFINISHED) {
            listing.unfinished.push(name);
        } else if let Some(number) = number_of(&name, ".journal") {
            listing.segments.entry(number).or_default().plain = Some(length);
        } else if let Some(number) = number_of(&name, ".journal.gz") {
            listing.segments.entry(number).or_default().packed = Some(length);
        }
    }
    Ok(listing)
}

/// As [`list`], with words for people.
pub(super) fn look(files: &dyn Files, folder: &Path) -> Result<Listing> {
    list(files, folder)
        .map_err(|error| Error::system("cannot look into this capture").at(folder).because(error))
}

/// Removes a file that may not be there.
pub(super) fn remove_if_there(files: &dyn Files, path: &Path) -> io::Result<()> {
    match files.remove(path) {
        Err(error) if error.kind() != io::ErrorKind::NotFound => Err(error),
        _ => Ok(()),
    }
}

fn number_of(name: &str, ending: &str) -> Option<u32> {
    let digits = name.strip_suffix(ending)?;
    let whole = digits.len() >= 6 && digits.bytes().all(|byte| byte.is_ascii_digit());
    whole.then(|| digits.parse().ok()).flatten().filter(|number| *number > 0)
}

/// The records of a segment, packed or not; `NotFound` when it is neither.
pub(super) fn read(files: &dyn Files, folder: &Path, number: u32) -> io::Result<Box<dyn Read + Send>> {
    match files.read(&folder.join(name(number))) {
        // The packed one is complete before the plain one goes.
        Err(error) if error.kind() == io::ErrorKind::NotFound => read_packed(files, folder, number),
        found => found,
    }
}

/// The records of a packed segment.
pub(super) fn read_packed(files: &dyn Files, folder: &Path, number: u32) -> io::Result<Box<dyn Read + Send>> {
    let file = files.read(&folder.join(packed_name(number)))?;
    Ok(Box::new(MultiGzDecoder::new(io::BufReader::with_capacity(PIECE, file))))
}

/// SHA-256 in hexadecimal and length of what a reader gives.
pub(super) fn sum(mut from: Box<dyn Read + Send>) -> io::Result<(String, u64)> {
    let mut hash = Context::new(&SHA256);
    let mut bytes = 0u64;
    let mut piece = vec![0u8; PIECE];
    loop {
        match from.read(&mut piece) {
            Ok(0) => break,
            Ok(n) => {
                hash.update(piece.get(..n).unwrap_or_default());
                bytes += n as u64;
            }
            Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
            Err(error) => return Err(error),
        }
    }
    Ok((hexadecimal(hash.finish().as_ref()), bytes))
}

/// Bytes in hexadecimal, as `sha256sum` prints a sum.
pub(crate) fn hexadecimal(bytes: &[u8]) -> String {
    bytes.iter().map(|byte| format!("{byte:02x}")).collect()
}

/// The sums of the closed segments: SHA-256 of the uncompressed bytes by number.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(super) struct Sums(pub(super) BTreeMap<u32, String>);

impl Sums {
    /// Reads the file; absent means none. A line that is no line is left out: it will be made again.
    pub(super) fn load(files: &dyn Files, folder: &Path) -> Result<Self> {
        let path = folder.join(SUMS);
        let mut text = Vec::new();
        match files.read(&path).and_then(|mut file| file.read_to_end(&mut text)) {
            Ok(_) => {}
            Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(Self::default()),
            Err(error) => {
                return Err(Error::system("cannot read the sums of this capture").at(path).because(error));
            }
        }
        Ok(Self(String::from_utf8_lossy(&text).lines().filter_map(line).collect()))
    }

    /// Text of the file.
    pub(super) fn text(&self) -> String {
        self.0.iter().map(|(number, sum)| format!("{sum}  {}\n", name(*number))).collect()
    }

    /// The sum of the whole capture: that of the text.
    pub(super) fn of_all(&self) -> String {
        hexadecimal(digest(&SHA256, self.text().as_bytes()).as_ref())
    }

    /// Writes the file so that the old or the new one is there after a power cut.
    pub(super) fn save(&self, files: &dyn Files, folder: &Path) -> Result<()> {
        let path = folder.join(SUMS);
        write_whole(files, &path, self.text().as_bytes())
            .map_err(|error| Error::system("cannot write the sums of this capture").at(path).because(error))
    }

    /// Sums the segment unless that is done already; the file is written by [`Sums::save`].
    pub(super) fn add(&mut self, files: &dyn Files, folder: &Path, number: u32) -> Result<bool> {
        if self.0.contains_key(&number) {
            return Ok(false);
        }
        let (sum, _) = read(files, folder, number).and_then(sum).map_err(|error| {
            Error::system("cannot sum this segment").at(folder.join(name(number))).because(error)
        })?;
        self.0.insert(number, sum);
        Ok(true)
    }
}

fn line(line: &str) -> Option<(u32, String)> {
    let (sum, file) = line.split_once("  ")?;
    let whole = sum.len() == 64 && sum.bytes().all(|byte| byte.is_ascii_hexdigit());
    number_of(file, ".journal").filter(|_| whole).map(|number| (number, sum.to_owned()))
}

/// Name of the unfinished file beside a path.
pub(super) fn unfinished(path: &Path) -> PathBuf {
    let mut name = path.as_os_str().to_owned();
    name.push(UNFINISHED);
    PathBuf::from(name)
}

fn write_whole(files: &dyn Files, path: &Path, content: &[u8]) -> io::Result<()> {
    let new = unfinished(path);
    remove_if_there(files, &new)?;
    let mut file = files.create(&new)?;
    file.append(content)?;
    file.sync()?;
    drop(file);
    files.rename(&new, path)?;
    files.sync_folder(path.parent().unwrap_or(Path::new(".")))
}
