//! Binary debug bytes to a draft: sync bytes, length and checksum, proposed by search.
//!
//! Nothing here knows a protocol: every proposal is tried on the capture, and what is written is what most of the
//! bytes agree with, with the number of frames that do.

use std::collections::HashMap;
use std::fmt::Write as _;
use std::path::Path;

use crate::base::{Error, Result};
use crate::decode::chassis::Chassis;
use crate::decode::frame::{CheckKind, Checksum, Order};
use crate::learn::draft::quoted;

/// Bytes that are looked at.
pub(super) const MOST_BYTES: usize = 256 << 10;
/// Candidates for the sync bytes that are tried of each length.
const CANDIDATES: usize = 6;
/// Longest frame that is thought of.
const LONGEST: usize = 255;
/// Frames on which checksums are tried.
const MOST_FRAMES: usize = 200;
/// Share of the bytes that must lie in frames, and of the frames that must meet the check.
const LEAST_COVERED: f64 = 0.7;
/// Different frames that must be seen.
const LEAST_DISTINCT: usize = 4;
const LEAST_CHECKED: f64 = 0.97;

/// A proposal for a binary protocol.
#[derive(Clone, Debug)]
pub struct FrameDraft {
    /// Bytes that begin a frame.
    pub sync: Vec<u8>,
    /// Where it ends.
    pub length: LengthDraft,
    /// The check at its end, when one was found.
    pub checksum: Option<Checksum>,
    /// Frames that agree with sync and length.
    pub frames: usize,
    /// Share of the bytes that lie in them.
    pub covered: f64,
    /// Frames that meet the check, of those it was tried on.
    pub checked: (usize, usize),
    /// The text of a file.
    pub text: String,
}

/// Where frames end.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum LengthDraft {
    /// Always this many bytes behind the sync bytes.
    Fixed(usize),
    /// One byte or two at a place behind the sync bytes count the bytes, less some.
    Field {
        /// Place of the field behind the sync bytes.
        at: usize,
        /// Bytes of the field.
        bytes: usize,
        /// Their order.
        order: Order,
        /// Bytes that it does not count.
        plus: usize,
    },
}

impl LengthDraft {
    fn of(self, behind: &[u8]) -> Option<usize> {
        match self {
            Self::Fixed(length) => Some(length),
            Self::Field { at, bytes, order, plus } => {
                let field = behind.get(at..at + bytes)?;
                let value = match (field, order) {
                    ([one], _) => usize::from(*one),
                    ([a, b], Order::Big) => usize::from(*a) << 8 | usize::from(*b),
                    ([a, b], Order::Little) => usize::from(*b) << 8 | usize::from(*a),
                    _ => return None,
                };
                Some(value + plus).filter(|length| (at + bytes..=LONGEST).contains(length))
            }
        }
    }
}

/// Proposes a binary protocol for the bytes of a capture.
///
/// # Errors
/// `Input` when no sync bytes and length agree with most of the bytes.
pub fn learn_frames(bytes: &[u8], name: &str, capture: &str) -> Result<FrameDraft> {
    let bytes = bytes.get(..MOST_BYTES).unwrap_or(bytes);
    let mut best: Option<(f64, Vec<u8>, LengthDraft)> = None;
    for sync in syncs(bytes) {
        for length in lengths(bytes, &sync) {
            let frames = cut(bytes, &sync, length);
            // Longer sync bytes explain more by themselves; a fixed length is the simpler of two alike.
            let simple =
                0.002 * sync.len() as f64 + if matches!(length, LengthDraft::Fixed(_)) { 0.001 } else { 0.0 };
            let score = covered(bytes, &sync, &frames) + simple;
            if frames.len() >= 8 && best.as_ref().is_none_or(|(most, _, _)| score > *most) {
                best = Some((score, sync.clone(), length));
            }
        }
    }
    let found = best.map(|(_, sync, length)| {
        let (sync, length) = lengthened(bytes, sync, length);
        let frames = cut(bytes, &sync, length);
        (covered(bytes, &sync, &frames), sync, length, frames)
    });
    let distinct = |frames: &[&[u8]]| {
        let mut frames = frames.to_vec();
        frames.sort_unstable();
        frames.dedup();
        frames.len()
    };
    let Some((covered, sync, length, frames)) = found.filter(|(covered, _, _, frames)| {
        // Equal frames all the time, or a line that is stuck, show no layout.
        *covered >= LEAST_COVERED && distinct(frames) >= LEAST_DISTINCT
    }) else {
        return Err(Error::input("no sync bytes and no length agree with most of these bytes").help(
            "capture longer, check the rate and framing of the port, or describe [frame] by hand (protocol new)",
        ));
    };
    let tried: Vec<&[u8]> = frames.iter().copied().take(MOST_FRAMES).collect();
    let checksum = checksums().into_iter().find(|checksum| {
        let right = tried.iter().filter(|frame| meets(checksum, &sync, frame)).count();
        right as f64 >= LEAST_CHECKED * tried.len() as f64
    });
    let right = checksum.as_ref().map_or(0, |c| tried.iter().filter(|frame| meets(c, &sync, frame)).count());
    let mut draft = FrameDraft {
        sync,
        length,
        checksum,
        frames: frames.len(),
        covered,
        checked: (right, tried.len()),
        text: String::new(),
    };
    draft.text = write(&draft, &frames, name, capture);
    Chassis::parse(&Path::new(name).with_extension("toml"), &draft.text)?;
    Ok(draft)
}

/// Rows of bytes that come more often than chance, longest first.
fn syncs(bytes: &[u8]) -> Vec<Vec<u8>> {
    let mut out = Vec::new();
    for length in [4, 3, 2, 1] {
        let mut counts: HashMap<&[u8], usize> = HashMap::new();
        for row in bytes.windows(length) {
            *counts.entry(row).or_default() += 1;
        }
        let mut ranked: Vec<(&[u8], usize)> = counts.into_iter().filter(|(_, count)| *count >= 8).collect();
        ranked.sort_by(|a, b| b.1.cmp(&a.1).then(a.0.cmp(b.0)));
        out.extend(ranked.into_iter().take(CANDIDATES).map(|(row, _)| row.to_vec()));
    }
    out
}

/// Lengths that lead from one sync to another, most often first.
fn lengths(bytes: &[u8], sync: &[u8]) -> Vec<LengthDraft> {
    let places: Vec<usize> = memchr::memmem::find_iter(bytes, sync).take(4_096).collect();
    let is_place = |place: usize| places.binary_search(&place).is_ok() || place == bytes.len();
    let mut found: Vec<(usize, LengthDraft)> = Vec::new();
    let mut gaps: HashMap<usize, usize> = HashMap::new();
    for pair in places.windows(2) {
        if let Some(gap) =
            (pair[1] - pair[0]).checked_sub(sync.len()).filter(|gap| (1..=LONGEST).contains(gap))
        {
            *gaps.entry(gap).or_default() += 1;
        }
    }
    found.extend(gaps.into_iter().map(|(gap, count)| (count, LengthDraft::Fixed(gap))));
    for at in 0..4 {
        for (width, order) in [(1, Order::Big), (2, Order::Big), (2, Order::Little)] {
            for plus in 0..=8 {
                let length = LengthDraft::Field { at, bytes: width, order, plus };
                let leads = |place: &&usize| {
                    let behind = bytes.get(**place + sync.len()..).unwrap_or_default();
                    length.of(behind).is_some_and(|length| is_place(**place + sync.len() + length))
                };
                found.push((places.iter().filter(leads).count(), length));
            }
        }
    }
    found.sort_by(|a, b| b.0.cmp(&a.0).then(format!("{:?}", a.1).cmp(&format!("{:?}", b.1))));
    found.into_iter().take(4).filter(|(count, _)| *count >= 6).map(|(_, length)| length).collect()
}

/// The frames that follow from sync and length, each ended by another or by the end: without the sync bytes.
fn cut<'a>(bytes: &'a [u8], sync: &[u8], length: LengthDraft) -> Vec<&'a [u8]> {
    let mut frames = Vec::new();
    let mut at = 0;
    while let Some(found) = memchr::memmem::find(bytes.get(at..).unwrap_or_default(), sync) {
        let start = at + found + sync.len();
        let behind = bytes.get(start..).unwrap_or_default();
        let frame = length.of(behind).and_then(|length| behind.get(..length));
        let ends = frame.filter(|frame| {
            let next = behind.get(frame.len()..).unwrap_or_default();
            next.is_empty() || next.starts_with(sync)
        });
        match ends {
            Some(frame) => {
                frames.push(frame);
                at = start + frame.len();
            }
            None => at = at + found + 1,
        }
    }
    frames
}

/// Takes bytes that are the same in all frames to the sync bytes, up to four and up to the length field.
fn lengthened(bytes: &[u8], mut sync: Vec<u8>, mut length: LengthDraft) -> (Vec<u8>, LengthDraft) {
    while sync.len() < 4 {
        let frames = cut(bytes, &sync, length);
        let Some(first) = frames.first().and_then(|frame| frame.first()).copied() else { break };
        let shorter = match length {
            LengthDraft::Fixed(length) => LengthDraft::Fixed(length.saturating_sub(1)),
            LengthDraft::Field { at, bytes, order, plus } if at > 0 && plus > 0 => {
                LengthDraft::Field { at: at - 1, bytes, order, plus: plus - 1 }
            }
            LengthDraft::Field { .. } => break,
        };
        if shorter == LengthDraft::Fixed(0) || !frames.iter().all(|frame| frame.first() == Some(&first)) {
            break;
        }
        sync.push(first);
        length = shorter;
    }
    (sync, length)
}

#[allow(clippy::cast_precision_loss)]
fn covered(bytes: &[u8], sync: &[u8], frames: &[&[u8]]) -> f64 {
    let inside: usize = frames.iter().map(|frame| frame.len() + sync.len()).sum();
    inside as f64 / bytes.len().max(1) as f64
}

fn meets(checksum: &Checksum, sync: &[u8], frame: &[u8]) -> bool {
    let Some((body, check)) =
        frame.len().checked_sub(checksum.bytes()).and_then(|at| frame.split_at_checked(at))
    else {
        return false;
    };
    if body.is_empty() {
        return false;
    }
    let fold = |value: u32, byte: &u8| value << 8 | u32::from(*byte);
    let stated = match checksum.order {
        Order::Big => check.iter().fold(0, fold),
        Order::Little => check.iter().rev().fold(0, fold),
    };
    let made = if checksum.with_sync { checksum.of(&[sync, body].concat()) } else { checksum.of(body) };
    made == stated
}

/// The checks that are tried, simplest last among the equally wide, widest first: a narrow one is met by chance.
///
/// # Source
/// Polynomials, start values and mirrorings of the usual catalogue entries (CRC-32/ISO-HDLC, /BZIP2, /MPEG-2, /JAMCRC;
/// CRC-16/XMODEM, /CCITT-FALSE, /KERMIT, /X-25, /ARC, /MODBUS, /BUYPASS; CRC-8/SMBUS, /ITU, /MAXIM, /ROHC), from memory.
fn checksums() -> Vec<Checksum> {
    let crc = |bits, polynomial, initial, reflect, final_xor| {
        (CheckKind::Crc, bits, polynomial, initial, reflect, final_xor)
    };
    let kinds = [
        crc(32, 0x04c1_1db7, u32::MAX, true, u32::MAX),
        crc(32, 0x04c1_1db7, u32::MAX, false, u32::MAX),
        crc(32, 0x04c1_1db7, u32::MAX, false, 0),
        crc(32, 0x04c1_1db7, u32::MAX, true, 0),
        crc(16, 0x1021, 0, false, 0),
        crc(16, 0x1021, 0xffff, false, 0),
        crc(16, 0x1021, 0, true, 0),
        crc(16, 0x1021, 0xffff, true, 0xffff),
        crc(16, 0x8005, 0, true, 0),
        crc(16, 0x8005, 0xffff, true, 0),
        crc(16, 0x8005, 0, false, 0),
        (CheckKind::Sum, 16, 0, 0, false, 0),
        (CheckKind::Sum, 16, 0, 0, false, 0xffff),
        crc(8, 0x07, 0, false, 0),
        crc(8, 0x07, 0, false, 0x55),
        crc(8, 0x31, 0, true, 0),
        crc(8, 0x07, 0xff, true, 0),
        (CheckKind::Sum, 8, 0, 0, false, 0),
        (CheckKind::Sum, 8, 0, 0, false, 0xff),
        // Two's complement of the sum: the inverse of the sum of all bytes and 255.
        (CheckKind::Sum, 8, 0, 0xff, false, 0xff),
        (CheckKind::Xor, 8, 0, 0, false, 0),
        (CheckKind::Xor, 8, 0, 0, false, 0xff),
    ];
    let mut out = Vec::new();
    for (kind, bits, polynomial, initial, reflect, final_xor) in kinds {
        for with_sync in [false, true] {
            for order in [Order::Big, Order::Little].into_iter().take(if bits == 8 { 1 } else { 2 }) {
                out.push(Checksum {
                    kind,
                    bits,
                    polynomial,
                    initial,
                    reflect_in: reflect,
                    reflect_out: reflect,
                    final_xor,
                    order,
                    with_sync,
                });
            }
        }
    }
    out
}

fn order(order: Order) -> &'static str {
    if order == Order::Big { "big" } else { "little" }
}

fn write(draft: &FrameDraft, frames: &[&[u8]], name: &str, capture: &str) -> String {
    let mut out = format!(
        "# {name}: a draft, learned from binary bytes. unknown: what the fields mean.\n\n[chassis]\nname = {}\nversion = 1\nabout = {}\nsource = {}\n",
        quoted(name),
        quoted("draft; say here which sets send this"),
        quoted(&format!("learned from the capture {capture}"))
    );
    let hex: Vec<String> = draft.sync.iter().map(|byte| format!("0x{byte:02x}")).collect();
    let _ = write!(
        out,
        "\n# {} frames, {:.1} % of the bytes, are each followed by the next.\n[frame]\nsync = [{}]\n",
        draft.frames,
        100.0 * draft.covered,
        hex.join(", ")
    );
    let _ = match draft.length {
        LengthDraft::Fixed(length) => writeln!(out, "length = {{ fixed = {length} }}"),
        LengthDraft::Field { at, bytes, order: o, plus } => writeln!(
            out,
            "length = {{ at = {at}, bytes = {bytes}, order = \"{}\", plus = {plus} }}",
            order(o)
        ),
    };
    let (right, tried) = draft.checked;
    match &draft.checksum {
        Some(c) => {
            let kind = match c.kind {
                CheckKind::Sum => "sum",
                CheckKind::Xor => "xor",
                CheckKind::Crc => "crc",
            };
            let _ = writeln!(
                out,
                "# {right} of {tried} frames meet this check; one of random bytes does so once in {:.0}.\nchecksum = {{ kind = \"{kind}\", bits = {}, polynomial = {:#x}, initial = {:#x}, reflect_in = {}, reflect_out = {}, final_xor = {:#x}, order = \"{}\", with_sync = {} }}",
                2f64.powi(i32::from(c.bits)),
                c.bits,
                c.polynomial,
                c.initial,
                c.reflect_in,
                c.reflect_out,
                c.final_xor,
                order(c.order),
                c.with_sync
            );
        }
        None => {
            out.push_str(
                "# unknown: the check; none of the usual ones is met by the frames.\nintegrity = \"none\"\n",
            );
        }
    }
    for line in fields(frames) {
        let _ = writeln!(out, "# {line}");
    }
    out.push_str(
        "\n# unknown: what the packets mean; read past until you say.\n[[packet]]\nevent = \"ignore\"\n",
    );
    if let Some(frame) = frames.first() {
        let hex: Vec<String> = draft.sync.iter().chain(*frame).map(|byte| format!("{byte:02x}")).collect();
        let _ = write!(
            out,
            "\n[[example]]\nsource = {}\nhex = \"{}\"\nevents = []\n",
            quoted(&format!("cut from {capture}")),
            hex.join(" ")
        );
    }
    out
}

/// What each byte place does over the frames, for who goes on from here.
fn fields(frames: &[&[u8]]) -> Vec<String> {
    let shortest = frames.iter().map(|frame| frame.len()).min().unwrap_or(0).min(16);
    (0..shortest)
        .map(|place| {
            let mut values: Vec<u8> = frames.iter().filter_map(|frame| frame.get(place).copied()).collect();
            values.sort_unstable();
            values.dedup();
            let range =
                format!("{:#04x} to {:#04x}", values.first().unwrap_or(&0), values.last().unwrap_or(&0));
            match values.len() {
                1 => format!("byte {place}: always {:#04x}", values[0]),
                few @ 2..=8 => format!("byte {place}: {few} values, {range}: a kind, a state or a key"),
                many => format!("byte {place}: {many} values, {range}"),
            }
        })
        .collect()
}
