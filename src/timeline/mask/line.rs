//! One line masked, or one text.

use std::collections::BTreeMap;
use std::io::{BufRead, Write};

use serde::{Deserialize, Serialize};

use crate::base::words::plural;
use crate::timeline::mask::private::{Private, Text};
use crate::timeline::mask::stream::Masker;
use crate::timeline::mask::{value, view};

/// Masks one line in place and tells each string that it found, in order of place.
pub fn mask_line(line: &mut [u8], found: &mut dyn FnMut(Private)) {
    for span in view::spans(line, &mut |_| Vec::new()) {
        value::blot(&mut line[span.from..span.to], span.keeps_form);
        found(span.kind);
    }
}

/// Masks a text; gives what was found in it.
pub fn mask_text(text: &str) -> (String, Vec<Private>) {
    let mut found = Vec::new();
    let mut out = Vec::with_capacity(text.len());
    let mut masker = Masker::new(Text::Log);
    masker.feed(text.as_bytes(), &mut out, &mut |kind, _| found.push(kind));
    masker.finish(&mut out, &mut |kind, _| found.push(kind));
    // Whole characters are replaced by as many letters as they have bytes, so this is UTF-8 as before.
    (String::from_utf8(out).unwrap_or_else(|_| text.to_owned()), found)
}

/// Masks what a technician typed into the set's console: the command stays, what follows it goes, since there
/// nothing says which word is a key.
pub fn mask_command(command: &mut [u8], found: &mut dyn FnMut(Private)) {
    let blank = |byte: &u8| byte.is_ascii_whitespace();
    let begin = command.iter().position(|byte| !blank(byte)).unwrap_or(command.len());
    let rest = command.get_mut(begin..).unwrap_or_default();
    let Some(end) = rest.iter().position(blank) else { return mask_line(rest, found) };
    let words = rest.get_mut(end..).unwrap_or_default();
    if words.iter().any(|byte| !blank(byte)) {
        value::blot(words, false);
        found(Private::Secret);
    }
}

/// What was masked in one place.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, schemars::JsonSchema)]
pub struct Masked {
    /// The capture, or the field of the job.
    pub place: String,
    /// What it is likely to be.
    pub what: Private,
    /// How many.
    pub count: u64,
    /// Line of the first, counted from 1.
    pub first_line: u64,
}

impl Masked {
    /// `2 network names in 0001-boot, the first in line 12`.
    pub fn sentence(&self) -> String {
        format!(
            "{} in {}, the first in line {}",
            plural(self.count, self.what.words()),
            self.place,
            self.first_line
        )
    }
}

/// Counts what was masked, by kind.
#[derive(Clone, Debug, Default)]
pub struct Tally {
    off: bool,
    found: BTreeMap<Private, (u64, u64)>,
}

impl Tally {
    /// Masks nothing.
    pub fn off() -> Self {
        Self { off: true, ..Self::default() }
    }

    /// Whether it masks.
    pub fn masks(&self) -> bool {
        !self.off
    }

    /// Counts one, in this line.
    pub fn add(&mut self, kind: Private, line: u64) {
        self.found.entry(kind).or_insert((0, line)).0 += 1;
    }

    /// Masks a text for people, where it masks.
    pub fn text(&mut self, text: String) -> String {
        if self.off {
            return text;
        }
        let (masked, found) = mask_text(&text);
        found.into_iter().for_each(|kind| self.add(kind, 1));
        masked
    }

    /// Whether nothing was masked.
    pub fn is_empty(&self) -> bool {
        self.found.is_empty()
    }

    /// What was masked in this place.
    pub fn masked(&self, place: &str) -> Vec<Masked> {
        self.found
            .iter()
            .map(|(what, (count, first_line))| Masked {
                place: place.to_owned(),
                what: *what,
                count: *count,
                first_line: *first_line,
            })
            .collect()
    }
}

/// Copies a log masked. Memory is bounded, whatever the lines.
///
/// # Errors
/// What reading and writing give.
pub fn mask_stream(
    from: &mut dyn BufRead,
    to: &mut dyn Write,
    text: Text,
    tally: &mut Tally,
) -> std::io::Result<()> {
    let mut masker = Masker::new(text);
    let mut out = Vec::new();
    loop {
        let piece = match from.fill_buf() {
            Ok(piece) => piece,
            Err(error) if error.kind() == std::io::ErrorKind::Interrupted => continue,
            Err(error) => return Err(error),
        };
        let length = piece.len();
        let mut found = |kind, line| tally.add(kind, line);
        if length == 0 {
            masker.finish(&mut out, &mut found);
        } else {
            masker.feed(piece, &mut out, &mut found);
        }
        to.write_all(&out)?;
        out.clear();
        if length == 0 {
            return Ok(());
        }
        from.consume(length);
    }
}
