//! Keys by their Linux input names, and the words that people see for them.

use std::collections::HashMap;
use std::fmt;
use std::sync::LazyLock;

use schemars::JsonSchema;
use serde::{Deserialize, Deserializer, Serialize, Serializer};

/// One key, held as its Linux input code (`KEY_VOLUMEDOWN` is 114).
///
/// # Source
/// Linux uapi `linux/input-event-codes.h`, 6.1 headers; the table stands in `keys.tsv` beside this file.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Key(u16);

struct Table {
    by_code: Vec<Option<(&'static str, &'static str)>>,
    by_name: HashMap<&'static str, u16>,
}

static TABLE: LazyLock<Table> = LazyLock::new(|| {
    let text = include_str!("keys.tsv");
    let mut by_code = vec![None; 1024];
    let mut by_name = HashMap::new();
    for line in text.lines().filter(|line| !line.starts_with(['#', '='])) {
        let mut fields = line.split('\t');
        let code = fields.next().and_then(|code| code.parse::<u16>().ok());
        if let (Some(code), Some(name), Some(label)) = (code, fields.next(), fields.next()) {
            if let Some(entry) = by_code.get_mut(usize::from(code)) {
                *entry = Some((name, label));
            }
            by_name.insert(name, code);
        }
    }
    for line in text.lines().filter_map(|line| line.strip_prefix('=')) {
        if let Some((alias, name)) = line.split_once('\t')
            && let Some(code) = by_name.get(name).copied()
        {
            by_name.insert(alias, code);
        }
    }
    Table { by_code, by_name }
});

impl Key {
    /// The key with this Linux input code, if there is one.
    pub fn from_code(code: u16) -> Option<Self> {
        TABLE.by_code.get(usize::from(code)).copied().flatten().map(|_| Self(code))
    }

    /// The key with this Linux input name; aliases (`KEY_ZOOM`) give the key that they stand for.
    pub fn from_name(name: &str) -> Option<Self> {
        TABLE.by_name.get(name).copied().map(Self)
    }

    /// Linux input code.
    pub fn code(self) -> u16 {
        self.0
    }

    /// Linux input name, for programs: `KEY_VOLUMEDOWN`.
    pub fn name(self) -> &'static str {
        TABLE.by_code.get(usize::from(self.0)).copied().flatten().map_or("KEY_UNKNOWN", |(name, _)| name)
    }

    /// Words for people: `Volume down`.
    pub fn label(self) -> &'static str {
        TABLE.by_code.get(usize::from(self.0)).copied().flatten().map_or("Unknown", |(_, label)| label)
    }

    /// The known name that is spelled most like `name`, for messages about a mistyped key.
    pub fn nearest_name(name: &str) -> Option<&'static str> {
        nearest(name, TABLE.by_name.keys().copied())
    }
}

/// The candidate with the smallest edit distance to `word`, if that is at most a third of its length.
pub(crate) fn nearest<'a>(word: &str, candidates: impl Iterator<Item = &'a str>) -> Option<&'a str> {
    let limit = (word.chars().count() / 3).max(2);
    candidates
        .map(|candidate| (edit_distance(word, candidate), candidate))
        .filter(|(distance, _)| *distance <= limit)
        // Ties go to the alphabetically first, so that the answer does not depend on hash order.
        .min()
        .map(|(_, candidate)| candidate)
}

/// Levenshtein distance in characters, insertion, deletion and substitution costing one each.
fn edit_distance(a: &str, b: &str) -> usize {
    let b: Vec<char> = b.chars().collect();
    let mut row: Vec<usize> = (0..=b.len()).collect();
    for (i, ca) in a.chars().enumerate() {
        let mut diagonal = i;
        row[0] = i + 1;
        for (j, cb) in b.iter().enumerate() {
            let above = row[j + 1];
            row[j + 1] = if ca == *cb { diagonal } else { 1 + diagonal.min(above).min(row[j]) };
            diagonal = above;
        }
    }
    row[b.len()]
}

impl fmt::Debug for Key {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.name())
    }
}

impl fmt::Display for Key {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.name())
    }
}

impl Serialize for Key {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_str(self.name())
    }
}

impl<'de> Deserialize<'de> for Key {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let name = String::deserialize(deserializer)?;
        Key::from_name(&name).ok_or_else(|| {
            serde::de::Error::custom(match Key::nearest_name(&name) {
                Some(near) => format!("no key is called {name}; did you mean {near}?"),
                None => format!("no key is called {name}; use a Linux input name such as KEY_VOLUMEDOWN"),
            })
        })
    }
}

impl JsonSchema for Key {
    fn schema_name() -> std::borrow::Cow<'static, str> {
        "Key".into()
    }
    fn json_schema(_: &mut schemars::SchemaGenerator) -> schemars::Schema {
        schemars::json_schema!({ "type": "string", "pattern": "^KEY_[A-Z0-9_]+$", "description": "Linux input name" })
    }
}
