//! What is private by its form alone.

use crate::timeline::mask::Private;
use crate::timeline::mask::value::is_word;

/// Where in a match the private string lies; `None` when it is none after all.
type Place = fn(&[u8], usize, usize) -> Option<(usize, usize)>;

/// One form.
pub(super) struct Form {
    pub(super) pattern: &'static str,
    pub(super) kind: Private,
    pub(super) place: Place,
}

const fn form(pattern: &'static str, kind: Private, place: Place) -> Form {
    Form { pattern, kind, place }
}

/// The first that fits at a place wins.
pub(super) const FORMS: [Form; 19] = [
    // RFC 4122.
    form(r"[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}", Private::SerialNumber, alone),
    // IEEE 802: six octets with colons or dashes, three groups with dots, or bare.
    form(r"[0-9a-f]{2}(?::[0-9a-f]{2}){5}", Private::HardwareAddress, octets),
    form(r"[0-9a-f]{2}(?:-[0-9a-f]{2}){5}", Private::HardwareAddress, octets),
    form(r"[0-9a-f]{4}\.[0-9a-f]{4}\.[0-9a-f]{4}", Private::HardwareAddress, alone),
    // RFC 4291, 2.2.
    form(
        r"(?:[0-9a-f]{1,4}:){7}[0-9a-f]{1,4}|(?:[0-9a-f]{1,4}:){1,6}(?::[0-9a-f]{1,4}){1,6}|(?:[0-9a-f]{1,4}:){2,6}:|::(?:[0-9a-f]{1,4}:){2,6}[0-9a-f]{1,4}",
        Private::InternetAddress,
        internet,
    ),
    form(
        r"(?:[0-9]{1,3}\.){3}[0-9]{1,3}(?::[0-9]{1,5})?(?:/[0-9]{1,2})?",
        Private::InternetAddress,
        dotted_quad,
    ),
    // RFC 3986, 3.2.1: what stands between the scheme and the host.
    form(r"://[^/ \t\x22'<>@]{1,200}@", Private::Secret, user_information),
    form(
        r"[a-z0-9._+\x80-\xff-]+ ?(?:@|=40|\(at\)|\[at\]| at ) ?[a-z0-9\x80-\xff-]+(?:(?:\.| ?\(dot\) ?| ?\[dot\] ?| dot )[a-z0-9\x80-\xff-]+)*(?:\.| ?\(dot\) ?| ?\[dot\] ?| dot )[a-z]{2,24}",
        Private::Account,
        mail,
    ),
    // A token of RFC 7519, and keys of RFC 4253 in base64.
    form(r"eyJ[A-Za-z0-9_-]{8,}(?:\.[A-Za-z0-9_-]*){0,2}", Private::Secret, alone),
    form(r"AAAA[BCE]3NzaC[A-Za-z0-9+/]{20,}={0,2}", Private::Secret, alone),
    // An adapter's own number in its stable name.
    form(r"/dev/serial/by-id/[^ \t\x22',;)]+", Private::SerialNumber, adapter),
    // RFC 6762 and RFC 8375, and what home routers use.
    form(
        r"[a-z0-9-]+(?:\.[a-z0-9-]+)*\.(?:local|lan|home|localdomain|internal|fritz\.box|home\.arpa)",
        Private::DeviceName,
        alone,
    ),
    // ITU-T E.164 with its prefix; trunk codes in brackets; North American numbers.
    form(r"\+[0-9]{1,3}(?:[ ()./-]{0,3}[0-9]{1,6}){2,6}", Private::Telephone, telephone),
    form(r"\(0[0-9]{1,5}\)[ /-]?[0-9](?:[ -]?[0-9]){4,9}", Private::Telephone, alone),
    form(r"\(?[0-9]{3}\)?[ .-][0-9]{3}[.-][0-9]{4}", Private::Telephone, alone),
    // Degrees: decimal pairs, NMEA 0183 sentences, and with their sign.
    form(r"-?[0-9]{1,2}\.[0-9]{5,}[,;/ ][ ]?-?[0-9]{1,3}\.[0-9]{5,}", Private::Location, coordinates),
    form(r"[0-9]{4}\.[0-9]+,[ns],[0-9]{5}\.[0-9]+,[ew]", Private::Location, alone),
    form(
        r"[0-9]{1,3}(?:\.[0-9]+)? ?(?:\xc2\xb0|\xb0|&deg;|deg) ?(?:[0-9.]+ ?(?:['\x22]|\xe2\x80\xb2|\xe2\x80\xb3) ?){0,2}[nsew]",
        Private::Location,
        alone,
    ),
    form(r"[0-9a-f]{12}", Private::HardwareAddress, bare),
];

/// Bytes in hexadecimal, and text in base64, long enough to hold a name.
pub(super) const ENCODED: &str = r"(?:[0-9a-f]{2}[ :]){9,}[0-9a-f]{2}|[a-z0-9+/_-]{20,}={0,2}";

fn before(line: &[u8], from: usize) -> u8 {
    from.checked_sub(1).and_then(|at| line.get(at)).copied().unwrap_or(b' ')
}

fn behind(line: &[u8], to: usize) -> u8 {
    line.get(to).copied().unwrap_or(b' ')
}

/// No letter and no digit touches it.
fn alone(line: &[u8], from: usize, to: usize) -> Option<(usize, usize)> {
    (!is_word(before(line, from)) && !is_word(behind(line, to))).then_some((from, to))
}

/// Six octets, not part of a longer run of bytes, and not all zero.
fn octets(line: &[u8], from: usize, to: usize) -> Option<(usize, usize)> {
    alone(line, from, to)?;
    let mark = line[from + 2];
    let longer = behind(line, to) == mark && is_word(behind(line, to + 1)) || before(line, from) == mark;
    let blank = line[from..to].iter().all(|byte| *byte == b'0' || *byte == mark);
    (!longer && !blank).then_some((from, to))
}

/// Letters and digits, so that it is no plain number, and no word either.
fn bare(line: &[u8], from: usize, to: usize) -> Option<(usize, usize)> {
    let digits = line[from..to].iter().filter(|byte| byte.is_ascii_digit()).count();
    let hexadecimal = (3..12).contains(&digits);
    alone(line, from, to).filter(|_| hexadecimal && before(line, from) != b'.')
}

fn internet(line: &[u8], from: usize, to: usize) -> Option<(usize, usize)> {
    alone(line, from, to)?;
    let groups = line[from..to].split(|byte| *byte == b':').filter(|group| !group.is_empty()).count();
    let outside = before(line, from) == b':' || behind(line, to) == b':';
    (groups >= 3 && !outside).then_some((from, to))
}

fn dotted_quad(line: &[u8], from: usize, to: usize) -> Option<(usize, usize)> {
    alone(line, from, to)?;
    let host = line[from..to].split(|byte| matches!(byte, b':' | b'/')).next().unwrap_or_default();
    let fits = host
        .split(|byte| *byte == b'.')
        .all(|part| std::str::from_utf8(part).ok().is_some_and(|number| number.parse::<u8>().is_ok()));
    let longer = before(line, from) == b'.' || behind(line, to) == b'.' && is_word(behind(line, to + 1));
    (fits && !longer).then_some((from, to))
}

fn user_information(_: &[u8], from: usize, to: usize) -> Option<(usize, usize)> {
    Some((from + 3, to - 1))
}

fn mail(line: &[u8], from: usize, to: usize) -> Option<(usize, usize)> {
    // ` at ` joins words of plain English as well: it counts where a dot is spelled out too.
    let text = line[from..to].to_ascii_lowercase();
    let has = |word: &[u8]| text.windows(word.len()).any(|window| window == word);
    let spelled = !has(b" at ") || has(b" dot ") || has(b"dot)") || has(b"dot]");
    (spelled && !is_word(behind(line, to))).then_some((from, to))
}

fn adapter(line: &[u8], from: usize, to: usize) -> Option<(usize, usize)> {
    let name = line[from..to].iter().rposition(|byte| *byte == b'/')?;
    Some((from + name + 1, to))
}

fn telephone(line: &[u8], from: usize, to: usize) -> Option<(usize, usize)> {
    let digits = line[from..to].iter().filter(|byte| byte.is_ascii_digit()).count();
    alone(line, from, to).filter(|_| (8..=15).contains(&digits))
}

/// A pair within the globe; a stamp at the beginning of a line is none.
fn coordinates(line: &[u8], from: usize, to: usize) -> Option<(usize, usize)> {
    let text = std::str::from_utf8(&line[from..to]).ok()?;
    let mut parts = text.split([',', ';', '/', ' ']).filter(|part| !part.is_empty());
    let within = |part: Option<&str>, limit: f64| {
        part.and_then(|part| part.parse::<f64>().ok()).is_some_and(|degrees| degrees.abs() <= limit)
    };
    let fits = within(parts.next(), 90.0) && within(parts.next(), 180.0);
    alone(line, from, to).filter(|_| fits && from > 0)
}
