//! `[frame]` and `[[packet]]` made ready: each packet is treated like a record whose placeholders are fields.

use std::ops::Range;
use std::sync::Arc;

use toml::Spanned;

use crate::base::{Name, Result};
use crate::decode::chassis::compile::{Compiler, right_names};
use crate::decode::chassis::{Frames, PacketPattern, Tell};
use crate::decode::frame::{Field, FrameFile, LONGEST_FRAME, Layout, Packet};
use crate::decode::ladder::Windows;
use crate::decode::protocol::{Record, Role};
use crate::decode::shape::{MOST_PLACEHOLDERS, Part, Placeholder, Shape};

/// What a frame with a check proves when a chassis is recognised, as fixed characters of a line would.
const PROOF_WITH_CHECK: u64 = 8;
/// What one without proves, per sync byte.
const PROOF_PER_SYNC_BYTE: u64 = 2;

impl Compiler<'_> {
    pub(super) fn frames(&self, lines: &[(Name, Arc<Windows>)]) -> Result<Option<Frames>> {
        let Some(file) = &self.file.frame else {
            return match self.file.packet.first() {
                Some(packet) => Err(self.mistake(
                    packet.event.span(),
                    "a [[packet]] without [frame]",
                    "expected [frame] with sync, length and checksum",
                )),
                None => Ok(None),
            };
        };
        let layout = self.layout(file)?;
        let mut packets = Vec::new();
        for (index, packet) in self.file.packet.iter().enumerate() {
            packets.push(self.packet(index, file, packet, &layout, lines)?);
        }
        if packets.is_empty() {
            return Err(self.mistake(
                file.sync.span(),
                "[frame] without [[packet]]",
                "expected what frames mean",
            ));
        }
        // The more is asked of a frame, the more specific its kind; the sort keeps the order of the file.
        packets.sort_by_key(|packet: &PacketPattern| std::cmp::Reverse(packet.when.len()));
        Ok(Some(Frames { layout, packets }))
    }

    fn layout(&self, file: &FrameFile) -> Result<Layout> {
        let sync = file.sync.get_ref();
        if sync.is_empty() || sync.len() > 8 {
            return Err(self.mistake(file.sync.span(), "sync bytes", "expected 1 to 8 bytes"));
        }
        let length = file.length.get_ref();
        let ways = [length.fixed.is_some(), length.at.is_some(), length.end.is_some()];
        let sound = ways.iter().filter(|way| **way).count() == 1
            && length.fixed.is_none_or(|fixed| (1..=file.longest).contains(&fixed))
            && length.at.is_none_or(|at| at < file.longest)
            && (1..=2).contains(&length.bytes)
            && length.end.as_ref().is_none_or(|end| (1..=8).contains(&end.len()));
        if !sound {
            let expected =
                "expected one of { fixed = N }, { at = N, plus = N } with 1 or 2 bytes, { end = [N] }";
            return Err(self.mistake(file.length.span(), "where a frame ends", expected));
        }
        if !(4..=LONGEST_FRAME).contains(&file.longest) {
            let what = format!("a longest frame of {} bytes", file.longest);
            return Err(self.mistake(
                file.sync.span(),
                &what,
                &format!("expected longest = 4 to {LONGEST_FRAME}"),
            ));
        }
        if let Some(stuffing) = &file.stuffing
            && stuffing.get_ref().xor.is_none()
            && stuffing.get_ref().pairs.is_empty()
        {
            return Err(self.mistake(
                stuffing.span(),
                "stuffing that hides nothing",
                "expected `xor` or `pairs`",
            ));
        }
        self.integrity(file)?;
        Ok(Layout {
            sync: sync.clone(),
            length: length.clone(),
            longest: file.longest,
            stuffing: file.stuffing.as_ref().map(|stuffing| stuffing.get_ref().clone()),
            steps: Box::new(std::array::from_fn(|high| {
                // At most 255.
                #[allow(clippy::cast_possible_truncation)]
                file.checksum.as_ref().map_or(0, |checksum| checksum.get_ref().step(high as u8))
            })),
            checksum: file.checksum.as_ref().map(|checksum| checksum.get_ref().clone()),
        })
    }

    /// A frame has a checksum, or the file says that it has none.
    fn integrity(&self, file: &FrameFile) -> Result<()> {
        match (&file.checksum, &file.integrity) {
            (Some(checksum), None) => match checksum.get_ref().mistake() {
                Some((what, expected)) => Err(self.mistake(checksum.span(), what, expected)),
                None => Ok(()),
            },
            (None, Some(integrity)) if integrity.get_ref() == "none" => Ok(()),
            (_, Some(integrity)) => {
                let expected = "expected \"none\", and no checksum beside it";
                Err(self.mistake(integrity.span(), "how sound a frame is", expected))
            }
            (None, None) => Err(self.mistake(
                file.sync.span(),
                "frames without a checksum",
                "expected checksum = { … }, or integrity = \"none\" if there is none",
            )),
        }
    }

    fn packet(
        &self,
        index: usize,
        file: &FrameFile,
        packet: &Packet,
        layout: &Layout,
        lines: &[(Name, Arc<Windows>)],
    ) -> Result<PacketPattern> {
        let fields: Vec<&Spanned<Field>> = file.fields.iter().chain(&packet.fields).collect();
        self.check_fields(packet, &fields, layout, lines)?;
        let mut when = Vec::new();
        for (name, value) in &packet.when {
            let Some(field) = fields.iter().find(|field| field.get_ref().name == *name) else {
                let names: Vec<&str> = fields.iter().map(|field| field.get_ref().name.as_str()).collect();
                let expected = format!("expected one of {}", names.join(", "));
                return Err(self.mistake(value.span(), &format!("there is no field `{name}`"), &expected));
            };
            when.push(Tell::new(field.get_ref(), *value.get_ref()));
        }
        let conditions: Vec<String> =
            packet.when.iter().map(|(name, value)| format!("{name} = {}", value.get_ref())).collect();
        let shape = Shape {
            text: format!("packet {}", conditions.join(", ")),
            parts: fields.iter().map(|field| Part::Placeholder(as_placeholder(field.get_ref()))).collect(),
            prefix_parts: 0,
        };
        let record = packet.as_record(Spanned::new(packet.event.span(), shape.text.clone()));
        let mut pattern = self.pattern(index, &record, shape, lines)?;
        pattern.weight = match layout.checksum {
            Some(_) => PROOF_WITH_CHECK,
            None => (PROOF_PER_SYNC_BYTE * layout.sync.len() as u64).min(PROOF_WITH_CHECK),
        };
        let fields: Vec<Field> = fields.into_iter().map(|field| field.get_ref().clone()).collect();
        let spoken = (0..fields.len()).map(|field| pattern.is_spoken(field)).collect();
        Ok(PacketPattern { when, fields, spoken, pattern })
    }

    fn check_fields(
        &self,
        packet: &Packet,
        fields: &[&Spanned<Field>],
        layout: &Layout,
        lines: &[(Name, Arc<Windows>)],
    ) -> Result<()> {
        if fields.len() > MOST_PLACEHOLDERS {
            let expected = format!("expected at most {MOST_PLACEHOLDERS}");
            return Err(self.mistake(packet.event.span(), &format!("{} fields", fields.len()), &expected));
        }
        for (i, field) in fields.iter().enumerate() {
            let span: Range<usize> = field.span();
            let Field { name, .. } = field.get_ref();
            if let Some((what, expected)) = field.get_ref().mistake() {
                return Err(self.mistake(span, what, expected));
            }
            if fields.iter().skip(i + 1).any(|other| other.get_ref().name == *name) {
                let what = format!("the field `{name}` stands twice");
                return Err(self.mistake(span, &what, "expected each name once"));
            }
            let known = Role::from_name(name).is_some() || lines.iter().any(|(line, _)| **line == **name);
            if !known && !name.starts_with('_') {
                let what = format!("no field is called `{name}`");
                return Err(self.mistake(span, &what, &right_names(name, lines)));
            }
            if field.get_ref().reach() > layout.longest {
                let expected = format!("expected it to end within {} bytes", layout.longest);
                return Err(self.mistake(span, "a field beyond the longest frame", &expected));
            }
        }
        Ok(())
    }
}

fn as_placeholder(field: &Field) -> Placeholder {
    Placeholder { name: field.name.clone(), form: field.as_form(), width: None, stop: None, span: 0..0 }
}

impl Packet {
    /// The packet as the record that a line of text would be.
    pub(crate) fn as_record(&self, shape: Spanned<String>) -> Record {
        Record {
            shape,
            event: self.event.clone(),
            prefix: false,
            bits: std::collections::BTreeMap::new(),
            path: self.path,
            key: self.key.clone(),
            key_from: self.key_from.clone(),
            state: self.state.clone(),
            line: self.line.clone(),
            item: self.item.clone(),
            value: self.value.clone(),
            values: self.values.clone(),
            format: self.format.clone(),
            note: self.note.clone(),
            notes: self.notes.clone(),
        }
    }
}
