//! Putting a capture's folder in order after a crash, summing it, and checking the sums.

use std::io::{self, Read};
use std::path::Path;

use crate::base::{Anchor, Error, Nanoseconds, Result};
use crate::journal::disk::{Files, SystemFiles};
use crate::journal::pack;
use crate::journal::reader::{Reader, Recovered};
use crate::journal::segment::{self, Sums, look, name};
use crate::journal::walk::{Step, Walk};
use crate::journal::writer::Writer;

/// What a capture in segments holds after it was put in order.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Repaired {
    /// What was kept and what was cut, in the last segment.
    pub recovered: Recovered,
    /// Capture time of the last record.
    pub end: Nanoseconds,
    /// Stream offset behind the last captured byte.
    pub captured: u64,
    /// Whether the capture was ended in an orderly way.
    pub closed: bool,
    /// Number of the last segment.
    pub segments: u32,
    /// Wall clock at capture time zero.
    pub anchor: Option<Anchor>,
    /// What the origin record of the last segment says.
    pub origin: Option<String>,
    /// What was put in order, one sentence each.
    pub remarks: Vec<String>,
}

/// Puts a capture in segments in order that nobody writes: removes what was never finished, cuts a torn tail.
///
/// Costs one pass over the last segment (64 MiB at most), however long the capture is.
///
/// # Errors
/// `Input` when the folder holds no segment with a record, `System` when the disk fails; it may be tried again.
pub fn recover(folder: &Path) -> Result<Repaired> {
    recover_on(&SystemFiles, folder)
}

/// As [`recover`], on a disk of the caller's.
///
/// # Errors
/// As [`recover`].
pub fn recover_on(files: &dyn Files, folder: &Path) -> Result<Repaired> {
    let mut repaired = Repaired::default();
    let mut listing = look(files, folder)?;
    for unfinished in std::mem::take(&mut listing.unfinished) {
        remove(files, &folder.join(&unfinished))?;
        repaired.remarks.push(format!("{unfinished} was never finished and is removed"));
    }
    let sums = Sums::load(files, folder)?;
    for (number, present) in &mut listing.segments {
        if present.plain.is_some() && present.packed.is_some() {
            pack::settle(files, folder, *number, &sums)?;
            repaired.remarks.push(format!("{}: one of two copies was removed", name(*number)));
        }
    }
    while let Some((number, present)) = listing.segments.pop_last() {
        let earlier = !listing.segments.is_empty();
        if earlier && present.packed.is_none() && is_blank(files, folder, number)? {
            remove(files, &folder.join(name(number)))?;
            repaired.remarks.push(format!("{} holds no record and is removed", name(number)));
            continue;
        }
        last_segment(files, folder, number, &mut repaired)?;
        return Ok(repaired);
    }
    Err(Error::input("this capture holds no segment").at(folder).help("begin the capture again"))
}

fn remove(files: &dyn Files, path: &Path) -> Result<()> {
    files
        .remove(path)
        .and_then(|()| files.sync_folder(path.parent().unwrap_or(Path::new("."))))
        .map_err(|error| Error::system("cannot remove this unfinished file").at(path).because(error))
}

/// Whether a segment has not one whole record: the making of it did not come to its end.
fn is_blank(files: &dyn Files, folder: &Path, number: u32) -> Result<bool> {
    let path = folder.join(name(number));
    let file = files
        .read(&path)
        .map_err(|error| Error::system("cannot read this segment").at(&path).because(error))?;
    let mut walk = match Walk::new(file) {
        Ok(walk) => walk,
        // Zeros where the head should be: what a power cut leaves of a file that was just made.
        Err(error) if error.kind() == crate::base::Kind::Input => {
            let file = files.read(&path);
            return file
                .and_then(zeros)
                .map_err(|error| Error::system("cannot read this segment").at(&path).because(error));
        }
        Err(error) => return Err(error.at(path)),
    };
    loop {
        match walk.step().map_err(|error| error.at(&path))? {
            Step::Record(_) => return Ok(false),
            Step::Mark(_) => {}
            Step::End => return Ok(true),
        }
    }
}

/// Whether a file holds nothing but zeros.
fn zeros(mut file: Box<dyn Read + Send>) -> io::Result<bool> {
    let mut piece = [0u8; 4096];
    loop {
        match file.read(&mut piece) {
            Ok(0) => return Ok(true),
            Ok(n) if piece.get(..n).is_some_and(|part| part.iter().any(|byte| *byte != 0)) => {
                return Ok(false);
            }
            Ok(_) => {}
            Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
            Err(error) => return Err(error),
        }
    }
}

fn last_segment(files: &dyn Files, folder: &Path, number: u32, repaired: &mut Repaired) -> Result<()> {
    let path = folder.join(name(number));
    repaired.segments = number;
    match files.open(&path) {
        Ok(disk) => {
            let (writer, recovered) = Writer::open_on(disk, &path)?;
            repaired.recovered = recovered;
            (repaired.end, repaired.captured) = (writer.last(), writer.captured());
            (repaired.closed, repaired.anchor) = (writer.is_closed(), Some(writer.anchor()));
        }
        // Packed, or protected after it was closed: nothing is cut there.
        Err(error) if matches!(error.kind(), io::ErrorKind::NotFound | io::ErrorKind::PermissionDenied) => {}
        Err(error) => {
            return Err(Error::system("cannot open this segment").at(path).because(error));
        }
    }
    let file = segment::read(files, folder, number)
        .map_err(|error| Error::system("cannot read this segment").at(&path).because(error))?;
    let mut reader = Reader::new(file).map_err(|error| error.at(&path))?;
    let packed = repaired.anchor.is_none();
    while let Some(record) = reader.next_record().map_err(|error| error.at(&path))? {
        if !packed && record.kind == crate::journal::RecordKind::Origin {
            break;
        }
    }
    repaired.origin = reader.origin().map(str::to_owned);
    if packed {
        repaired.recovered = reader.recovered().unwrap_or_default();
        (repaired.end, repaired.captured) = (reader.now(), reader.captured());
        (repaired.closed, repaired.anchor) = (reader.is_closed(), crate::source::ByteSource::anchor(&reader));
    }
    Ok(())
}

/// The sum of a whole capture.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Sealed {
    /// SHA-256 in hexadecimal: of the file, or of `SHA256SUMS` in the folder of segments.
    pub sha256: String,
    /// Uncompressed bytes of the segments that are still there.
    pub bytes: u64,
}

/// Sums every segment of a capture that nobody writes any more.
///
/// # Errors
/// `System` when the disk fails.
pub fn seal(folder: &Path) -> Result<Sealed> {
    seal_on(&SystemFiles, folder)
}

/// As [`seal`], on a disk of the caller's.
///
/// # Errors
/// As [`seal`].
pub fn seal_on(files: &dyn Files, folder: &Path) -> Result<Sealed> {
    pack::sum_closed(files, folder, u32::MAX)?;
    let sums = Sums::load(files, folder)?;
    let mut bytes = 0;
    for (number, present) in look(files, folder)?.segments {
        bytes += match (present.plain, present.packed) {
            (Some(length), _) => length,
            (None, packed) => length_of_packed(files, folder, number, packed.unwrap_or_default())?,
        };
    }
    Ok(Sealed { sha256: sums.of_all(), bytes })
}

/// Uncompressed length of a packed segment: the last four bytes of a gzip file say it modulo 2^32 (RFC 1952,
/// section 2.3.1), and a segment is far shorter.
fn length_of_packed(files: &dyn Files, folder: &Path, number: u32, packed: u64) -> Result<u64> {
    let path = folder.join(segment::packed_name(number));
    let mut tail = [0u8; 4];
    let found = files.open(&path).and_then(|mut file| file.read_at(packed.saturating_sub(4), &mut tail));
    found
        .map(|_| u64::from(u32::from_le_bytes(tail)))
        .map_err(|error| Error::system("cannot read this segment").at(path).because(error))
}

/// Sums a capture in segments again and compares with the sum that was written down for it.
///
/// Gives one sentence for each segment that is missing or altered; empty when all is as it was. A segment that
/// was removed to make room is missing.
///
/// # Errors
/// `System` when the disk fails.
pub fn verify(folder: &Path, expected: &str) -> Result<Vec<String>> {
    let files = &SystemFiles;
    let sums = Sums::load(files, folder)?;
    let mut wrong = Vec::new();
    if sums.of_all() != expected {
        wrong.push(format!("{} was altered after the capture", segment::SUMS));
    }
    for (number, expected) in &sums.0 {
        match segment::read(files, folder, *number).and_then(segment::sum) {
            Ok((sum, _)) if sum == *expected => {}
            Err(error) if error.kind() == io::ErrorKind::NotFound => {
                wrong.push(format!("{} is missing", name(*number)));
            }
            Err(error) if !pack::is_damage(&error) => {
                return Err(Error::system("cannot read this segment")
                    .at(folder.join(name(*number)))
                    .because(error));
            }
            _ => wrong.push(format!("{} was altered after the capture", name(*number))),
        }
    }
    Ok(wrong)
}
