//! What a chassis file says of one record: its shape, what it means, and the key that it names.

use crate::base::{ControlPath, Key};
use serde::de::{MapAccess, Visitor};
use serde::{Deserialize, Deserializer};
use std::collections::BTreeMap;
use std::fmt;
use toml::Spanned;

/// What a record means.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize, schemars::JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Meaning {
    /// Converter counts of one or more lines.
    Reading,
    /// A key went down.
    Press,
    /// A key went up.
    Release,
    /// A key is still down.
    Repeat,
    /// A key; `state` says whether it went down, up, or repeats.
    Key,
    /// A menu item took a value.
    Change,
    /// The set started.
    Boot,
    /// The set went to standby or woke.
    Standby,
    /// A code or message that means no key.
    Frame,
    /// The bytes of a CEC message.
    Message,
    /// Signal that is no message.
    Noise,
    /// Something is wrong, says the set.
    Fault,
    /// The first line of an event that a later line completes: what it says is kept for the next record of its path.
    Part,
    /// Known, and of no interest.
    Ignore,
}

/// What a state word says of a key.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize, schemars::JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum KeyState {
    /// Went down.
    Press,
    /// Went up.
    Release,
    /// Is still down.
    Repeat,
}

/// A fixed key, or a map from captured text to keys.
#[derive(Clone, Debug)]
pub enum KeyRule {
    /// Always this key.
    One(Key),
    /// By the captured text; numbers are compared as numbers where the placeholder is one.
    Map(BTreeMap<String, Key>),
}

impl<'de> Deserialize<'de> for KeyRule {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct Rule;
        impl<'de> Visitor<'de> for Rule {
            type Value = KeyRule;
            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("a key name, or a table from printed words to key names")
            }
            fn visit_str<E: serde::de::Error>(self, name: &str) -> Result<KeyRule, E> {
                Key::deserialize(serde::de::value::StrDeserializer::<E>::new(name)).map(KeyRule::One)
            }
            fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<KeyRule, A::Error> {
                let mut keys = BTreeMap::new();
                while let Some((word, key)) = map.next_entry::<String, Key>()? {
                    keys.insert(word, key);
                }
                Ok(KeyRule::Map(keys))
            }
        }
        deserializer.deserialize_any(Rule)
    }
}

impl schemars::JsonSchema for KeyRule {
    fn schema_name() -> std::borrow::Cow<'static, str> {
        "KeyRule".into()
    }
    fn json_schema(generator: &mut schemars::SchemaGenerator) -> schemars::Schema {
        let key = generator.subschema_for::<Key>();
        let map = generator.subschema_for::<BTreeMap<String, Key>>();
        schemars::json_schema!({ "anyOf": [key, map], "description": "a key, or a table from printed words to keys" })
    }
}

/// Some bits of a captured number.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize, schemars::JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct BitsOf {
    /// The placeholder that captures the number.
    pub of: String,
    /// The lowest bit, counted from 0 at the least significant.
    pub bit: u8,
    /// How many bits.
    pub bits: u8,
}

/// One `[[record]]`: a line shape and what it means.
#[derive(Clone, Debug, Deserialize, schemars::JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Record {
    /// The line, with placeholders.
    #[schemars(with = "String")]
    pub shape: Spanned<String>,
    /// What it means.
    #[schemars(with = "Meaning")]
    pub event: Spanned<Meaning>,
    /// Whether the prefixes of `[text]` stand before it.
    #[serde(default = "yes")]
    pub prefix: bool,
    /// Numbers that stand in some bits of a captured one, by the names that placeholders have.
    #[serde(default)]
    #[schemars(with = "BTreeMap<String, BitsOf>")]
    pub bits: BTreeMap<String, Spanned<BitsOf>>,
    /// Control path, where it is not the usual one of the meaning.
    pub path: Option<ControlPath>,
    /// The key, or a map from the captured text to keys.
    #[schemars(with = "Option<KeyRule>")]
    pub key: Option<Spanned<KeyRule>>,
    /// The placeholder that the key's map is looked up with; `key` when absent.
    #[schemars(with = "Option<String>")]
    pub key_from: Option<Spanned<String>>,
    /// What the captured `state` says of the key.
    #[serde(default)]
    pub state: BTreeMap<String, KeyState>,
    /// Keypad line, where the shape does not capture it.
    pub line: Option<String>,
    /// Menu item, where the shape does not capture it.
    pub item: Option<String>,
    /// Value, where the shape does not capture it.
    pub value: Option<String>,
    /// What captured values are called, before the menu's names.
    #[serde(default)]
    pub values: BTreeMap<String, String>,
    /// Infrared format, where the shape does not capture it.
    pub format: Option<String>,
    /// A remark for the event.
    pub note: Option<String>,
    /// What captured notes are called, such as the codes of reset reasons.
    #[serde(default)]
    pub notes: BTreeMap<String, String>,
}

fn yes() -> bool {
    true
}
