//! One event as one line for people.

use crate::base::{Event, EventKind};
use crate::face::out::safe;

/// Time, path, kind and what is known, in columns: `12.400 s  keypad    press    Volume down (KEY1, 133 counts)`.
pub(super) fn event(event: &Event) -> String {
    let mut text =
        format!("{:>12.3} s  {:<8}  {:<7}", event.t.seconds(), event.path.word(), event.kind.word());
    let mut what = Vec::new();
    if let Some(key) = event.key {
        what.push(key.label().to_owned());
    }
    if let Some(item) = &event.item {
        what.push(match &event.value {
            Some(value) => format!("{} = {}", safe(item), safe(value)),
            None => safe(item),
        });
    } else if let Some(value) = &event.value {
        what.push(safe(value));
    }
    if let Some(format) = &event.format {
        let mut code = safe(format);
        if let Some(address) = event.address {
            code.push_str(&format!(" address 0x{address:02x}"));
        }
        if let Some(command) = event.command {
            code.push_str(&format!(" command 0x{command:02x}"));
        }
        what.push(code);
    }
    if let (Some(initiator), Some(destination)) = (event.initiator, event.destination) {
        let mut message = format!("{initiator} to {destination}");
        if let Some(opcode) = event.opcode {
            message.push_str(&format!(", opcode {opcode:02x}"));
        }
        for operand in event.operands.iter().flatten() {
            message.push_str(&format!(" {operand:02x}"));
        }
        what.push(message);
    }
    let mut details = Vec::new();
    if let Some(line) = &event.line {
        details.push(safe(line));
    }
    if let Some(counts) = event.counts {
        details.push(format!("{counts} counts"));
    }
    if let Some(volts) = event.volts {
        details.push(format!("{volts:.2} V"));
    }
    if let Some(held) = event.held {
        details.push(format!("held {:.2} s", held.seconds()));
    }
    if let Some(note) = &event.note {
        details.push(safe(note));
    }
    if !what.is_empty() {
        text.push_str("  ");
        text.push_str(&what.join(", "));
    }
    if !details.is_empty() {
        let details = details.join(", ");
        text.push_str(&if what.is_empty() { format!("  {details}") } else { format!(" ({details})") });
    }
    text
}

/// Whether a person watching wants to see the event at once: readings are too many.
pub(super) fn is_news(event: &Event) -> bool {
    event.kind != EventKind::Reading
}
