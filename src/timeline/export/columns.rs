//! The columns of a table of events.

use std::fmt::Display;
use std::io::Write as _;

use crate::base::{Event, is_hidden};
use crate::timeline::export::Place;

/// Names of the columns: the stage, then the fields of the event in their order.
pub(super) const COLUMNS: [&str; 30] = [
    "stage",
    "t",
    "at",
    "path",
    "kind",
    "key",
    "line",
    "counts",
    "volts",
    "format",
    "address",
    "command",
    "toggle",
    "bits",
    "raw",
    "initiator",
    "destination",
    "opcode",
    "operands",
    "ack",
    "item",
    "value",
    "held",
    "quality",
    "note",
    "capture",
    "channel",
    "offset",
    "length",
    "decoder",
];

/// CEC operands as hexadecimal bytes with blanks between them.
pub(super) fn operands(bytes: &[u8]) -> String {
    bytes.iter().map(|byte| format!("{byte:02x}")).collect::<Vec<_>>().join(" ")
}

/// When the event happened, RFC 3339, when that is known.
pub(super) fn wall(event: &Event, place: Place) -> Option<String> {
    event.at.clone().or_else(|| place.anchor.and_then(|anchor| anchor.wall(event.t)))
}

/// Appends the text of one cell; nothing for what is unknown.
pub(super) fn cell(column: &str, event: &Event, place: Place, out: &mut Vec<u8>) {
    match column {
        "stage" => put(place.stage, out),
        "t" => event.t.write_seconds(out),
        "at" => put(wall(event, place), out),
        "path" => put(Some(event.path.word()), out),
        "kind" => put(Some(event.kind.word()), out),
        "key" => put(event.key.map(|key| key.name()), out),
        "held" => {
            if let Some(held) = event.held {
                held.write_seconds(out);
            }
        }
        "operands" => put(event.operands.as_deref().map(operands), out),
        "line" => words(event.line.as_deref(), out),
        "counts" => put(event.counts, out),
        "volts" => put(event.volts, out),
        "format" => words(event.format.as_deref(), out),
        "address" => put(event.address, out),
        "command" => put(event.command, out),
        "toggle" => put(event.toggle, out),
        "bits" => put(event.bits, out),
        "raw" => words(event.raw.as_deref(), out),
        "initiator" => put(event.initiator, out),
        "destination" => put(event.destination, out),
        "opcode" => put(event.opcode, out),
        "ack" => put(event.ack, out),
        "item" => words(event.item.as_deref(), out),
        "value" => words(event.value.as_deref(), out),
        "quality" => put(event.quality, out),
        "note" => words(event.note.as_deref(), out),
        "capture" => words(event.capture.as_deref(), out),
        "channel" => words(event.channel.as_deref(), out),
        "offset" => put(event.offset, out),
        "length" => put(event.length, out),
        "decoder" => words(event.decoder.as_deref(), out),
        _ => {}
    }
}

fn put(value: Option<impl Display>, out: &mut Vec<u8>) {
    if let Some(value) = value {
        // Writing into memory does not fail.
        let _ = write!(out, "{value}");
    }
}

/// Words from outside. A spreadsheet runs a cell that begins like a formula, so an apostrophe stands before such a one,
/// which spreadsheets take for "text follows"; what hides or moves text is escaped.
fn words(value: Option<&str>, out: &mut Vec<u8>) {
    let Some(value) = value else { return };
    let runs =
        |c: char| matches!(c, '=' | '+' | '-' | '@' | '\u{ff1d}' | '\u{ff0b}' | '\u{ff0d}' | '\u{ff20}');
    let first = value.chars().find(|c| !c.is_whitespace() && !is_hidden(*c));
    if first.is_some_and(runs) {
        out.push(b'\'');
    }
    for c in value.chars() {
        match c {
            c if is_hidden(c) => put(Some(c.escape_default()), out),
            c => out.extend_from_slice(c.encode_utf8(&mut [0; 4]).as_bytes()),
        }
    }
}
