//! From the bytes of a message to an event, wherever the bytes come from.

use crate::base::{ControlPath, Event, EventKind, Nanoseconds, quote};
use crate::decode::cec::bus::{Bus, Operand};

/// Most blocks in a frame, header included.
///
/// # Source
/// Linux uapi `linux/cec.h`, `CEC_MAX_MSG_SIZE`.
pub const MOST_BLOCKS: usize = 16;

const USER_CONTROL_PRESSED: u8 = 0x44;
const USER_CONTROL_RELEASED: u8 = 0x45;
const VENDOR_DOWN: u8 = 0x8a;
const VENDOR_UP: u8 = 0x8b;

/// The event of a message's bytes (header, opcode, operands), as a chassis prints them.
///
/// Gives a `press` for User Control Pressed and Vendor Remote Button Down, a `release` for their opposites,
/// else a `frame`; [`crate::decode::cec::Keys`] then makes repeats and missing releases of them. `note` says what the
/// message means. No bytes, or more than a frame can hold, give a `fault`.
///
/// # Example
/// ```
/// use straykey::base::{Key, Nanoseconds};
/// // TV to audio system, Volume Up; bytes as the Linux header cec-funcs.h builds them.
/// let event = straykey::decode::cec::message(&[0x05, 0x44, 0x41], Nanoseconds::ZERO);
/// assert_eq!(event.key, Key::from_name("KEY_VOLUMEUP"));
/// ```
pub fn message(bytes: &[u8], t: Nanoseconds) -> Event {
    let mut event = Event::new(t, ControlPath::Cec, EventKind::Frame);
    let Some((header, rest)) = bytes.split_first().filter(|_| bytes.len() <= MOST_BLOCKS) else {
        event.kind = EventKind::Fault;
        event.note = Some(format!("a CEC message has 1 to {MOST_BLOCKS} bytes, not {}", bytes.len()).into());
        return event;
    };
    event.initiator = Some(header >> 4);
    event.destination = Some(header & 15);
    let Ok(bus) = Bus::shipped() else { return event };
    event.decoder = Some(bus.decoder.clone());
    let from = bus.address_name(header >> 4, false);
    let to = bus.address_name(header & 15, true);
    let Some((opcode, operands)) = rest.split_first() else {
        let text = match (header >> 4, header & 15) {
            (from, to) if from == to => format!("poll: is address {to} free?"),
            _ => format!("poll, {from} to {to}"),
        };
        event.note = Some(text.into());
        return event;
    };
    event.opcode = Some(*opcode);
    if !operands.is_empty() {
        event.operands = Some(operands.to_vec());
    }
    match *opcode {
        USER_CONTROL_PRESSED => {
            event.kind = EventKind::Press;
            event.key =
                operands.first().and_then(|code| bus.user_control(*code)).and_then(|control| control.key);
        }
        VENDOR_DOWN => event.kind = EventKind::Press,
        USER_CONTROL_RELEASED | VENDOR_UP => event.kind = EventKind::Release,
        _ => {}
    }
    let name = bus.opcode(*opcode);
    let mut text = match name {
        Some(opcode) => opcode.name.clone(),
        None => format!("unknown opcode {opcode:#04x}"),
    };
    if let Some(meaning) =
        name.and_then(|opcode| opcode.operand).and_then(|kind| meaning(bus, kind, operands))
    {
        text.push_str(": ");
        text.push_str(&meaning);
    }
    text.push_str(&format!("; {from} to {to}"));
    event.note = Some(text.into());
    event
}

/// What the operands say; `None` when they are too few.
fn meaning(bus: &Bus, kind: Operand, operands: &[u8]) -> Option<String> {
    let first = *operands.first()?;
    let physical = |at: usize| {
        let [high, low] = operands.get(at..at + 2)? else { return None };
        Some(format!("{}.{}.{}.{}", high >> 4, high & 15, low >> 4, low & 15))
    };
    let word = |words: &[&str]| {
        words.get(usize::from(first)).map_or_else(|| format!("{first:#04x}"), |word| (*word).to_owned())
    };
    let text = |bytes: &[u8]| format!("\"{}\"", quote(bytes));
    Some(match kind {
        Operand::UserControl => {
            bus.user_control(first).map_or_else(|| format!("reserved code {first:#04x}"), |c| c.name.clone())
        }
        Operand::Abort => {
            let reasons =
                ["unrecognised", "wrong mode", "no source", "invalid operand", "refused", "undetermined"];
            let reason = operands.get(1).and_then(|reason| reasons.get(usize::from(*reason)));
            let opcode = bus.opcode_name(first).map_or_else(|| format!("{first:#04x}"), str::to_owned);
            format!("{opcode}, {}", reason.unwrap_or(&"reason unknown"))
        }
        Operand::PhysicalAddress => physical(0)?,
        Operand::Routing => format!("{} to {}", physical(0)?, physical(2)?),
        Operand::OnOff => word(&["off", "on"]),
        Operand::AudioStatus => {
            let mute = if first & 0x80 == 0 { "mute off" } else { "mute on" };
            match first & 0x7f {
                volume @ 0..=100 => format!("{mute}, volume {volume}"),
                _ => format!("{mute}, volume unknown"),
            }
        }
        Operand::Volume => format!("volume {}", first & 0x7f),
        Operand::PowerStatus => word(&["on", "standby", "standby to on", "on to standby"]),
        Operand::Text => text(operands),
        Operand::DisplayText => text(operands.get(1..)?),
        Operand::Vendor => {
            let [a, b, c] = operands.get(..3)? else { return None };
            format!("{a:02x}-{b:02x}-{c:02x}")
        }
        Operand::MenuRequest => word(&["activate", "deactivate", "query"]),
        Operand::MenuStatus => word(&["activated", "deactivated"]),
    })
}
