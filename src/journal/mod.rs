//! What was delivered, kept for ever.
//!
//! # The promise
//!
//! **Acknowledged means on disk.** A record is acknowledged when [`Writer::commit`] (or an `append` that
//! committed by itself) has returned; [`Writer::acknowledged`] counts them. After any kill or power cut every
//! acknowledged record is there, unaltered and in order; a torn tail is cut and reported; nothing that was
//! acknowledged is ever rewritten or moved.
//!
//! # Byte layout, version 1
//!
//! All numbers are little-endian. A file is one header and any number of records, without padding.
//!
//! | header offset | size | what |
//! | --- | --- | --- |
//! | 0 | 8 | `STRAYKEY` in ASCII |
//! | 8 | 4 | version, 1 |
//! | 12 | 4 | zero |
//! | 16 | 8 | wall clock at capture time zero: nanoseconds since 1970-01-01T00:00:00Z, signed |
//! | 24 | 4 | zero |
//! | 28 | 4 | CRC-32C of bytes 0 to 27 |
//!
//! | record offset | size | what |
//! | --- | --- | --- |
//! | 0 | 2 | marker `A5 C3`, by which a reader finds the next record behind damage |
//! | 2 | 1 | kind: 1 origin, 2 bytes, 3 mark, 4 close, 5 entry, 6 alive; others are skipped |
//! | 3 | 1 | source: 0; a number for each port, should one file ever hold several |
//! | 4 | 4 | length of the payload, at most 65536 |
//! | 8 | 4 | CRC-32C of bytes 0 to 7 and 12 to the end of the payload |
//! | 12 | 4 | sequence number, from 0, modulo 2^32 |
//! | 16 | 8 | how many captured bytes stand before this record (the offset that events carry) |
//! | 24 | 8 | capture time in nanoseconds, signed |
//! | 32 | 8 | wall clock when it was appended, nanoseconds since 1970-01-01T00:00:00Z, signed |
//! | 40 | length | payload |
//!
//! Payloads: *origin* is a JSON object that tells the port and its settings; *bytes* are the captured bytes
//! that arrived at that capture time; *mark* is UTF-8, a remark on the capture; *close* is a JSON object
//! with the number of captured bytes, and the last record of a capture that was ended in an orderly way;
//! *entry* is one JSON object of a step log; *alive* has no payload and says that the source was there and
//! silent, so that a quiet soak keeps its length through a crash.
//!
//! CRC-32C is the Castagnoli polynomial (RFC 3720, section 12.1): it finds every change of up to 3 bits and
//! every burst up to 32 bits within a record, and misses other damage once in 2^32.
//!
//! # Writing
//!
//! [`Writer::append`] puts a record into memory; a commit appends all waiting records to the file and syncs
//! it once (group commit). A commit is due when 256 KiB wait, or 50 ms after the first waiting record. No
//! more than that is ever lost, and none of it was acknowledged.
//!
//! # What a crash leaves, moment by moment
//!
//! | moment | on disk | what the reader does |
//! | --- | --- | --- |
//! | before the header is synced | no file, an empty one, or a part of the header | reports an empty capture |
//! | header synced, no record | 32 bytes | an empty capture |
//! | records in memory, commit not begun | as before | they were never acknowledged |
//! | append begun, not synced | any part of the new bytes, in any order of sectors, zeros between | whole records are kept (a gift); a tail without any whole record is cut |
//! | synced, not yet returned | all | all are kept |
//! | disk full in the middle of an append | a part of the new bytes | as torn; the writer refuses further work |
//! | sync failed | unknown | the writer refuses until the file is opened again and looked through |
//! | torn tail found, not yet cut | as before | a second opening finds the same |
//!
//! Damage *before* a whole record is not a tail: it is left where it is, skipped and reported with its
//! place, and reading goes on behind it.
//!
//! # What is assumed of the disk
//!
//! 1. After `fsync` has returned without an error, the bytes survive a power cut.
//! 2. Appending does not change bytes that were synced before.
//! 3. After `fsync` of the folder, the file's name survives a power cut.
//!
//! Not assumed: that a write is atomic, that unsynced sectors arrive in order, that a file whose length has
//! grown holds what was written, that `fsync` may be tried again after it failed.

mod chain;
mod disk;
mod forecast;
mod group;
mod inbox;
mod pack;
mod reader;
mod record;
mod recording;
mod recover;
mod scan;
mod segment;
mod walk;
mod writer;

pub(crate) use disk::sync_folder;
pub use disk::{Disk, FileDisk, Files, Room, SystemFiles};
pub use forecast::{DiskLevel, Forecast};
pub use group::{Group, GroupStatus, Limits, Note, RecordingState, WriterHandle};
pub use reader::{Reader, Recovered};
pub use record::{
    Corruption, HEADER_BYTES, Header, LARGEST_PAYLOAD, MAGIC, OwnedRecord, RECORD_BYTES, Record, RecordKind,
    Status, VERSION,
};
pub use recover::{Repaired, Sealed, recover, recover_on, seal, seal_on, verify};
pub(crate) use segment::hexadecimal;
pub use writer::{Acknowledged, COMMIT_AFTER, COMMIT_BYTES, Writer};
