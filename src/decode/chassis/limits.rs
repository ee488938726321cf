//! How much a chassis file may ask for: a file from a stranger can cost a second at most, not an afternoon.
//!
//! Every number is far above what a described set needs, and is checked before the work that it bounds.

use crate::base::{Error, Result};
use crate::decode::chassis::compile::{Compiler, MOST_SHAPES};

/// Longest shape or prefix, bytes.
const LONGEST_SHAPE: usize = 1_024;
/// Most keypad lines.
const MOST_LINES: usize = 16;
/// Most keys of one line: a keypad ladder has a dozen.
const MOST_KEYS: usize = 64;
/// Most readings times keys of all lines together: the windows are tabled reading by reading.
const MOST_WINDOW_WORK: u64 = 1 << 25;
/// Most examples.
const MOST_EXAMPLES: usize = 1_000;
/// Most kinds of frame, and most fields of one.
const MOST_PACKETS: usize = 1_000;
const MOST_FIELDS: usize = 64;

impl Compiler<'_> {
    /// Refuses a file that asks for more than a chassis can need.
    pub(super) fn check_limits(&self) -> Result<()> {
        self.check_shapes()?;
        self.check_lines()?;
        self.check_frames()?;
        if let Some(example) = self.file.example.get(MOST_EXAMPLES) {
            let span = example.input.as_ref().or(example.hex.as_ref()).map_or(0..0, |text| text.span());
            let what = format!("the file has {} examples", self.file.example.len());
            return Err(self.mistake(span, &what, &format!("expected at most {MOST_EXAMPLES}")));
        }
        Ok(())
    }

    fn check_shapes(&self) -> Result<()> {
        let records = &self.file.record;
        let prefixes = &self.file.text.prefixes;
        for shape in prefixes.iter().chain(records.iter().map(|record| &record.shape)) {
            if shape.get_ref().len() > LONGEST_SHAPE {
                let what = format!("a shape of {} bytes", shape.get_ref().len());
                return Err(self.mistake(shape.span(), &what, &format!("expected at most {LONGEST_SHAPE}")));
            }
        }
        let with = records.iter().filter(|record| record.prefix).count();
        let shapes = with.saturating_mul(prefixes.len().max(1)) + (records.len() - with);
        if shapes > MOST_SHAPES {
            return Err(Error::input(format!("the file makes {shapes} shapes")).at(self.path).help(format!(
                "a chassis has 1 to {MOST_SHAPES} shapes (records times prefixes), or [frame] and no record"
            )));
        }
        Ok(())
    }

    fn check_lines(&self) -> Result<()> {
        let lines = &self.file.line;
        if lines.len() > MOST_LINES {
            return Err(Error::input(format!("the file has {} keypad lines", lines.len()))
                .at(self.path)
                .help(format!("a chassis has at most {MOST_LINES} [[line]]")));
        }
        let mut work = 0u64;
        for line in lines {
            if let Some(key) = line.key.get(MOST_KEYS) {
                let what = format!("line {} has {} keys", line.name, line.key.len());
                return Err(self.mistake(key.name.span(), &what, &format!("expected at most {MOST_KEYS}")));
            }
            if line.silent_s.is_some_and(|silence| !(silence > 0.0 && silence <= 3600.0)) {
                return Err(Error::input(format!("line {} has no possible `silent_s`", line.name))
                    .at(self.path)
                    .help("give the seconds without a reading after which no key is down: above 0, at most 3600"));
            }
            work += (u64::from(line.full_scale) + 1) * (line.key.len() as u64 + 1);
        }
        if work > MOST_WINDOW_WORK {
            return Err(Error::input(format!("the lines have {work} readings times keys"))
                .at(self.path)
                .help(format!(
                    "at most {MOST_WINDOW_WORK}; full_scale is the largest reading (4095 for 12 bits)"
                )));
        }
        Ok(())
    }

    fn check_frames(&self) -> Result<()> {
        let packets = &self.file.packet;
        if packets.len() > MOST_PACKETS {
            return Err(Error::input(format!("the file has {} kinds of frame", packets.len()))
                .at(self.path)
                .help(format!("a chassis has at most {MOST_PACKETS} [[packet]]")));
        }
        let common = self.file.frame.iter().map(|frame| &frame.fields);
        for fields in common.chain(packets.iter().map(|packet| &packet.fields)) {
            if let Some(field) = fields.get(MOST_FIELDS) {
                let what = format!("{} fields", fields.len());
                return Err(self.mistake(field.span(), &what, &format!("expected at most {MOST_FIELDS}")));
            }
        }
        Ok(())
    }
}
