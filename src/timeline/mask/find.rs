//! Labels and forms as automata, and the search with them.

use std::cell::RefCell;
use std::sync::LazyLock;

use regex_automata::hybrid::dfa;
use regex_automata::hybrid::regex::{Cache, Regex};
use regex_automata::nfa::thompson;
use regex_automata::util::syntax;
use regex_automata::{Anchored, Input, MatchKind};

pub(crate) use crate::timeline::mask::value::Span;
use crate::timeline::mask::value::{Reach, is_word, value};

use crate::timeline::mask::form::{self, FORMS};
use crate::timeline::mask::private::Private;

/// What must stand between a label and its value.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Sign {
    /// `=`, `:`, `is`, or a quote.
    Any,
    /// `=` alone: the word is too common before a colon.
    Equals,
    /// Any of them, or nothing but a blank.
    Loose,
    /// A quote or a colon.
    Quote,
}

/// What a value must look like, where the label alone says too little.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Looks {
    Any,
    /// Four characters or more.
    Long,
    /// A number with a decimal point or a degree sign.
    Decimal,
    /// Not a state: `"reconnect":true` names nothing.
    Named,
}

struct Label {
    words: &'static str,
    kind: Private,
    reach: Reach,
    sign: Sign,
    looks: Looks,
}

const fn label(words: &'static str, kind: Private, reach: Reach, sign: Sign) -> Label {
    Label { words, kind, reach, sign, looks: Looks::Any }
}

/// `_`, `-`, a dot, a blank or nothing stand between the words of a name.
const LABELS: [Label; 20] = [
    label(r"(?:proxy[ _-]?)?authorization|(?:set-)?cookies?", Private::Secret, Reach::Line, Sign::Any),
    label(r"bearer", Private::Secret, Reach::Word, Sign::Loose),
    label(
        r"pass(?:word|wd|wort|[ _-]?phrase)|kennwort|mot de passe|contrase\xc3\xb1a|psk",
        Private::Secret,
        Reach::Words,
        Sign::Loose,
    ),
    label(r"pwd|pass(?:[ _-]?(?:code|key))?|pw", Private::Secret, Reach::Words, Sign::Any),
    label(
        r"(?:wi-?fi|wlan|wpa[23]?|wep|ap|api|app|access|secret|private|priv|pre[ _-]?shared|license|licence|product|activation|network|net|encryption|session|auth|aes|hdcp|client|shared|security|master|device|signing|host)[ _-]?key",
        Private::Secret,
        Reach::Words,
        Sign::Loose,
    ),
    label(
        r"token|secret|credentials?|session(?:[ _-]?id)?|nonce|auth|otp|jwt|signature|challenge",
        Private::Secret,
        Reach::Word,
        Sign::Any,
    ),
    Label { looks: Looks::Long, ..label(r"pin|puk|tan", Private::Secret, Reach::Word, Sign::Any) },
    label(r"[eb]?ssid", Private::NetworkName, Reach::Words, Sign::Loose),
    label(
        r"(?:wi-?fi|wlan|wireless|network|net|ap)[ _-]?(?:name|network|profile)",
        Private::NetworkName,
        Reach::Words,
        Sign::Any,
    ),
    Label {
        looks: Looks::Named,
        ..label(
            r"(?:connect(?:ed|ing)?|associat(?:ed|ing)|join(?:ed|ing)?|authenticat(?:ed|ing)|roam(?:ed|ing)?)(?: (?:to|with))?(?: (?:ap|network|wi-?fi|wlan|access point))?|access[ _-]?point",
            Private::NetworkName,
            Reach::Words,
            Sign::Quote,
        )
    },
    label(
        r"serial[ _-]?(?:nos?|nr|num(?:ber)?)|seriennummer|s/n|imei|meid|iccid|duid|udid",
        Private::SerialNumber,
        Reach::Word,
        Sign::Loose,
    ),
    label(
        r"serial|serno|sn|esn|(?:device|chip|unique|android|advertising|machine|household|customer|hardware|hw)[ _-]?id|asset[ _-]?tag",
        Private::SerialNumber,
        Reach::Word,
        Sign::Any,
    ),
    label(
        r"mac|hw[ _-]?addr|hardware[ _-]?addr|bd[ _-]?addr|eth(?:er)?[ _-]?addr|bluetooth[ _-]?addr",
        Private::HardwareAddress,
        Reach::Words,
        Sign::Any,
    ),
    label(
        r"user[ _-]?name|login|account|benutzer(?:name)?|e-?mail(?:[ _-]?addr)?|mailto",
        Private::Account,
        Reach::Word,
        Sign::Any,
    ),
    label(r"usr|user", Private::Account, Reach::Word, Sign::Any),
    label(
        r"host[ _-]?name|(?:device|dev|friendly|nick|computer|bluetooth|bt|tv|player|room|dlna|cast|owner|customer|profile|display|set)[ _-]?name|owner|customer|kunde",
        Private::DeviceName,
        Reach::Words,
        Sign::Any,
    ),
    label(r"host|fqdn", Private::DeviceName, Reach::Word, Sign::Equals),
    label(
        r"(?:tele|mobile[ _-]?|cell[ _-]?)?phone|tel|mobile|fax|msisdn",
        Private::Telephone,
        Reach::Words,
        Sign::Any,
    ),
    Label {
        looks: Looks::Decimal,
        ..label(
            r"lat(?:itude)?|lon(?:g(?:itude)?)?|lng|gps|geo|coord(?:inate)?s?|position",
            Private::Location,
            Reach::Words,
            Sign::Any,
        )
    },
    label(
        r"post[ _-]?code|postal[ _-]?code|zip[ _-]?code|street",
        Private::Location,
        Reach::Words,
        Sign::Any,
    ),
];

/// What may stand behind a label before its sign: `ssid_2g`, `mac address`, `pin code`, `password1`.
const ENDING: &str = r"(?:[ _.-]?(?:addr(?:ess)?|no|nr|num(?:ber)?|name|code|id|hash|hex|str(?:ing)?|val(?:ue)?|[25]g)|[_-]?[0-9]{1,2})?\.?";

/// What shows that a line says something behind escapes or in UTF-16.
const ESCAPED: [&str; 3] = [r"%[0-9a-f]{2}|=40", r"\\[xu][0-9a-f]{2}|&#[x0-9]", r"\x00[ -~]\x00"];

fn syntax() -> syntax::Config {
    syntax::Config::new().unicode(false).utf8(false).case_insensitive(true)
}

struct Automata {
    /// Whether a line holds anything of all: one look at each byte.
    any: dfa::DFA,
    labels: Regex,
    forms: Regex,
    encoded: Regex,
}

/// The patterns are constants; should one be wrong, nothing is found, and the tests fail.
static AUTOMATA: LazyLock<Option<Automata>> = LazyLock::new(|| {
    let labels: Vec<String> = LABELS.iter().map(|label| format!("(?:{}){ENDING}", label.words)).collect();
    let forms: Vec<&str> = FORMS.iter().map(|form| form.pattern).collect();
    let mut all: Vec<&str> = LABELS.iter().map(|label| label.words).collect();
    all.extend(&forms);
    all.extend(ESCAPED);
    all.push(form::ENCODED);
    let regex =
        |patterns: &[&str]| Regex::builder().syntax(syntax()).thompson(bytes()).build_many(patterns).ok();
    Some(Automata {
        any: dfa::DFA::builder()
            .configure(dfa::DFA::config().match_kind(MatchKind::All).cache_capacity(8 << 20))
            .syntax(syntax())
            .thompson(bytes())
            .build_many(&all)
            .ok()?,
        labels: regex(&labels.iter().map(String::as_str).collect::<Vec<_>>())?,
        forms: regex(&forms)?,
        encoded: regex(&[form::ENCODED])?,
    })
});

fn bytes() -> thompson::Config {
    thompson::Config::new().utf8(false)
}

struct Caches {
    any: dfa::Cache,
    labels: Cache,
    forms: Cache,
    encoded: Cache,
}

thread_local! {
    static CACHES: RefCell<Option<Caches>> = const { RefCell::new(None) };
}

fn with<T>(none: T, run: impl FnOnce(&'static Automata, &mut Caches) -> T) -> T {
    let Some(automata) = AUTOMATA.as_ref() else { return none };
    CACHES.with_borrow_mut(|caches| {
        let caches = caches.get_or_insert_with(|| Caches {
            any: automata.any.create_cache(),
            labels: automata.labels.create_cache(),
            forms: automata.forms.create_cache(),
            encoded: automata.encoded.create_cache(),
        });
        run(automata, caches)
    })
}

/// Where the first thing ends, from `from` on, that may be private or encoded.
pub(super) fn candidate(text: &[u8], from: usize) -> Option<usize> {
    with(None, |automata, caches| {
        let input = Input::new(text).span(from..text.len()).anchored(Anchored::No).earliest(true);
        match automata.any.try_search_fwd(&mut caches.any, &input) {
            Ok(found) => found.map(|found| found.offset().max(from + 1)),
            // The automaton gave up: the line is looked at closely.
            Err(_) => Some(from + 1),
        }
    })
}

/// What is private in a line as it stands, in order of place, without overlaps.
pub(super) fn spans(line: &[u8]) -> Vec<Span> {
    let mut found = labelled(line);
    let mut rest = line.to_vec();
    for span in &found {
        // What was found is no part of a form any more, and its border stays one.
        rest[span.from..span.to].fill(b' ');
    }
    let forms = by_form(&rest);
    for span in &forms {
        rest[span.from..span.to].fill(b' ');
    }
    found.extend(forms);
    found.extend(by_encoding(&rest));
    merged(found)
}

/// In order of place; of two that overlap, one that covers both.
pub(super) fn merged(mut spans: Vec<Span>) -> Vec<Span> {
    spans.sort_by_key(|span| (span.from, span.to));
    let mut all: Vec<Span> = Vec::with_capacity(spans.len());
    for span in spans {
        match all.last_mut().filter(|last| span.from < last.to) {
            Some(last) => {
                last.keeps_form &= span.keeps_form;
                last.to = last.to.max(span.to);
            }
            None => all.push(span),
        }
    }
    all
}

fn labelled(line: &[u8]) -> Vec<Span> {
    let mut all = Vec::new();
    let mut at = 0;
    while let Some((index, from, to)) = next_label(line, at) {
        at = to;
        let Some(label) = LABELS.get(index) else { continue };
        let found = is_label(line, from, to)
            .then(|| sign(line, to, label.sign))
            .flatten()
            .and_then(|begin| value(line, begin, label.reach))
            .filter(|(from, to)| looks(&line[*from..*to], label.looks));
        if let Some((from, to)) = found {
            all.push(Span { from, to, kind: label.kind, keeps_form: false });
            at = to;
        }
    }
    all
}

fn next_label(line: &[u8], at: usize) -> Option<(usize, usize, usize)> {
    with(None, |automata, caches| {
        let input = Input::new(line).span(at..line.len());
        let found = automata.labels.try_search(&mut caches.labels, &input).ok().flatten()?;
        Some((found.pattern().as_usize(), found.start(), found.end().max(at + 1)))
    })
}

/// A label may be the end of a longer name (`wifi_ssid`, `boardSerial`), not its middle.
fn is_label(line: &[u8], from: usize, to: usize) -> bool {
    let before = from.checked_sub(1).and_then(|at| line.get(at)).copied().unwrap_or(b' ');
    let long = to - from >= 6;
    let joined = is_word(before) && !line[from].is_ascii_uppercase() && !long;
    let goes_on = line.get(to).is_some_and(|byte| is_word(*byte) || *byte == b'_');
    !joined && !goes_on
}

/// Where the value may begin behind a label, if a sign says that there is one.
fn sign(line: &[u8], mut at: usize, sign: Sign) -> Option<usize> {
    let byte = |at: usize| line.get(at).copied().unwrap_or(0);
    let is_blank = |at: usize| matches!(byte(at), b' ' | b'\t');
    let is_quote = |at: usize| matches!(byte(at), b'"' | b'\'' | b'`');
    if byte(at) == b'\\' && is_quote(at + 1) {
        at += 1;
    }
    // The quote or the bracket that ends a quoted name; a quote before a value has a blank before it.
    let named = is_quote(at) && !is_word(byte(at + 1));
    at += usize::from(named || byte(at) == b']');
    let label_ends = at;
    while is_blank(at) {
        at += 1;
    }
    let rest = line.get(at..).unwrap_or_default();
    let begins = |word: &[u8]| rest.len() >= word.len() && rest[..word.len()].eq_ignore_ascii_case(word);
    let strong = [&b"=>"[..], b":=", b"->", b"=="].into_iter().find(|word| begins(word));
    if let Some(word) = strong {
        return Some(at + word.len());
    }
    if byte(at) == b'=' || byte(at) == b':' && sign != Sign::Equals {
        return Some(at + 1);
    }
    if sign == Sign::Equals {
        return None;
    }
    if is_quote(at) || byte(at) == b'\\' && is_quote(at + 1) {
        return Some(at);
    }
    if sign == Sign::Quote {
        return None;
    }
    if let Some(word) = [&b"is "[..], b"was ", b"set to ", b"to "].into_iter().find(|word| begins(word)) {
        return Some(at + word.len());
    }
    (sign == Sign::Loose && at > label_ends && is_word(byte(at))).then_some(at)
}

fn looks(value: &[u8], looks: Looks) -> bool {
    match looks {
        Looks::Any => true,
        Looks::Long => value.len() >= 4,
        Looks::Named => {
            ![&b"true"[..], b"false", b"null"].iter().any(|state| value.eq_ignore_ascii_case(state))
        }
        Looks::Decimal => {
            value.iter().any(u8::is_ascii_digit) && value.iter().any(|byte| matches!(byte, b'.' | 0xb0))
        }
    }
}

fn by_form(line: &[u8]) -> Vec<Span> {
    let mut all = Vec::new();
    let mut at = 0;
    while let Some((index, from, to)) = next_form(line, at) {
        let Some(form) = FORMS.get(index) else { break };
        match (form.place)(line, from, to) {
            Some((from, to)) if to > from => {
                all.push(Span { from, to, kind: form.kind, keeps_form: true });
                at = to.max(at + 1);
            }
            // Something else may begin behind the first letter.
            _ => at = from + 1,
        }
    }
    all
}

fn next_form(line: &[u8], at: usize) -> Option<(usize, usize, usize)> {
    with(None, |automata, caches| {
        let input = Input::new(line).span(at..line.len());
        let found = automata.forms.try_search(&mut caches.forms, &input).ok().flatten()?;
        Some((found.pattern().as_usize(), found.start(), found.end()))
    })
}

fn by_encoding(line: &[u8]) -> Vec<Span> {
    let next = |at: usize| {
        with(None, |automata, caches| {
            let input = Input::new(line).span(at..line.len());
            automata.encoded.try_search(&mut caches.encoded, &input).ok().flatten()
        })
    };
    let mut all = Vec::new();
    let mut at = 0;
    while let Some(found) = next(at) {
        if hides(&line[found.range()]) {
            let (from, to) = (found.start(), found.end());
            all.push(Span { from, to, kind: Private::Secret, keeps_form: true });
        }
        at = found.end().max(at + 1);
    }
    all
}

/// Whether a text that was behind an encoding holds anything private.
pub(super) fn is_private(text: &[u8]) -> bool {
    // UTF-16 of what is in ASCII.
    let plain: Vec<u8> = text.iter().copied().filter(|byte| *byte != 0).collect();
    !labelled(&plain).is_empty() || !by_form(&plain).is_empty()
}

/// Whether a match of [`ENCODED`] is text that holds something private.
pub(crate) fn hides(token: &[u8]) -> bool {
    let holds = |bytes: Option<Vec<u8>>| bytes.is_some_and(|bytes| is_text(&bytes) && is_private(&bytes));
    holds(from_hexadecimal(token)) || holds(from_base64(token))
}

/// Nearly all of it can be read, in UTF-8 or UTF-16.
pub(crate) fn is_text(bytes: &[u8]) -> bool {
    let read = bytes.iter().filter(|byte| matches!(byte, b' '..=b'~' | b'\t' | b'\r' | b'\n' | 0)).count();
    bytes.len() >= 8 && read * 10 >= bytes.len() * 9
}

pub(crate) fn from_hexadecimal(token: &[u8]) -> Option<Vec<u8>> {
    let digit = |byte: u8| char::from(byte).to_digit(16).and_then(|digit| u8::try_from(digit).ok());
    let digits: Vec<u8> = token.iter().filter(|byte| !matches!(byte, b' ' | b':')).copied().collect();
    digits.chunks(2).map(|pair| Some(digit(*pair.first()?)? << 4 | digit(*pair.get(1)?)?)).collect()
}

/// RFC 4648, 4 and 5; what is behind the last whole group is left out.
pub(crate) fn from_base64(token: &[u8]) -> Option<Vec<u8>> {
    let value = |byte: u8| match byte {
        b'A'..=b'Z' => Some(byte - b'A'),
        b'a'..=b'z' => Some(byte - b'a' + 26),
        b'0'..=b'9' => Some(byte - b'0' + 52),
        b'+' | b'-' => Some(62),
        b'/' | b'_' => Some(63),
        _ => None,
    };
    let values: Vec<u8> =
        token.iter().filter(|byte| **byte != b'=').map(|byte| value(*byte)).collect::<Option<_>>()?;
    let mut bytes = Vec::with_capacity(values.len());
    for group in values.chunks(4) {
        let bits = group.iter().fold(0u32, |bits, value| bits << 6 | u32::from(*value));
        let bits = bits << (6 * (4 - group.len()));
        let [_, first, second, third] = bits.to_be_bytes();
        bytes.extend([first, second, third].iter().take(group.len().saturating_sub(1)));
    }
    Some(bytes)
}
