//! A group of lines to the text of a line shape.

use std::fmt::Write as _;

use crate::decode::shape::{Form, MOST_PLACEHOLDERS, parse};
use crate::learn::token::Class;
use crate::learn::tree::{Group, Piece, Varying};

/// Fixed text as it is written in a shape.
pub(super) fn escaped(bytes: &[u8]) -> String {
    String::from_utf8_lossy(bytes).replace('{', "{{").replace('}', "}}")
}

/// The form of a varying place; `None` where no form fits for certain, which is a word then.
pub(super) fn form(varying: &Varying) -> Form {
    let numbers = [Class::Integer, Class::Hex, Class::HexMarked];
    if varying.only(&[Class::Integer]) {
        Form::Integer
    } else if varying.only(&[Class::Integer, Class::Decimal]) && !varying.is_signed() {
        Form::Seconds
    } else if varying.only(&[Class::HexMarked]) {
        Form::Hex
    } else if varying.has(Class::HexMarked) {
        Form::Word
    } else if varying.only(&numbers) || (varying.is_hex() && varying.has(Class::Hex)) {
        if varying.is_signed() { Form::Word } else { Form::Hex }
    } else if varying.has(Class::Bytes) {
        Form::Bytes
    } else {
        Form::Word
    }
}

/// Whether the digits stand behind a printed `0x`.
pub(super) fn is_marked(varying: &Varying) -> bool {
    varying.only(&[Class::HexMarked])
}

/// The shape's text, each varying place named by `name`; `None` where the file format has no such shape.
pub(super) fn text(
    group: &Group,
    prefix: Option<&str>,
    name: &dyn Fn(usize) -> Option<String>,
) -> Option<String> {
    let mut out = String::new();
    let mut unnamed = 0u8;
    let mut placeholders = 0;
    for (place, (blank, piece)) in group.pieces.iter().enumerate() {
        if *blank {
            out.push(' ');
        }
        match piece {
            Piece::Fixed(fixed) => out.push_str(&escaped(std::str::from_utf8(fixed).ok()?.as_bytes())),
            Piece::Varying(varying) => {
                if is_marked(varying) {
                    out.push_str(if group.example.windows(2).any(|w| w == b"0X") { "0X" } else { "0x" });
                }
                let name = name(place).unwrap_or_else(|| {
                    let letter = char::from(b'a' + unnamed % 26);
                    unnamed = unnamed.saturating_add(1);
                    format!("_{letter}")
                });
                let _ = write!(out, "{{{name}:{}}}", form(varying).word());
                placeholders += 1;
            }
        }
    }
    if placeholders > MOST_PLACEHOLDERS - 2 || group.pieces.len() >= crate::learn::token::MOST_TOKENS {
        return None;
    }
    let prefix = prefix.map(|prefix| parse(None, prefix)).transpose().ok()?;
    let empty = parse(None, "").ok()?;
    parse(Some(prefix.as_ref().unwrap_or(&empty)), &out).ok()?;
    Some(out)
}

/// Letters of the fixed text of a group: how much of a line is the set's own words.
pub(super) fn fixed_letters(group: &Group) -> usize {
    let letters = |bytes: &[u8]| bytes.iter().filter(|b| b.is_ascii_alphabetic()).count();
    group
        .pieces
        .iter()
        .map(|(_, piece)| if let Piece::Fixed(fixed) = piece { letters(fixed) } else { 0 })
        .sum()
}

/// The fixed words of a group, small letters.
pub(super) fn fixed_words(group: &Group) -> Vec<String> {
    group
        .pieces
        .iter()
        .filter_map(|(_, piece)| match piece {
            Piece::Fixed(fixed) if fixed.iter().any(u8::is_ascii_alphabetic) => {
                Some(String::from_utf8_lossy(fixed).to_ascii_lowercase())
            }
            _ => None,
        })
        .collect()
}

/// The fixed words that stand in each of several groups: the name of the program, of the port.
pub(super) fn words_everywhere(groups: &[Group]) -> Vec<String> {
    let Some((first, rest)) = groups.split_first().filter(|(_, rest)| !rest.is_empty()) else {
        return Vec::new();
    };
    let mut words = fixed_words(first);
    for group in rest {
        let own = fixed_words(group);
        words.retain(|word| own.contains(word));
    }
    words
}
