//! Takes terminal escape sequences and stray control characters out of a line.

/// Whether a line holds anything to take away.
pub(in crate::decode) fn is_needed(line: &[u8]) -> bool {
    line.iter().any(|b| (*b < b' ' && *b != b'\t') || *b == 0x7f)
}

/// Appends the printable bytes of `line` to `out`. With `escapes`, whole escape sequences go, else only the
/// escape byte.
///
/// # Source
/// ECMA-48 (5th edition), 5.3 and 5.4: `ESC [` parameters 0x30–0x3f, intermediates 0x20–0x2f, one final byte
/// 0x40–0x7e; 8.3.89: `ESC ]` … up to BEL or `ESC \`; other two-byte sequences.
pub(in crate::decode) fn clean(line: &[u8], escapes: bool, out: &mut Vec<u8>) {
    let mut rest = line;
    while let Some((&byte, after)) = rest.split_first() {
        rest = after;
        match byte {
            0x1b if escapes => rest = after_sequence(after),
            b'\t' => out.push(byte),
            0..=0x1f | 0x7f => {}
            _ => out.push(byte),
        }
    }
}

fn after_sequence(rest: &[u8]) -> &[u8] {
    match rest {
        [b'[', body @ ..] => {
            let inside = body.iter().take_while(|b| (0x20..=0x3f).contains(*b)).count();
            let ends = usize::from(body.get(inside).is_some_and(|b| (0x40..=0x7e).contains(b)));
            body.get(inside + ends..).unwrap_or_default()
        }
        [b']', body @ ..] => {
            let inside = body.iter().take_while(|b| **b != 0x07 && **b != 0x1b).count();
            match body.get(inside..) {
                Some([0x07, after @ ..] | [0x1b, b'\\', after @ ..]) => after,
                // Not closed on this line: text that only looks like a sequence is kept.
                _ => body,
            }
        }
        [b'(' | b')' | b'#' | b'%', _, after @ ..] => after,
        [0x40..=0x7e, after @ ..] => after,
        rest => rest,
    }
}
