//! Packing of closed segments.
//!
//! | moment | in the folder | what an opening does |
//! | --- | --- | --- |
//! | being packed | plain, and a part under `.gz.new` | the part is removed |
//! | packed, checked against the sum, renamed | both | the packed one is checked again, the plain one removed |
//! | done | packed | nothing |
//!
//! The plain file goes only after the packed one was read back from the disk, gave the sum that stands in
//! `SHA256SUMS`, and its name was made safe.

use std::io::{self, Write};
use std::path::Path;

use flate2::Compression;
use flate2::write::GzEncoder;

use crate::base::{Error, Result};
use crate::journal::disk::{Disk, Files};
use crate::journal::segment::{self, Sums, look, name, packed_name, remove_if_there, unfinished};

/// A file as something to write to.
struct Out(Box<dyn Disk>);

impl Write for Out {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.0.write(bytes)
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

/// Sums every closed segment below `below` that has no sum yet. `true` when something was added.
pub(super) fn sum_closed(files: &dyn Files, folder: &Path, below: u32) -> Result<bool> {
    let mut sums = Sums::load(files, folder)?;
    let listing = look(files, folder)?;
    let mut added = false;
    for number in listing.segments.keys().filter(|number| **number < below) {
        added |= sums.add(files, folder, *number)?;
    }
    if added {
        sums.save(files, folder)?;
    }
    Ok(added)
}

/// Numbers of the summed segments below `below` that are not packed yet.
pub(super) fn unpacked(files: &dyn Files, folder: &Path, below: u32) -> Result<Vec<u32>> {
    let sums = Sums::load(files, folder)?;
    let listing = look(files, folder)?;
    let plain = listing.segments.iter().filter(|(_, present)| present.plain.is_some());
    Ok(plain
        .map(|(number, _)| *number)
        .filter(|number| *number < below && sums.0.contains_key(number))
        .collect())
}

/// Packs one closed segment whose sum is known.
///
/// # Errors
/// `System` when the disk fails or is full: the plain segment is still there, and it may be tried again.
/// `Input` when the plain segment has no longer the sum that it had when it was closed; it is left alone.
pub(super) fn pack(files: &dyn Files, folder: &Path, number: u32) -> Result<()> {
    let plain = folder.join(name(number));
    let packed = folder.join(packed_name(number));
    let failed = |error| Error::system("cannot pack this segment").at(&plain).because(error);
    let sums = Sums::load(files, folder)?;
    let Some(expected) = sums.0.get(&number) else {
        return Err(Error::system("this segment has no sum yet").at(&plain));
    };
    let new = unfinished(&packed);
    remove_if_there(files, &new).map_err(failed)?;
    let result = squeeze(files, &plain, &new).and_then(|()| {
        let file = files.read(&new)?;
        segment::sum(Box::new(flate2::read::MultiGzDecoder::new(file)))
    });
    let written = match result {
        Ok((sum, _)) => sum,
        Err(error) => {
            // What is left of it is removed at the next attempt or opening in any case.
            let _ = files.remove(&new);
            return Err(failed(error));
        }
    };
    if written != *expected {
        let _ = files.remove(&new);
        return Err(Error::input("this segment was altered after it was closed; it is not packed").at(plain));
    }
    files
        .rename(&new, &packed)
        .and_then(|()| files.sync_folder(folder))
        .and_then(|()| files.remove(&plain))
        .and_then(|()| files.sync_folder(folder))
        .map_err(failed)
}

fn squeeze(files: &dyn Files, plain: &Path, new: &Path) -> io::Result<()> {
    let mut from = files.read(plain)?;
    // No name and no time in the head: the same segment always packs to the same bytes.
    let mut to =
        GzEncoder::new(io::BufWriter::with_capacity(256 << 10, Out(files.create(new)?)), Compression::new(6));
    io::copy(&mut from, &mut to)?;
    let mut out = to.finish()?;
    out.flush()?;
    let mut disk = out.into_inner().map_err(io::IntoInnerError::into_error)?;
    disk.0.sync()
}

/// Settles a number under which both a plain and a packed file lie, after a crash between the two names:
/// the packed one stays if it gives the sum, else the plain one.
pub(super) fn settle(files: &dyn Files, folder: &Path, number: u32, sums: &Sums) -> Result<()> {
    let failed = |error| Error::system("cannot tidy this capture").at(folder).because(error);
    let good = match (sums.0.get(&number), segment::read_packed(files, folder, number)) {
        (Some(expected), Ok(packed)) => match segment::sum(packed) {
            Ok((sum, _)) => sum == *expected,
            Err(error) if is_damage(&error) => false,
            Err(error) => return Err(failed(error)),
        },
        (None, _) => false,
        (_, Err(error)) => return Err(failed(error)),
    };
    let superfluous = if good { name(number) } else { packed_name(number) };
    files.remove(&folder.join(superfluous)).and_then(|()| files.sync_folder(folder)).map_err(failed)
}

/// Whether an error of the unpacker speaks of the bytes rather than of the disk.
pub(super) fn is_damage(error: &io::Error) -> bool {
    matches!(
        error.kind(),
        io::ErrorKind::InvalidInput | io::ErrorKind::InvalidData | io::ErrorKind::UnexpectedEof
    )
}
