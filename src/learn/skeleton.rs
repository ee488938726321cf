//! A chassis file to begin with, for who knows the dialect or wants to learn the format.

use std::fmt::Write as _;
use std::path::Path;
use std::sync::Arc;

use crate::base::{Error, Key, Result};
use crate::decode::chassis::Chassis;
use crate::decode::example;
use crate::learn::draft::quoted;

/// How the set tells of its keys.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Speech {
    /// It prints converter readings.
    Readings,
    /// It names keys, pressed and released.
    Keys,
    /// It names keys when they go down, and never says that they went up.
    Presses,
}

/// What a skeleton is made of.
#[derive(Clone, Debug)]
pub struct Skeleton {
    /// Name of the chassis: small letters, digits, hyphens.
    pub name: String,
    /// What it is, one line.
    pub about: String,
    /// Where the facts come from.
    pub source: String,
    /// What stands before every record, as a shape; empty for nothing.
    pub prefix: String,
    /// How the set tells of its keys.
    pub speech: Speech,
    /// The line, as a shape; the usual one of the speech when empty.
    pub shape: String,
    /// Keys, each with the word that the set prints, or with its reading.
    pub keys: Vec<(Key, String)>,
    /// Largest reading of the converter.
    pub full_scale: u32,
}

impl Skeleton {
    /// The text of the file. It passes its own check, or this fails.
    ///
    /// # Errors
    /// `Input` when a name, a shape or a key cannot be used, with place and help; `Usage` for no keys.
    pub fn text(&self) -> Result<String> {
        if self.keys.is_empty() {
            return Err(Error::usage("a skeleton needs at least one key")
                .help("name each with what the set prints, as --key KEY_MENU=MENU, or its reading, as --key KEY_MENU=747"));
        }
        let mut out = format!(
            "# {}: a skeleton. Replace what is marked, then run: straykey protocol check {}.toml\n\n[chassis]\nname = {}\nversion = 1\nabout = {}\nsource = {}\n",
            self.name,
            self.name,
            quoted(&self.name),
            quoted(&self.about),
            quoted(&self.source)
        );
        if !self.prefix.is_empty() {
            let _ = write!(out, "\n[text]\nprefixes = [{}]\n", quoted(&self.prefix));
        }
        match self.speech {
            Speech::Readings => self.readings(&mut out)?,
            Speech::Keys | Speech::Presses => self.named(&mut out),
        }
        let path = Path::new(&self.name).with_extension("toml");
        let chassis = Arc::new(Chassis::parse(&path, &out)?);
        match example::run(&chassis).into_iter().find_map(|outcome| outcome.difference) {
            None => Ok(out),
            Some(difference) => Err(Error::input(format!("the skeleton's example fails: {difference}"))
                .help("a shape of your own must hold {counts:…}, or {key:word} and {state:word}, once each")),
        }
    }

    fn shape<'a>(&'a self, usual: &'a str) -> &'a str {
        if self.shape.is_empty() { usual } else { &self.shape }
    }

    fn readings(&self, out: &mut String) -> Result<()> {
        let shape = self.shape("keypad: adc={counts:integer}");
        let _ = write!(
            out,
            "\n# Replace: the line as your set prints it.\n[[record]]\nshape = {}\nevent = \"reading\"\n",
            quoted(shape)
        );
        if !shape.contains("{line:") {
            out.push_str("line = \"KEY1\"\n");
        }
        let full = self.full_scale;
        let _ = write!(
            out,
            "\n# Replace: 3.3 V by the supply of the ladder; counts by resistors (`to_ground_ohm`, `pull_up_ohm`) if known.\n[[line]]\nname = \"KEY1\"\nfull_scale = {full}\nsupply_volts = 3.3\nidle_counts = {full}\ndebounce = 2\nkey = [\n"
        );
        let mut first = None;
        for (key, counts) in &self.keys {
            let counts: u32 = counts.parse().map_err(|_| {
                Error::usage(format!("`{counts}` is no reading for {key}"))
                    .help("a reading is a whole number, as --key KEY_MENU=747")
            })?;
            first.get_or_insert((*key, counts));
            let _ = writeln!(out, "    {{ name = \"{key}\", counts = {counts} }},");
        }
        out.push_str("]\n");
        let Some((key, counts)) = first else { return Ok(()) };
        let line = |counts: u32| {
            let digits =
                if shape.contains("counts:hex") { format!("{counts:x}") } else { counts.to_string() };
            self.filled(shape, &[("counts", &digits), ("line", "KEY1")])
        };
        let _ = write!(
            out,
            "\n# Replace: lines cut from your log.\n[[example]]\nsource = \"skeleton\"\ninput = \"\"\"\n{}\n{}\n\"\"\"\nevents = [\n    {{ path = \"keypad\", kind = \"reading\", counts = {counts} }},\n    {{ path = \"keypad\", kind = \"press\", key = \"{key}\", line = \"KEY1\" }},\n]\n",
            line(counts),
            line(counts)
        );
        Ok(())
    }

    fn named(&self, out: &mut String) {
        let both = self.speech == Speech::Keys;
        let shape =
            self.shape(if both { "keypad: key {key:word} {state:word}" } else { "keypad: key {key:word}" });
        if !both {
            out.push_str("\n# Replace: how a held key repeats.\n[repeat]\ndelay_s = 0.5\nperiod_s = 0.1\n");
        }
        out.push_str("\n[keys]\n");
        for (key, word) in &self.keys {
            let _ = writeln!(out, "{} = \"{key}\"", quoted(word));
        }
        let _ = write!(
            out,
            "\n# Replace: the line as your set prints it.\n[[record]]\nshape = {}\n",
            quoted(shape)
        );
        out.push_str(if both {
            "event = \"key\"\nstate = { \"pressed\" = \"press\", \"released\" = \"release\" }\n"
        } else {
            "event = \"press\"\n"
        });
        let Some((key, word)) = self.keys.first() else { return };
        let line = |state: &str| self.filled(shape, &[("key", word), ("state", state)]);
        let _ = write!(
            out,
            "\n# Replace: lines cut from your log.\n[[example]]\nsource = \"skeleton\"\ninput = {}\nevents = [{{ path = \"keypad\", kind = \"press\", key = \"{key}\" }}]\n",
            quoted(&line("pressed"))
        );
    }

    /// A line of the shape, with its prefix: known placeholders by their values, others by something that fits.
    fn filled(&self, shape: &str, values: &[(&str, &str)]) -> String {
        let mut out = String::new();
        let text = format!("{}{shape}", self.prefix);
        let mut rest = text.as_str();
        while let Some(start) = rest.find('{') {
            out.push_str(rest.get(..start).unwrap_or_default());
            let inside = rest.get(start + 1..).unwrap_or_default();
            if let Some(after) = inside.strip_prefix('{') {
                out.push('{');
                rest = after;
                continue;
            }
            let end = inside.find('}').unwrap_or(inside.len());
            let mut pieces = inside.get(..end).unwrap_or_default().split(':');
            let (name, form) = (pieces.next().unwrap_or_default(), pieces.next().unwrap_or_default());
            let width: usize = pieces.next().and_then(|width| width.parse().ok()).unwrap_or(1);
            let value = values.iter().find(|(known, _)| *known == name).map(|(_, value)| (*value).to_owned());
            out.push_str(&value.unwrap_or_else(|| match form {
                "seconds" => "1.0".to_owned(),
                "integer" | "hex" => "1".repeat(width),
                "bytes" => "01".to_owned(),
                _ => "x".repeat(width),
            }));
            rest = inside.get(end + 1..).unwrap_or_default();
        }
        out.push_str(&rest.replace("}}", "}"));
        out
    }
}
