//! Where a value lies behind its label, and how it is masked.

use crate::timeline::mask::Private;

/// How far a bare value goes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Reach {
    /// To the next blank.
    Word,
    /// To the next `name=`, comma or the end: names have blanks in them.
    Words,
    /// To the end of the line.
    Line,
}

/// A letter, a digit, or part of a character beyond ASCII.
pub(super) fn is_word(byte: u8) -> bool {
    byte.is_ascii_alphanumeric() || byte >= 0x80
}

/// Replaces every character; with `form`, letters and digits alone, so that the form of an address stays.
pub(super) fn blot(value: &mut [u8], form: bool) {
    for byte in value {
        if is_word(*byte) || !form && !byte.is_ascii_whitespace() && *byte != 0 {
            *byte = b'x';
        }
    }
}

fn is_blank(byte: u8) -> bool {
    matches!(byte, b' ' | b'\t')
}

fn is_quote(byte: u8) -> bool {
    matches!(byte, b'"' | b'\'' | b'`')
}

/// Where the value lies whose label and sign end at `at`; `None` where nothing stands there.
pub(super) fn value(line: &[u8], mut at: usize, reach: Reach) -> Option<(usize, usize)> {
    let byte = |at: usize| line.get(at).copied().unwrap_or(0);
    let count = |from: usize, is: &dyn Fn(u8) -> bool| {
        line.get(from..).unwrap_or_default().iter().take_while(|byte| is(**byte)).count()
    };
    at += count(at, &is_blank);
    // `\"` is a quote inside a quoted text.
    let escaped = byte(at) == b'\\' && is_quote(byte(at + 1));
    if escaped || is_quote(byte(at)) {
        let mark = byte(at + usize::from(escaped));
        let from = at + 1 + usize::from(escaped);
        let mut end = from;
        while end < line.len() && line[end] != mark {
            // What is escaped inside belongs to it, except where the quotes themselves are.
            end += if line[end] == b'\\' && !escaped { 2 } else { 1 };
        }
        let mut end = end.min(line.len());
        if escaped && end > from && byte(end - 1) == b'\\' {
            end -= 1;
        }
        return (end > from).then_some((from, end));
    }
    let ends = |byte: u8| matches!(byte, b' ' | b'\t' | b'\r' | b'\n' | b',' | b';' | b')' | b']' | b'}');
    let ends_words = |byte: u8| matches!(byte, b'\r' | b'\n' | b',' | b';' | b')' | b']' | b'}');
    let word = |from: usize| from + count(from, &|byte| !ends(byte));
    let mut end = match reach {
        Reach::Line => at + count(at, &|byte| !matches!(byte, b'\r' | b'\n')),
        // A password may hold what ends other values: it goes on where no blank follows.
        _ if reach == Reach::Word => {
            at + count(at, &|byte| !matches!(byte, b' ' | b'\t' | b'\r' | b'\n' | b'&'))
        }
        _ => word(at),
    };
    if reach == Reach::Word {
        // A comma or a bracket at its end is no part of it.
        while end > at && matches!(byte(end - 1), b',' | b';' | b')' | b']' | b'}' | b'"' | b'\'') {
            end -= 1;
        }
        // `a=1,b=2`: the next name is no part either.
        if let Some(cut) = next_name(&line[at..end]) {
            end = at + cut;
        }
    }
    while reach == Reach::Words && end < line.len() && !ends_words(line[end]) {
        let next = end + count(end, &is_blank);
        let stop = word(next);
        if stop == next || line[next..stop].iter().any(|b| matches!(b, b'=' | b':')) {
            break;
        }
        end = stop;
    }
    (end > at).then_some((at, end))
}

/// Where in a word without blanks a comma begins another `name=`.
fn next_name(word: &[u8]) -> Option<usize> {
    let mut from = 0;
    while let Some(comma) = word[from..].iter().position(|byte| matches!(byte, b',' | b';')) {
        let comma = from + comma;
        let rest = &word[comma + 1..];
        let quote = usize::from(rest.first().is_some_and(|byte| is_quote(*byte)));
        let name = rest[quote..].iter().take_while(|b| b.is_ascii_alphanumeric() || **b == b'_').count();
        let after = rest.get(quote + name).copied();
        let after = if after.is_some_and(is_quote) { rest.get(quote + name + 1).copied() } else { after };
        if name > 0 && matches!(after, Some(b'=' | b':')) {
            return Some(comma);
        }
        from = comma + 1;
    }
    None
}

/// One private string in a line.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Span {
    pub(crate) from: usize,
    pub(crate) to: usize,
    pub(crate) kind: Private,
    /// Signs between letters and digits stay.
    pub(crate) keeps_form: bool,
}
