//! Events to JSON, one a line, by hand: this is the widest stream that leaves the program.
//!
//! `serde` on the same type is the slow twin; a test holds them equal.

use crate::base::push_decimal;
use crate::base::{Anchor, Event, is_hidden};

/// A key behind another one, in one piece.
macro_rules! key {
    ($name:literal) => {
        concat!(",\"", $name, "\":").as_bytes()
    };
}

/// Appends one event as a JSON object, keys in the order of the fields, without a line end.
///
/// `anchor` fills `at` when the event has none. Times are decimal seconds with nine places at most.
pub fn write_event(event: &Event, anchor: Option<Anchor>, out: &mut Vec<u8>) {
    out.extend_from_slice(b"{\"t\":");
    event.t.write_seconds(out);
    if let Some(at) = &event.at {
        text(out, key!("at"), at);
    } else if let Some(at) = anchor.and_then(|anchor| anchor.wall(event.t)) {
        text(out, key!("at"), &at);
    }
    plain(out, key!("path"), event.path.word());
    plain(out, key!("kind"), event.kind.word());
    if let Some(key) = event.key {
        plain(out, key!("key"), key.name());
    }
    if let Some(line) = &event.line {
        text(out, key!("line"), line);
    }
    number(out, key!("counts"), event.counts.map(u64::from));
    if let Some(volts) = event.volts {
        out.extend_from_slice(key!("volts"));
        float(out, volts);
    }
    if let Some(format) = &event.format {
        text(out, key!("format"), format);
    }
    number(out, key!("address"), event.address.map(u64::from));
    number(out, key!("command"), event.command.map(u64::from));
    truth(out, key!("toggle"), event.toggle);
    number(out, key!("bits"), event.bits.map(u64::from));
    if let Some(raw) = &event.raw {
        text(out, key!("raw"), raw);
    }
    number(out, key!("initiator"), event.initiator.map(u64::from));
    number(out, key!("destination"), event.destination.map(u64::from));
    number(out, key!("opcode"), event.opcode.map(u64::from));
    if let Some(operands) = &event.operands {
        out.extend_from_slice(key!("operands"));
        out.push(b'[');
        for (i, operand) in operands.iter().enumerate() {
            if i > 0 {
                out.push(b',');
            }
            push_decimal(out, u64::from(*operand));
        }
        out.push(b']');
    }
    truth(out, key!("ack"), event.ack);
    if let Some(item) = &event.item {
        text(out, key!("item"), item);
    }
    if let Some(value) = &event.value {
        text(out, key!("value"), value);
    }
    if let Some(held) = event.held {
        out.extend_from_slice(key!("held"));
        held.write_seconds(out);
    }
    if let Some(quality) = event.quality {
        out.extend_from_slice(key!("quality"));
        // Two places say all that quality means; more would be noise in golden files.
        let hundredths = (quality.clamp(0.0, 1.0) * 100.0).round() as u64;
        push_decimal(out, hundredths / 100);
        match hundredths % 100 {
            0 => {}
            part if part % 10 == 0 => {
                out.push(b'.');
                push_decimal(out, part / 10);
            }
            part => {
                out.push(b'.');
                out.push(b'0' + (part / 10) as u8);
                out.push(b'0' + (part % 10) as u8);
            }
        }
    }
    if let Some(note) = &event.note {
        text(out, key!("note"), note);
    }
    if let Some(capture) = &event.capture {
        text(out, key!("capture"), capture);
    }
    if let Some(channel) = &event.channel {
        text(out, key!("channel"), channel);
    }
    number(out, key!("offset"), event.offset);
    number(out, key!("length"), event.length.map(u64::from));
    if let Some(decoder) = &event.decoder {
        text(out, key!("decoder"), decoder);
    }
    out.push(b'}');
}

fn plain(out: &mut Vec<u8>, key: &[u8], word: &str) {
    out.extend_from_slice(key);
    out.push(b'"');
    out.extend_from_slice(word.as_bytes());
    out.push(b'"');
}

fn number(out: &mut Vec<u8>, key: &[u8], value: Option<u64>) {
    if let Some(value) = value {
        out.extend_from_slice(key);
        push_decimal(out, value);
    }
}

fn truth(out: &mut Vec<u8>, key: &[u8], value: Option<bool>) {
    if let Some(value) = value {
        out.extend_from_slice(key);
        out.extend_from_slice(if value { b"true" } else { b"false" });
    }
}

/// Volts to microvolts' precision; JSON has no word for what is not a number.
fn float(out: &mut Vec<u8>, value: f64) {
    if !value.is_finite() {
        out.extend_from_slice(b"null");
        return;
    }
    let micro = (value * 1e6).round();
    if micro.abs() < 9e15 {
        crate::base::Nanoseconds(micro as i64 * 1000).write_seconds(out);
    } else {
        out.extend_from_slice(value.to_string().as_bytes());
    }
}

/// Bytes with which something begins that is escaped; all of it beyond ASCII begins with one of five.
static MAY_HIDE: [bool; 256] = {
    let mut hides = [false; 256];
    let mut byte = 0;
    while byte < 256 {
        hides[byte] = matches!(byte, 0..=0x1f | 0x22 | 0x5c | 0x7f | 0xc2 | 0xd8 | 0xe1 | 0xe2 | 0xef);
        byte += 1;
    }
    hides
};

fn text(out: &mut Vec<u8>, key: &[u8], value: &str) {
    out.extend_from_slice(key);
    out.push(b'"');
    let bytes = value.as_bytes();
    if !bytes.iter().fold(false, |hides, byte| hides | MAY_HIDE[usize::from(*byte)]) {
        out.extend_from_slice(bytes);
    } else {
        for c in value.chars() {
            match c {
                '"' => out.extend_from_slice(b"\\\""),
                '\\' => out.extend_from_slice(b"\\\\"),
                '\n' => out.extend_from_slice(b"\\n"),
                '\r' => out.extend_from_slice(b"\\r"),
                '\t' => out.extend_from_slice(b"\\t"),
                c if is_hidden(c) => escape(c, out),
                c => out.extend_from_slice(c.encode_utf8(&mut [0; 4]).as_bytes()),
            }
        }
    }
    out.push(b'"');
}

/// As JSON writes it, RFC 8259, 7; none of these is beyond the first plane.
fn escape(c: char, out: &mut Vec<u8>) {
    out.extend_from_slice(format!("\\u{:04x}", u32::from(c)).as_bytes());
}

/// JSON in which everything that hides or moves text is escaped, for a terminal; it means the same.
pub fn shown_json(json: String) -> String {
    // A line end between values is no text.
    let hides = |c: char| is_hidden(c) && !matches!(c, '\n' | '\r' | '\t');
    if !json.chars().any(hides) {
        return json;
    }
    let mut out = Vec::with_capacity(json.len() + 16);
    for c in json.chars() {
        if hides(c) {
            escape(c, &mut out);
        } else {
            out.extend_from_slice(c.encode_utf8(&mut [0; 4]).as_bytes());
        }
    }
    String::from_utf8(out).unwrap_or(json)
}
