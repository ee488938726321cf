//! Likely private strings in text, masked in place: the length stays, so that every offset still fits.
//!
//! Found are, by what stands before them, network names, keys and pass phrases, serial numbers, accounts and
//! hardware addresses (`ssid=`, `psk:`, `"serial" = "…"`), and by their form alone hardware addresses, internet
//! addresses and mail addresses. Patterns find what is likely, not all that is private: whoever hands a log on
//! looks it through. The list of labels is ours, from common practice; no source.

use std::collections::BTreeMap;
use std::io::{BufRead, Write};

use serde::{Deserialize, Serialize};

use crate::base::words::plural;

/// What a masked string is likely to be.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Private {
    /// Name of a wireless network.
    NetworkName,
    /// Key, pass phrase, password, token.
    Secret,
    /// Serial number or another number of one device.
    SerialNumber,
    /// Hardware address of a network interface.
    HardwareAddress,
    /// Internet address.
    InternetAddress,
    /// User name or mail address.
    Account,
}

impl Private {
    /// In words, one of them.
    pub const fn words(self) -> &'static str {
        match self {
            Self::NetworkName => "network name",
            Self::Secret => "password or key",
            Self::SerialNumber => "serial number",
            Self::HardwareAddress => "hardware address",
            Self::InternetAddress => "internet address",
            Self::Account => "account",
        }
    }
}

/// Labels, lower case, and whether their value may hold blanks.
const LABELS: [(&str, Private, bool); 26] = [
    ("bssid", Private::HardwareAddress, false),
    ("ssid", Private::NetworkName, true),
    ("network name", Private::NetworkName, true),
    ("passphrase", Private::Secret, true),
    ("password", Private::Secret, true),
    ("passwd", Private::Secret, true),
    ("wpa_key", Private::Secret, true),
    ("wpa key", Private::Secret, true),
    ("psk", Private::Secret, true),
    ("token", Private::Secret, false),
    ("secret", Private::Secret, false),
    ("serialnumber", Private::SerialNumber, false),
    ("serial_number", Private::SerialNumber, false),
    ("serial number", Private::SerialNumber, false),
    ("serialno", Private::SerialNumber, false),
    ("serial no", Private::SerialNumber, false),
    ("serial", Private::SerialNumber, false),
    ("s/n", Private::SerialNumber, false),
    ("imei", Private::SerialNumber, false),
    ("device id", Private::SerialNumber, false),
    ("deviceid", Private::SerialNumber, false),
    ("duid", Private::SerialNumber, false),
    ("mac", Private::HardwareAddress, false),
    ("username", Private::Account, false),
    ("account", Private::Account, false),
    ("login", Private::Account, false),
];

/// Masks one line in place and tells each string that it found, in order of kind.
pub fn mask_line(line: &mut [u8], found: &mut dyn FnMut(Private)) {
    labelled(line, found);
    by_form(line, found);
}

/// Masks a text; gives what was found in it.
pub fn mask_text(text: &str) -> (String, Vec<Private>) {
    let mut found = Vec::new();
    let mut bytes = text.as_bytes().to_vec();
    for line in bytes.split_mut(|byte| *byte == b'\n') {
        mask_line(line, &mut |kind| found.push(kind));
    }
    // Whole characters are replaced by as many letters as they have bytes, so this is UTF-8 as before.
    (String::from_utf8(bytes).unwrap_or_else(|_| text.to_owned()), found)
}

fn is_word(byte: u8) -> bool {
    byte.is_ascii_alphanumeric() || byte >= 0x80
}

fn labelled(line: &mut [u8], found: &mut dyn FnMut(Private)) {
    let lower = line.to_ascii_lowercase();
    let mut at = 0;
    while at < lower.len() {
        // A label may be the end of a longer name (`wifi_ssid`, `boardSerial`), not its middle.
        let here = LABELS.iter().find(|(label, ..)| {
            let begins = lower[at..].starts_with(label.as_bytes());
            let joined = at > 0 && is_word(lower[at - 1]) && !line[at].is_ascii_uppercase();
            begins && !joined
        });
        let Some((label, kind, wide)) = here else {
            at += 1;
            continue;
        };
        match value(&lower, at + label.len(), *wide) {
            Some((from, to)) => {
                blot(&mut line[from..to], false);
                found(*kind);
                at = to;
            }
            None => at += label.len(),
        }
    }
}

/// Where the value after a label lies: after `=` or `:`, quoted or bare; without a sign only when quoted.
fn value(line: &[u8], mut at: usize, wide: bool) -> Option<(usize, usize)> {
    let blank = |at: usize| line.get(at).is_some_and(|byte| matches!(byte, b' ' | b'\t'));
    let quote = |at: usize| line.get(at).copied().filter(|byte| matches!(byte, b'"' | b'\''));
    if quote(at).is_some() {
        at += 1;
    }
    while blank(at) {
        at += 1;
    }
    let sign = line.get(at).is_some_and(|byte| matches!(byte, b'=' | b':'));
    at += usize::from(sign);
    while blank(at) {
        at += 1;
    }
    if let Some(mark) = quote(at) {
        let from = at + 1;
        let end = line[from..].iter().position(|byte| *byte == mark).map_or(line.len(), |n| from + n);
        return (end > from).then_some((from, end));
    }
    if !sign {
        return None;
    }
    let ends = |byte: u8| matches!(byte, b' ' | b'\t' | b'\r' | b'\n' | b',' | b';' | b')' | b']' | b'}');
    let word = |from: usize| line[from..].iter().position(|b| ends(*b)).map_or(line.len(), |n| from + n);
    let mut end = word(at);
    // A bare name may have blanks in it: it goes on to the next `name=` or the end.
    while wide && line.get(end) == Some(&b' ') {
        let next = word(end + 1);
        if next == end + 1 || line[end + 1..next].iter().any(|b| matches!(b, b'=' | b':')) {
            break;
        }
        end = next;
    }
    (end > at).then_some((at, end))
}

/// Replaces every character; with `form`, letters and digits alone, so that the form of an address stays.
fn blot(value: &mut [u8], form: bool) {
    for byte in value {
        if is_word(*byte) || !form && !byte.is_ascii_whitespace() {
            *byte = b'x';
        }
    }
}

fn by_form(line: &mut [u8], found: &mut dyn FnMut(Private)) {
    let part =
        |byte: u8| byte.is_ascii_alphanumeric() || matches!(byte, b':' | b'-' | b'.' | b'@' | b'_' | b'+');
    let mut at = 0;
    while at < line.len() {
        if !part(line[at]) {
            at += 1;
            continue;
        }
        let end = line[at..].iter().position(|byte| !part(*byte)).map_or(line.len(), |n| at + n);
        let token = &mut line[at..end];
        at = end;
        // A sentence's full stop or a colon after an address is no part of it.
        let whole = token.iter().rposition(|byte| !matches!(byte, b'.' | b':' | b'-')).map_or(0, |n| n + 1);
        let token = &mut token[..whole];
        if let Some(kind) = form_of(token) {
            blot(token, true);
            found(kind);
        }
    }
}

fn form_of(token: &[u8]) -> Option<Private> {
    // A port or a mask may follow an internet address.
    let host = token.iter().position(|byte| *byte == b':').map_or(token, |n| &token[..n]);
    if is_mac(token) {
        Some(Private::HardwareAddress)
    } else if is_ipv4(host) || is_ipv6(token) {
        Some(Private::InternetAddress)
    } else if is_mail(token) {
        Some(Private::Account)
    } else {
        None
    }
}

fn is_mac(token: &[u8]) -> bool {
    token.len() == 17
        && token.iter().enumerate().all(|(i, byte)| match i % 3 {
            2 => *byte == token[2] && matches!(byte, b':' | b'-'),
            _ => byte.is_ascii_hexdigit(),
        })
        && token.iter().any(|byte| *byte != b'0' && byte.is_ascii_hexdigit())
}

fn is_ipv4(host: &[u8]) -> bool {
    let parts: Vec<&[u8]> = host.split(|byte| *byte == b'.').collect();
    parts.len() == 4
        && parts.iter().all(|part| {
            let number = std::str::from_utf8(part).ok().filter(|_| part.len() <= 3);
            number.is_some_and(|n| n.bytes().all(|b| b.is_ascii_digit()) && n.parse::<u8>().is_ok())
        })
}

fn is_ipv6(token: &[u8]) -> bool {
    let groups: Vec<&[u8]> = token.split(|byte| *byte == b':').collect();
    let empty = groups.iter().filter(|group| group.is_empty()).count();
    let hex = |group: &&[u8]| group.len() <= 4 && group.iter().all(u8::is_ascii_hexdigit);
    let full = groups.len() == 8 && empty == 0;
    let short = groups.len() >= 4 && groups.len() <= 8 && empty == 1 && token.windows(2).any(|w| w == b"::");
    groups.iter().all(hex) && (full || short)
}

fn is_mail(token: &[u8]) -> bool {
    let mut parts = token.split(|byte| *byte == b'@');
    let (Some(name), Some(host), None) = (parts.next(), parts.next(), parts.next()) else { return false };
    let dot = host.iter().rposition(|byte| *byte == b'.');
    !name.is_empty() && dot.is_some_and(|dot| dot > 0 && host.len() - dot > 2)
}

/// What was masked in one place.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
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
    line: u64,
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

    /// Masks the next line in place.
    pub fn line(&mut self, line: &mut [u8]) {
        if self.off {
            return;
        }
        self.line += 1;
        let number = self.line;
        mask_line(line, &mut |kind| {
            let entry = self.found.entry(kind).or_insert((0, number));
            entry.0 += 1;
        });
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

/// Longest stretch that is looked at as one line.
const LONGEST: u64 = 1 << 16;

/// Copies a log line by line, masked. Memory is bounded by 64 KiB, whatever the lines.
///
/// # Errors
/// What reading and writing give.
pub fn mask_stream(from: &mut dyn BufRead, to: &mut dyn Write, tally: &mut Tally) -> std::io::Result<()> {
    use std::io::Read;
    let mut line = Vec::with_capacity(4096);
    loop {
        line.clear();
        if (&mut *from).take(LONGEST).read_until(b'\n', &mut line)? == 0 {
            return Ok(());
        }
        tally.line(&mut line);
        to.write_all(&line)?;
    }
}
