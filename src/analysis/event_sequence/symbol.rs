//! What an input says, apart from when.

use std::collections::hash_map::DefaultHasher;
use std::hash::{Hash, Hasher};

use serde::Serialize;

use crate::analysis::ledger::PathId;
use crate::base::{ControlPath, Event, Key, Name};

/// What an input says, apart from when: one entry of a sequence's alphabet.
#[derive(Clone, Debug, PartialEq, Eq, Hash, Serialize, schemars::JsonSchema)]
pub struct Symbol {
    /// Control path.
    #[serde(skip)]
    pub path: ControlPath,
    /// The key, when it means one; then nothing below counts.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub key: Option<Key>,
    /// Menu item.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub item: Option<Name>,
    /// Keypad line.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub line: Option<Name>,
    /// Infrared format.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub format: Option<Name>,
    /// Infrared address.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub address: Option<u32>,
    /// Infrared command.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub command: Option<u32>,
    /// CEC opcode.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub opcode: Option<u8>,
}

impl Symbol {
    /// A key on a control path.
    pub fn key(path: ControlPath, key: Key) -> Self {
        Self { key: Some(key), ..Self::blank(path) }
    }

    /// The path that it came on; each line of the keypad is one.
    pub fn id(&self) -> PathId {
        let line = self.line.clone().filter(|_| self.path == ControlPath::Keypad);
        PathId { path: self.path, line }
    }

    fn blank(path: ControlPath) -> Self {
        Self {
            path,
            key: None,
            item: None,
            line: None,
            format: None,
            address: None,
            command: None,
            opcode: None,
        }
    }

    pub(super) fn of(event: &Event) -> Self {
        Self {
            path: event.path,
            key: event.key,
            item: event.item.clone(),
            line: event.line.clone(),
            format: event.format.clone(),
            address: event.address,
            command: event.command,
            opcode: event.opcode,
        }
    }

    pub(super) fn is_of(&self, event: &Event) -> bool {
        self.path == event.path
            && self.key == event.key
            && self.item == event.item
            && self.line == event.line
            && self.format == event.format
            && self.address == event.address
            && self.command == event.command
            && self.opcode == event.opcode
    }

    /// Words for people: `Volume down`, `menu item volume`, `nec address 4 command 8`.
    pub fn label(&self) -> String {
        if let Some(key) = self.key {
            return key.label().to_owned();
        }
        if let Some(item) = &self.item {
            return format!("menu item {item}");
        }
        let mut words = vec![self.format.as_deref().unwrap_or(self.path.word()).to_owned()];
        words.extend(self.line.as_ref().map(|line| format!("line {line}")));
        words.extend(self.address.map(|address| format!("address {address}")));
        words.extend(self.command.map(|command| format!("command {command}")));
        words.extend(self.opcode.map(|opcode| format!("opcode {opcode}")));
        words.join(" ")
    }
}

pub(super) fn identity(event: &Event) -> u64 {
    let mut hasher = DefaultHasher::new();
    (event.path, event.key, &event.item, &event.line).hash(&mut hasher);
    (&event.format, event.address, event.command, event.opcode).hash(&mut hasher);
    hasher.finish()
}
