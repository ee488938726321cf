//! A line to its tokens, in one pass over its bytes.
//!
//! Numbers are known by their digits alone, so that two lines that differ in numbers only have one signature.
//! Words are compared as they stand. Blanks count as one blank, and as none behind an opening bracket, where
//! numbers are padded.

/// Most tokens of a line that are looked at; what follows is not compared.
pub const MOST_TOKENS: usize = 96;

/// What a token is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Class {
    /// One character that is neither letter nor digit.
    Mark,
    /// Letters, or letters and digits.
    Word,
    /// Decimal digits, with a sign where one can stand.
    Integer,
    /// Decimal digits with a point.
    Decimal,
    /// Hexadecimal digits of which one at least is no decimal digit.
    Hex,
    /// The same behind `0x`, whatever the digits.
    HexMarked,
    /// Two pairs of hexadecimal digits or more.
    Bytes,
    /// `HH:MM:SS`, with or without a fraction.
    Clock,
}

impl Class {
    /// Whether tokens of this class differ from line to line by their nature.
    pub fn is_number(self) -> bool {
        !matches!(self, Self::Mark | Self::Word)
    }

    fn bit(self) -> u64 {
        self as u64 + 1
    }
}

/// One token: a stretch of the line.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Token {
    /// First byte in the line.
    pub start: u32,
    /// Byte behind the last.
    pub end: u32,
    /// What it is.
    pub class: Class,
    /// Whether a blank stands before it.
    pub blank: bool,
}

impl Token {
    /// Its text in the line that it was cut from.
    pub fn text(self, line: &[u8]) -> &[u8] {
        line.get(self.start as usize..self.end as usize).unwrap_or_default()
    }
}

/// What a scan says of a whole line.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Signature {
    /// Equal for lines that differ in numbers only.
    pub exact: u64,
    /// Equal for lines whose marks and blanks are equal.
    pub skeleton: u64,
}

const BLANK: u8 = 1;
const DIGIT: u8 = 2;
const HEX_LETTER: u8 = 4;
const LETTER: u8 = 8;

/// What each byte is.
const KINDS: [u8; 256] = {
    let mut kinds = [0u8; 256];
    let mut i = 0usize;
    while i < 256 {
        #[allow(clippy::cast_possible_truncation)]
        let byte = i as u8;
        kinds[i] = match byte {
            0..=b' ' | 0x7f => BLANK,
            b'0'..=b'9' => DIGIT,
            b'a'..=b'f' | b'A'..=b'F' => HEX_LETTER | LETTER,
            b'g'..=b'z' | b'G'..=b'Z' | b'_' | 0x80.. => LETTER,
            _ => 0,
        };
        i += 1;
    }
    kinds
};

fn kind(byte: u8) -> u8 {
    KINDS[usize::from(byte)]
}

fn at(line: &[u8], i: usize) -> u8 {
    line.get(i).copied().unwrap_or(b' ')
}

/// Odd multiplier of the fractional golden ratio, for mixing (Knuth, TAOCP 3, section 6.4).
const GOLDEN: u64 = 0x9e37_79b9_7f4a_7c15;

fn mix(hash: u64, value: u64) -> u64 {
    (hash ^ value).wrapping_mul(GOLDEN).rotate_left(29)
}

/// Hash of some bytes, eight at a time.
pub(super) fn hash(bytes: &[u8]) -> u64 {
    let mut hash = bytes.len() as u64;
    for piece in bytes.chunks(8) {
        let word = piece.iter().fold(0u64, |word, byte| word << 8 | u64::from(*byte));
        hash = mix(hash, word);
    }
    hash
}

/// Where a word that begins with a letter ends.
fn word_end(line: &[u8], start: usize) -> usize {
    let mut i = start + 1;
    while i < line.len() {
        let byte = at(line, i);
        let next = kind(at(line, i + 1)) & (LETTER | DIGIT) != 0;
        let inside = kind(byte) & (LETTER | DIGIT) != 0
            || (matches!(byte, b'+' | b'-') && at(line, i + 1) != b'>' && at(line, i - 1) != byte)
            || (matches!(byte, b'/' | b'.') && next);
        if !inside {
            break;
        }
        i += 1;
    }
    i
}

/// A token that begins with a digit: its class and its end.
fn number(line: &[u8], start: usize) -> (Class, usize) {
    if at(line, start) == b'0' && matches!(at(line, start + 1), b'x' | b'X') {
        let end = run(line, start + 2, DIGIT | HEX_LETTER);
        if end > start + 2 {
            return (Class::HexMarked, end);
        }
    }
    let digits = run(line, start, DIGIT);
    let hex = run(line, start, DIGIT | HEX_LETTER);
    if hex > digits {
        // `40dB` is a number with a unit, `1e3f` is none.
        return if kind(at(line, hex)) & LETTER == 0 { (Class::Hex, hex) } else { (Class::Integer, digits) };
    }
    if let Some(end) = clock_end(line, start, digits) {
        return (Class::Clock, end);
    }
    if at(line, digits) == b'.' && kind(at(line, digits + 1)) & DIGIT != 0 {
        let end = run(line, digits + 1, DIGIT);
        if at(line, end) == b'.' && kind(at(line, end + 1)) & DIGIT != 0 {
            return (Class::Word, word_end(line, end));
        }
        return (Class::Decimal, end);
    }
    (Class::Integer, digits)
}

fn run(line: &[u8], start: usize, kinds: u8) -> usize {
    let mut i = start;
    while i < line.len() && kind(at(line, i)) & kinds != 0 {
        i += 1;
    }
    i
}

fn clock_end(line: &[u8], start: usize, digits: usize) -> Option<usize> {
    if digits != start + 2 || at(line, digits) != b':' {
        return None;
    }
    let minutes = run(line, digits + 1, DIGIT);
    if minutes != digits + 3 || at(line, minutes) != b':' {
        return None;
    }
    let seconds = run(line, minutes + 1, DIGIT);
    if seconds != minutes + 3 || at(line, seconds) == b':' {
        return None;
    }
    let fraction = matches!(at(line, seconds), b'.' | b',') && kind(at(line, seconds + 1)) & DIGIT != 0;
    Some(if fraction { run(line, seconds + 1, DIGIT) } else { seconds })
}

/// Where a row of hexadecimal pairs that begins here ends; `None` when there is none.
fn bytes_end(line: &[u8], start: usize) -> Option<usize> {
    let is_hex = |i: usize| kind(at(line, i)) & (DIGIT | HEX_LETTER) != 0;
    let pair = |i: usize| is_hex(i) && is_hex(i + 1);
    let ends = |i: usize| kind(at(line, i)) & (DIGIT | LETTER) == 0 && at(line, i) != b'.';
    if !pair(start) || !ends(start + 2) {
        return None;
    }
    let (mut end, mut pairs) = (start + 2, 1usize);
    let mut telling = is_telling(line, start);
    while matches!(at(line, end), b' ' | b':') && pair(end + 1) && ends(end + 3) && end + 2 < line.len() {
        telling |= is_telling(line, end + 1);
        end += 3;
        pairs += 1;
    }
    (pairs >= 3 || (pairs == 2 && telling)).then_some(end)
}

/// A pair that no decimal number would be written as.
fn is_telling(line: &[u8], start: usize) -> bool {
    at(line, start) == b'0' || kind(at(line, start)) & kind(at(line, start + 1)) & DIGIT == 0
}

/// Class and end of the token that begins here, which is no blank.
fn token(line: &[u8], i: usize, before: Option<u8>) -> (Class, usize) {
    let byte = at(line, i);
    if kind(byte) & (DIGIT | HEX_LETTER) != 0 {
        if kind(byte) & DIGIT != 0
            && let Some(end) = clock_end(line, i, run(line, i, DIGIT))
        {
            return (Class::Clock, end);
        }
        if let Some(end) = bytes_end(line, i) {
            return (Class::Bytes, end);
        }
    }
    if kind(byte) & DIGIT != 0 {
        return number(line, i);
    }
    if kind(byte) & LETTER != 0 {
        let end = word_end(line, i);
        let hex = kind(byte) & HEX_LETTER != 0 && run(line, i, DIGIT | HEX_LETTER) == end;
        let digits = line.get(i..end).unwrap_or_default().iter().any(u8::is_ascii_digit);
        return (if hex && digits { Class::Hex } else { Class::Word }, end);
    }
    let may_sign = before.is_none_or(|b| kind(b) & (DIGIT | LETTER) == 0);
    if matches!(byte, b'-' | b'+') && may_sign && kind(at(line, i + 1)) & DIGIT != 0 {
        let (class, end) = number(line, i + 1);
        if matches!(class, Class::Integer | Class::Decimal) {
            return (class, end);
        }
    }
    (Class::Mark, i + 1)
}

/// Cuts a line into tokens, which are appended to `tokens`, and says its signature.
///
/// Constant work a byte; the line is looked at up to [`MOST_TOKENS`] tokens.
pub fn scan(line: &[u8], tokens: &mut Vec<Token>) -> Signature {
    let mut signature = Signature { exact: GOLDEN, skeleton: GOLDEN };
    let mut i = 0;
    let mut blank = false;
    let mut first = true;
    let mut opened = true;
    let mut count = 0;
    while i < line.len() && count < MOST_TOKENS {
        if kind(at(line, i)) == BLANK {
            blank = true;
            i += 1;
            continue;
        }
        let before = if blank || first { None } else { line.get(i.wrapping_sub(1)).copied() };
        let (class, end) = token(line, i, before);
        let blank_before = blank && !(opened && class != Class::Mark) && !first;
        let token = Token { start: i as u32, end: end as u32, class, blank: blank_before };
        let text = token.text(line);
        let spacing = u64::from(blank_before) << 16;
        signature.exact = match class {
            Class::Word => mix(signature.exact, hash(text) ^ spacing),
            Class::Mark => mix(signature.exact, u64::from(at(line, i)) << 8 | spacing),
            number => mix(signature.exact, number.bit() | spacing),
        };
        let mark = if class == Class::Mark { u64::from(at(line, i)) << 8 } else { 1 };
        signature.skeleton = mix(signature.skeleton, mark | spacing);
        tokens.push(token);
        count += 1;
        let byte = at(line, i);
        opened = class == Class::Mark
            && (matches!(byte, b'[' | b'(' | b'<' | b'{') || (byte == b'=' && !blank_before));
        first = false;
        blank = false;
        i = end;
    }
    signature
}

/// Whether every byte is a hexadecimal digit.
pub(super) fn is_hex(text: &[u8]) -> bool {
    !text.is_empty() && text.iter().all(u8::is_ascii_hexdigit)
}

/// Whether a digit is among the bytes.
pub(super) fn has_digit(text: &[u8]) -> bool {
    text.iter().any(u8::is_ascii_digit)
}
