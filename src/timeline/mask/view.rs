//! A line as it reads behind escapes and in UTF-16, with the place of each character.

use crate::timeline::mask::find::{self, Span, merged};

/// A text, and where in the line each of its bytes stands.
struct View {
    text: Vec<u8>,
    /// First byte and the one behind the last.
    places: Vec<(usize, usize)>,
}

impl View {
    fn of(line: &[u8], mut next: impl FnMut(&[u8]) -> (Option<u8>, usize)) -> Self {
        let mut view = Self { text: Vec::with_capacity(line.len()), places: Vec::with_capacity(line.len()) };
        let mut at = 0;
        while at < line.len() {
            let (byte, length) = next(&line[at..]);
            let end = (at + length.max(1)).min(line.len());
            if let Some(byte) = byte {
                view.text.push(byte);
                view.places.push((at, end));
            }
            at = end;
        }
        view
    }

    /// What was found in it, at its place in the line.
    fn back(&self, spans: Vec<Span>) -> impl Iterator<Item = Span> {
        spans.into_iter().filter_map(|span| {
            let (from, _) = *self.places.get(span.from)?;
            let (_, to) = *self.places.get(span.to.checked_sub(1)?)?;
            Some(Span { from, to, ..span })
        })
    }
}

/// So many zeros at least make UTF-16.
const FEWEST_ZEROS: usize = 4;

/// What is private in a line, however it is written. `also` looks at the line once more as it reads.
pub(super) fn spans(line: &[u8], also: &mut dyn FnMut(&[u8]) -> Vec<Span>) -> Vec<Span> {
    let mut all = find::spans(line);
    if line.iter().filter(|byte| **byte == 0).count() >= FEWEST_ZEROS {
        let without = View::of(line, |rest| (rest.first().copied().filter(|byte| *byte != 0), 1));
        let mut found = find::spans(&without.text);
        found.extend(behind_escapes(&without.text));
        found.extend(also(&without.text));
        all.extend(without.back(found));
    } else {
        all.extend(behind_escapes(line));
        all.extend(also(line));
    }
    merged(all)
}

fn behind_escapes(line: &[u8]) -> Vec<Span> {
    if !line.iter().any(|byte| matches!(byte, b'%' | b'\\' | b'&')) {
        return Vec::new();
    }
    let read = View::of(line, unescape);
    if read.text.len() == line.len() { Vec::new() } else { read.back(find::spans(&read.text)).collect() }
}

/// One character: its byte, and how many bytes of the line it takes. What is no escape stands for itself.
fn unescape(rest: &[u8]) -> (Option<u8>, usize) {
    let itself = (rest.first().copied(), 1);
    let hexadecimal = |from: usize, to: usize| {
        let digits = std::str::from_utf8(rest.get(from..to)?).ok()?;
        u32::from_str_radix(digits, 16).ok()
    };
    // A character that is no byte is a letter of some language.
    let byte = |code: Option<u32>, length: usize| match code {
        Some(code) => (Some(u8::try_from(code).unwrap_or(0x80)), length),
        None => itself,
    };
    match rest {
        [b'%', ..] => byte(hexadecimal(1, 3), 3),
        [b'\\', b'x' | b'X', ..] => byte(hexadecimal(2, 4), 4),
        [b'\\', b'u' | b'U', ..] => byte(hexadecimal(2, 6), 6),
        [b'\\', b'"' | b'\'' | b'/' | b'\\', ..] => (rest.get(1).copied(), 2),
        [b'&', b'#', ..] => {
            let Some(end) = rest.iter().take(10).position(|byte| *byte == b';') else { return itself };
            let digits = std::str::from_utf8(rest.get(2..end).unwrap_or_default()).unwrap_or_default();
            let code = match digits.strip_prefix(['x', 'X']) {
                Some(digits) => u32::from_str_radix(digits, 16).ok(),
                None => digits.parse().ok(),
            };
            byte(code, end + 1)
        }
        [b'&', ..] => [(&b"&quot;"[..], b'"'), (b"&amp;", b'&'), (b"&apos;", b'\''), (b"&commat;", b'@')]
            .into_iter()
            .find(|(word, _)| rest.starts_with(word))
            .map_or(itself, |(word, byte)| (Some(byte), word.len())),
        _ => itself,
    }
}
