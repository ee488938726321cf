//! The model as a data block inside the page, and the hash that lets the page's style pass its own policy.

use sha2::{Digest as _, Sha256};

use crate::face::drawing::is_inert;
use crate::face::report::html::Part;
use crate::face::report::model::ReportModel;

/// `<script type="application/json">` with the model. Nothing in it can end the block or start another:
/// `<`, `>`, `&` and the characters that hide or turn text are written as escapes, which mean the same in JSON.
pub(super) fn block(model: &ReportModel) -> Part {
    // The model has no maps with odd keys and no failing serializer; should it fail, the page stands without.
    let text = serde_json::to_string(model).unwrap_or_else(|_| "null".to_owned());
    let mut out = String::from("<script type=\"application/json\" id=\"straykey-report\">");
    for c in text.chars() {
        match c {
            '<' => out.push_str("\\u003c"),
            '>' => out.push_str("\\u003e"),
            '&' => out.push_str("\\u0026"),
            c if is_inert(c) => out.push(c),
            c => {
                for unit in c.encode_utf16(&mut [0; 2]) {
                    out.push_str(&format!("\\u{unit:04x}"));
                }
            }
        }
    }
    out.push_str("</script>\n");
    Part(out)
}

/// A content-security-policy source for an inline block: `sha256-` and the Base64 of its SHA-256.
///
/// # Source
/// W3C, Content Security Policy Level 2, hash-source; RFC 4648, section 4.
pub(super) fn hash_source(text: &str) -> String {
    const ALPHABET: &[u8; 64] = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";
    let digest = Sha256::digest(text.as_bytes());
    let mut out = String::from("sha256-");
    for group in digest.chunks(3) {
        let word =
            group.iter().fold(0u32, |word, byte| word << 8 | u32::from(*byte)) << (8 * (3 - group.len()));
        for i in 0..4usize {
            // Six bits at a time; what lies beyond the last byte is padding.
            let sextet = (word >> (18 - 6 * i)) & 63;
            let letter = ALPHABET.get(sextet as usize).copied().unwrap_or(b'=');
            out.push(if i <= group.len() { char::from(letter) } else { '=' });
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::hash_source;

    /// Source: FIPS 180-2, appendix B.1, SHA-256 of "abc" = ba7816bf 8f01cfea 414140de 5dae2223 b00361a3 96177a9c
    /// b410ff61 f20015ad; its Base64 by coreutils.
    #[test]
    fn the_hash_is_sha_256_in_base_64() {
        assert_eq!(hash_source("abc"), "sha256-ungWv48Bz+pBQUDeXa4iI7ADYaOWF3qctBD/YfIAFa0=");
    }
}
