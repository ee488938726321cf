//! One framed record to bytes and back.

/// First bytes of every journal.
pub const MAGIC: [u8; 8] = *b"STRAYKEY";

/// The version that is written.
pub const VERSION: u32 = 1;

/// Length of the file header in bytes.
pub const HEADER_BYTES: usize = 32;

/// Length of a record without its payload in bytes.
pub const RECORD_BYTES: usize = 40;

/// Longest payload in bytes; longer pieces are split by the writer.
pub const LARGEST_PAYLOAD: usize = 1 << 16;

/// First bytes of every record.
pub(super) const MARKER: [u8; 2] = [0xa5, 0xc3];

/// What a record holds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum RecordKind {
    /// JSON: where the bytes come from.
    Origin,
    /// Captured bytes.
    Bytes,
    /// UTF-8: a remark on the capture.
    Mark,
    /// JSON: the capture was ended in an orderly way.
    Close,
    /// JSON: one entry of a step log.
    Entry,
    /// Nothing: the source was there and silent.
    Alive,
    /// JSON: a mark by its type ([`What`](crate::source::What)). Programs before 0.2.0 skip it.
    Typed,
    /// A kind that this program does not know yet.
    Other(u8),
}

impl RecordKind {
    const fn code(self) -> u8 {
        match self {
            Self::Origin => 1,
            Self::Bytes => 2,
            Self::Mark => 3,
            Self::Close => 4,
            Self::Entry => 5,
            Self::Alive => 6,
            Self::Typed => 7,
            Self::Other(code) => code,
        }
    }

    const fn from_code(code: u8) -> Self {
        match code {
            1 => Self::Origin,
            2 => Self::Bytes,
            3 => Self::Mark,
            4 => Self::Close,
            5 => Self::Entry,
            6 => Self::Alive,
            7 => Self::Typed,
            other => Self::Other(other),
        }
    }
}

/// A whole record.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Record<'a> {
    /// What it holds.
    pub kind: RecordKind,
    /// Number of the source, 0.
    pub source: u8,
    /// Number of the record in the file, from 0, modulo 2^32.
    pub sequence: u32,
    /// Captured bytes before this record.
    pub offset: u64,
    /// Capture time in nanoseconds.
    pub t: i64,
    /// Wall clock in nanoseconds since 1970-01-01T00:00:00Z.
    pub wall: i64,
    /// What it holds.
    pub payload: &'a [u8],
}

/// A record that owns its payload.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct OwnedRecord {
    /// What it holds.
    pub kind: RecordKind,
    /// Number of the record in the file.
    pub sequence: u32,
    /// Captured bytes before this record.
    pub offset: u64,
    /// Capture time in nanoseconds.
    pub t: i64,
    /// Wall clock in nanoseconds since 1970-01-01T00:00:00Z.
    pub wall: i64,
    /// What it holds.
    pub payload: Vec<u8>,
}

/// How a record is damaged.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Corruption {
    /// The marker is missing.
    Marker,
    /// The length is beyond what is ever written.
    Length(u32),
    /// The checksum in the record and the one of its bytes differ.
    Checksum {
        /// As it stands in the record.
        written: u32,
        /// As the bytes give it.
        computed: u32,
    },
}

/// What stands at the head of some bytes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Status<'a> {
    /// A whole record, and its length with everything.
    Valid(Record<'a>, usize),
    /// The beginning of one: so many bytes are needed to know more.
    Torn(usize),
    /// No record.
    Corrupt(Corruption),
}

fn number<const N: usize>(bytes: &[u8], at: usize) -> [u8; N] {
    let mut field = [0; N];
    if let Some(part) = bytes.get(at..at + N) {
        field.copy_from_slice(part);
    }
    field
}

/// Checksum of a record: everything but the checksum itself. `bytes` is at least a record's head.
fn checksum(bytes: &[u8]) -> u32 {
    let before = bytes.get(..8).unwrap_or_default();
    let after = bytes.get(12..).unwrap_or_default();
    crc32c::crc32c_append(crc32c::crc32c(before), after)
}

impl<'a> Record<'a> {
    /// Appends the framed record. `payload` is [`LARGEST_PAYLOAD`] at most.
    pub(super) fn write(&self, out: &mut Vec<u8>) {
        debug_assert!(self.payload.len() <= LARGEST_PAYLOAD);
        let start = out.len();
        let length = u32::try_from(self.payload.len()).unwrap_or(u32::MAX);
        out.extend_from_slice(&MARKER);
        out.push(self.kind.code());
        out.push(self.source);
        out.extend_from_slice(&length.to_le_bytes());
        out.extend_from_slice(&[0; 4]);
        out.extend_from_slice(&self.sequence.to_le_bytes());
        out.extend_from_slice(&self.offset.to_le_bytes());
        out.extend_from_slice(&self.t.to_le_bytes());
        out.extend_from_slice(&self.wall.to_le_bytes());
        out.extend_from_slice(self.payload);
        let sum = checksum(out.get(start..).unwrap_or_default()).to_le_bytes();
        if let Some(field) = out.get_mut(start + 8..start + 12) {
            field.copy_from_slice(&sum);
        }
    }

    /// Looks at the head of `bytes`.
    pub fn read(bytes: &'a [u8]) -> Status<'a> {
        let marker = bytes.get(..MARKER.len().min(bytes.len())).unwrap_or_default();
        if !MARKER.starts_with(marker) {
            return Status::Corrupt(Corruption::Marker);
        }
        if bytes.len() < 8 {
            return Status::Torn(RECORD_BYTES);
        }
        let length = u32::from_le_bytes(number(bytes, 4));
        let size = length as usize;
        if size > LARGEST_PAYLOAD {
            return Status::Corrupt(Corruption::Length(length));
        }
        let Some(whole) = bytes.get(..RECORD_BYTES + size) else {
            return Status::Torn(RECORD_BYTES + size);
        };
        let written = u32::from_le_bytes(number(whole, 8));
        let computed = checksum(whole);
        if written != computed {
            return Status::Corrupt(Corruption::Checksum { written, computed });
        }
        Status::Valid(Self::view(whole), whole.len())
    }

    /// The fields of a whole record whose checksum was found right before.
    pub(super) fn view(whole: &'a [u8]) -> Self {
        Record {
            kind: RecordKind::from_code(whole.get(2).copied().unwrap_or_default()),
            source: whole.get(3).copied().unwrap_or_default(),
            sequence: u32::from_le_bytes(number(whole, 12)),
            offset: u64::from_le_bytes(number(whole, 16)),
            t: i64::from_le_bytes(number(whole, 24)),
            wall: i64::from_le_bytes(number(whole, 32)),
            payload: whole.get(RECORD_BYTES..).unwrap_or_default(),
        }
    }

    /// With a payload of its own.
    pub fn to_owned(&self) -> OwnedRecord {
        OwnedRecord {
            kind: self.kind,
            sequence: self.sequence,
            offset: self.offset,
            t: self.t,
            wall: self.wall,
            payload: self.payload.to_vec(),
        }
    }
}

/// The head of a journal file.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Header {
    /// Wall clock at capture time zero, nanoseconds since 1970-01-01T00:00:00Z.
    pub anchor: i64,
}

/// What stands at the head of a file.
pub(super) enum HeaderStatus {
    Valid(Header),
    /// A journal, but its header is damaged.
    Damaged,
    /// A journal of a later program.
    Newer(u32),
    /// Something else.
    Foreign,
    /// A part of a header, or nothing.
    Torn,
}

impl Header {
    pub(super) fn write(self) -> [u8; HEADER_BYTES] {
        let mut bytes = Vec::with_capacity(HEADER_BYTES);
        bytes.extend_from_slice(&MAGIC);
        bytes.extend_from_slice(&VERSION.to_le_bytes());
        bytes.extend_from_slice(&[0; 4]);
        bytes.extend_from_slice(&self.anchor.to_le_bytes());
        bytes.extend_from_slice(&[0; 4]);
        bytes.extend_from_slice(&crc32c::crc32c(&bytes).to_le_bytes());
        number(&bytes, 0)
    }

    /// `bytes` is the first part of the file, longer than the header if the file is.
    pub(super) fn read(bytes: &[u8]) -> HeaderStatus {
        let magic_is_there = bytes.starts_with(&MAGIC);
        let Some(head) = bytes.get(..HEADER_BYTES) else {
            let begun = magic_is_there || MAGIC.starts_with(bytes);
            return if begun { HeaderStatus::Torn } else { HeaderStatus::Foreign };
        };
        // A record right behind the header shows that only the header's first bytes are damaged.
        let record_follows = bytes.get(HEADER_BYTES..).is_some_and(|rest| rest.starts_with(&MARKER));
        if !magic_is_there {
            return if record_follows { HeaderStatus::Damaged } else { HeaderStatus::Foreign };
        }
        let sum = crc32c::crc32c(head.get(..28).unwrap_or_default());
        if sum != u32::from_le_bytes(number(head, 28)) {
            return HeaderStatus::Damaged;
        }
        match u32::from_le_bytes(number(head, 8)) {
            VERSION => HeaderStatus::Valid(Self { anchor: i64::from_le_bytes(number(head, 16)) }),
            version => HeaderStatus::Newer(version),
        }
    }
}
