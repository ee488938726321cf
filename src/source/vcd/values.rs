//! What the digits of a dump mean, and what is wrong with other words.

use crate::base::{Error, Result, quote};

/// What a digit is: 0 nothing, 1 low, 2 high, 3 no level. Besides the four states of the standard, those of
/// VHDL writers are met: `L` and `H` are weak levels, `U`, `W` and `-` are none.
pub(super) const MARKS: [u8; 256] = {
    let mut marks = [0u8; 256];
    let words: [(&[u8], u8); 3] = [(b"0Ll", 1), (b"1Hh", 2), (b"xXzZuUwW-", 3)];
    let mut i = 0;
    while i < words.len() {
        let mut k = 0;
        while k < words[i].0.len() {
            marks[words[i].0[k] as usize] = words[i].1;
            k += 1;
        }
        i += 1;
    }
    marks
};

#[inline]
pub(super) fn mark(digit: u8) -> Result<u8> {
    match MARKS[usize::from(digit)] {
        0 => {
            Err(Error::input(format!("`{}` is no value of a bit", quote(&[digit])))
                .help("expected 0, 1, x or z"))
        }
        mark => Ok(mark),
    }
}

#[cold]
pub(super) fn unknown(kind: u8, code: &[u8]) -> Error {
    let word = [&[kind], code].concat();
    let (what, help) = match kind {
        b'0' | b'1' | b'x' | b'X' | b'z' | b'Z' | b'b' | b'B' | b'r' | b'R' | b's' | b'S' => (
            format!("no variable has the code `{}`", quote(code)),
            "the declarations are incomplete; export the dump again",
        ),
        _ => (
            format!("`{}` is neither a time nor a value", quote(&word)),
            "expected `#` and a time, or a value such as `1!`; the file may be damaged here",
        ),
    };
    Error::input(what).help(help)
}

#[cold]
pub(super) fn no_code(word: &[u8]) -> Error {
    Error::input(format!("`{}` has no code behind it", quote(word)))
        .help("the file is cut short; export it again")
}
