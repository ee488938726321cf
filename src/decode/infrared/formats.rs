//! All declared formats and key tables together, and the table that tells which may begin with a pulse pair.

use std::collections::HashMap;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use serde::Deserialize;
use toml::Spanned;

use crate::base::{Error, Key, Name, Result};
use crate::decode::folder::{Own, Sort};
use crate::decode::infrared::coding::{Air, Coding};
use crate::decode::infrared::example::Example;
use crate::decode::infrared::format::{Declared, Format};
use crate::decode::infrared::layout::ones;
use crate::decode::{file, shipped};

/// Most ways in which a frame may begin, over all formats: they are the bits of one machine word.
const MOST_ENTRIES: usize = 64;
/// Width of a bucket of the dispatch table, as a power of two nanoseconds (65.5 µs).
const BUCKET: u32 = 16;
const BUCKETS: usize = 256;

#[derive(Deserialize, schemars::JsonSchema)]
#[serde(deny_unknown_fields)]
struct File {
    format: Option<Declared>,
    remote: Option<DeclaredRemote>,
    #[serde(default)]
    example: Vec<Example>,
}

#[derive(Clone, Debug, Deserialize, schemars::JsonSchema)]
#[serde(deny_unknown_fields)]
struct DeclaredRemote {
    #[schemars(with = "String")]
    name: Spanned<String>,
    version: u32,
    about: String,
    source: String,
    #[schemars(with = "String")]
    format: Spanned<String>,
    #[schemars(with = "u32")]
    address: Spanned<u32>,
    key: Vec<DeclaredKey>,
}

#[derive(Clone, Debug, Deserialize, schemars::JsonSchema)]
#[serde(deny_unknown_fields)]
struct DeclaredKey {
    command: u32,
    name: Key,
}

/// A remote control's key table.
#[derive(Clone, Debug)]
pub struct Remote {
    /// Its name.
    pub name: Name,
    /// Its name and version, `larch@1`.
    pub decoder: Name,
    /// What it is, in words.
    pub about: String,
    /// Where its facts come from.
    pub source: String,
    /// Name of its format.
    pub format: Name,
    /// Its address.
    pub address: u32,
    keys: HashMap<u32, Key>,
}

impl Remote {
    /// The key of a command.
    pub fn key(&self, command: u32) -> Option<Key> {
        self.keys.get(&command).copied()
    }

    /// Commands and keys, in the order of the commands.
    pub fn keys(&self) -> Vec<(u32, Key)> {
        let mut keys: Vec<_> = self.keys.iter().map(|(command, key)| (*command, *key)).collect();
        keys.sort_unstable();
        keys
    }
}

/// How a frame begins.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Start {
    /// The leader, or the first bit where there is none.
    Whole,
    /// The first bit of a format that repeats without its leader.
    Bare,
    /// The leader of a short repeat frame, with this many bits.
    Short { leader: [f64; 2], bits: u8 },
}

/// One way in which a frame may begin.
#[derive(Clone, Debug)]
pub(crate) struct Entry {
    pub(crate) air: usize,
    pub(crate) start: Start,
}

/// Formats that look alike on air, by bits of the first part.
#[derive(Clone, Debug)]
pub(crate) struct Family {
    pub(crate) air: Air,
    /// Indices of the formats.
    pub(crate) formats: Vec<usize>,
    /// How many bits they have in one part, each number once.
    pub(crate) bits: Vec<u8>,
    /// Most of these.
    pub(crate) most_bits: u8,
}

/// Declared formats and key tables, compiled for decoding.
#[derive(Clone, Debug)]
pub struct Formats {
    formats: Vec<Format>,
    remotes: Vec<Remote>,
    examples: Vec<(PathBuf, Example)>,
    pub(crate) families: Vec<Family>,
    pub(crate) entries: Vec<Entry>,
    by_mark: Vec<u64>,
    by_space: Vec<u64>,
    /// Entries that are trusted only after a quiet time, because they have no leader.
    pub(crate) leaderless: u64,
    /// A space that no format has inside a frame, nanoseconds.
    pub(crate) gap: u32,
    /// Most marks and spaces in one part of a frame.
    pub(crate) lookahead: usize,
}

impl Formats {
    /// The formats and key tables that are built into the program.
    ///
    /// # Errors
    /// `Input` if a shipped file is wrong, which the tests exclude.
    pub fn shipped() -> Result<Arc<Self>> {
        let files = shipped::folder("protocols/remote/");
        Self::load(files.map(|(path, text)| (Path::new(path), text))).map(Arc::new)
    }

    /// The shipped files and a user's, which win where the names are the same.
    ///
    /// # Errors
    /// As [`Formats::load`].
    pub fn with(own: &Own) -> Result<Arc<Self>> {
        let shipped = shipped::folder("protocols/remote/").map(|(path, text)| (Path::new(path), text));
        Self::load(shipped.chain(own.of(Sort::Remote))).map(Arc::new)
    }

    /// One file by itself.
    ///
    /// # Errors
    /// As [`Formats::load`].
    pub fn parse(path: &Path, text: &str) -> Result<Self> {
        Self::load([(path, text)])
    }

    /// Several files; where two declare the same name, the later one wins. Key tables may stand before their
    /// format. A key table whose format is unknown is kept, and matches nothing.
    ///
    /// # Errors
    /// `Input` pointing at the mistake; also when there are more formats than can run at once.
    pub fn load<'a>(files: impl IntoIterator<Item = (&'a Path, &'a str)>) -> Result<Self> {
        let (mut formats, mut remotes, mut examples) =
            (Vec::<Format>::new(), Vec::<Remote>::new(), Vec::new());
        for (path, text) in files {
            let parsed: File = file::parse(path, text)?;
            if parsed.format.is_none() && parsed.remote.is_none() {
                return Err(Error::input("the file declares neither a [format] nor a [remote]").at(path));
            }
            if let Some(declared) = parsed.format {
                let format = Format::compile(path, text, declared)?;
                formats.retain(|other| other.name != format.name);
                examples.retain(|(_, example): &(PathBuf, Example)| *example.format != *format.name);
                for mut example in parsed.example {
                    example.format = format.name.to_string();
                    examples.push((path.to_owned(), example));
                }
                formats.push(format);
            }
            if let Some(declared) = parsed.remote {
                let remote = compile_remote(path, text, declared)?;
                remotes.retain(|other| other.name != remote.name);
                remotes.push(remote);
            }
        }
        Self::assemble(formats, remotes, examples)
    }

    fn assemble(
        formats: Vec<Format>,
        remotes: Vec<Remote>,
        examples: Vec<(PathBuf, Example)>,
    ) -> Result<Self> {
        let families = families(&formats);
        let entries = entries(&formats, &families);
        if entries.len() > MOST_ENTRIES {
            return Err(Error::input(format!(
                "the formats begin in {} ways, more than the {MOST_ENTRIES} that can run at once",
                entries.len()
            ))
            .help("remove the format files that are not needed"));
        }
        let mut formats = Self {
            formats,
            remotes,
            examples,
            families,
            entries,
            by_mark: vec![0; BUCKETS],
            by_space: vec![0; BUCKETS],
            leaderless: 0,
            gap: 0,
            lookahead: 0,
        };
        formats.fill_tables();
        Ok(formats)
    }

    fn fill_tables(&mut self) {
        for (i, entry) in self.entries.iter().enumerate() {
            let Some(family) = self.families.get(entry.air) else { continue };
            let bit = 1u64 << i;
            let windows = first_windows(&family.air, entry.start);
            for (table, window) in [(&mut self.by_mark, windows.mark), (&mut self.by_space, windows.space)] {
                for (bucket, mask) in table.iter_mut().enumerate() {
                    let low = (bucket as u64) << BUCKET;
                    let high = low + ones(BUCKET as u8);
                    // The last bucket stands for all longer lengths.
                    let high = if bucket == BUCKETS - 1 { u64::MAX } else { high };
                    if window[0] <= high && low <= window[1] {
                        *mask |= bit;
                    }
                }
            }
            let has_leader = matches!(entry.start, Start::Short { .. })
                || matches!(entry.start, Start::Whole) && family.air.leader.is_some();
            if !has_leader {
                self.leaderless |= bit;
            }
            let pulses = 2 * (usize::from(family.most_bits) + 2);
            self.lookahead = self.lookahead.max(pulses + 2);
            let leader_space = if has_leader { windows.space[1] } else { 0 };
            let gap = u64::from(family.air.quiet).max(leader_space) + 1;
            self.gap = self.gap.max(u32::try_from(gap).unwrap_or(u32::MAX));
        }
    }

    /// The ways in which a frame may begin with this mark and space, as a mask over the entries.
    #[inline]
    pub(crate) fn candidates(&self, mark: u32, space: u32) -> u64 {
        let bucket = |length: u32| ((length >> BUCKET) as usize).min(BUCKETS - 1);
        let mark = self.by_mark.get(bucket(mark)).copied().unwrap_or_default();
        mark & self.by_space.get(bucket(space)).copied().unwrap_or_default()
    }

    /// All formats, in the order of their files.
    pub fn all(&self) -> &[Format] {
        &self.formats
    }

    /// The format of this name.
    pub fn find(&self, name: &str) -> Option<&Format> {
        self.formats.iter().find(|format| &*format.name == name)
    }

    /// All key tables.
    pub fn remotes(&self) -> &[Remote] {
        &self.remotes
    }

    /// The key that a code means, and the table that says so.
    pub fn key(&self, format: &str, address: Option<u32>, command: u32) -> Option<(Key, &Remote)> {
        self.remotes
            .iter()
            .filter(|remote| &*remote.format == format && Some(remote.address) == address)
            .find_map(|remote| remote.key(command).map(|key| (key, remote)))
    }

    /// The examples of the format files, with the file that each stands in.
    pub fn examples(&self) -> &[(PathBuf, Example)] {
        &self.examples
    }
}

/// Formats by how they look on air. In each family the format with the most redundancy comes first: where only
/// the family is known, as with a short repeat frame, it speaks.
fn families(formats: &[Format]) -> Vec<Family> {
    let mut families: Vec<Family> = Vec::new();
    for (index, format) in formats.iter().enumerate() {
        let bits = format.layout.first_part;
        match families.iter_mut().find(|family| family.air == format.air) {
            Some(family) => {
                family.formats.push(index);
                family.most_bits = family.most_bits.max(bits);
                if !family.bits.contains(&bits) {
                    family.bits.push(bits);
                }
            }
            None => families.push(Family {
                air: format.air.clone(),
                formats: vec![index],
                bits: vec![bits],
                most_bits: bits,
            }),
        }
    }
    for family in &mut families {
        let redundancy = |index: &usize| formats.get(*index).map_or(0, Format::redundancy);
        family.formats.sort_by_key(|index| std::cmp::Reverse(redundancy(index)));
    }
    families
}

/// The ways in which frames of the families begin, each once.
fn entries(formats: &[Format], families: &[Family]) -> Vec<Entry> {
    let mut entries: Vec<Entry> = Vec::new();
    for (air, family) in families.iter().enumerate() {
        for format in family.formats.iter().filter_map(|index| formats.get(*index)) {
            let short = format.short.map(|(leader, bits)| Start::Short { leader, bits });
            let bare = (format.form == crate::decode::infrared::RepeatForm::Bare).then_some(Start::Bare);
            for start in [Some(Start::Whole), short, bare].into_iter().flatten() {
                if !entries.iter().any(|entry| entry.air == air && entry.start == start) {
                    entries.push(Entry { air, start });
                }
            }
        }
    }
    entries
}

fn compile_remote(path: &Path, text: &str, declared: DeclaredRemote) -> Result<Remote> {
    let mut keys = HashMap::new();
    for key in &declared.key {
        if keys.insert(key.command, key.name).is_some() {
            let what = format!("command {:#04x} stands twice in the key table", key.command);
            return Err(file::mistake(path, text, declared.name.span(), &what, Some("of this remote")));
        }
    }
    let name = declared.name.get_ref();
    Ok(Remote {
        name: name.as_str().into(),
        decoder: format!("{name}@{}", declared.version).into(),
        about: declared.about,
        source: declared.source,
        format: declared.format.get_ref().as_str().into(),
        address: *declared.address.get_ref(),
        keys,
    })
}

struct Windows {
    mark: [u64; 2],
    space: [u64; 2],
}

/// Lengths that the first mark and the first space may have, nanoseconds, both ends included.
///
/// Wider than the tolerance inside a frame by half a unit for marks of a leader: a receiver's gain settles
/// during the first burst (the Linux kernel's NEC and RC-6 decoders allow one to two units there).
fn first_windows(air: &Air, start: Start) -> Windows {
    let [less, more] = air.stretch;
    let window = |low: f64, high: f64, slack: f64| {
        let low = (low * (1.0 - air.clock) - slack).max(0.0);
        // A leader of many seconds would be refused by no rule; the clamp keeps the cast in range.
        [low as u64, (high * (1.0 + air.clock) + slack).clamp(0.0, 4e9) as u64]
    };
    let slack = air.tolerance + air.unit / 2.0 + more.max(-less);
    let leader = match start {
        Start::Short { leader, .. } => Some(leader),
        Start::Whole => air.leader,
        Start::Bare => None,
    };
    if let Some([mark, space]) = leader {
        return Windows { mark: window(mark, mark, slack), space: window(space, space, slack) };
    }
    let slack = air.tolerance + more.max(-less);
    match air.coding {
        Coding::Pair { zero, one, .. } => Windows {
            mark: window(zero[0].min(one[0]), zero[0].max(one[0]), slack),
            space: window(zero[1].min(one[1]), zero[1].max(one[1]), slack),
        },
        Coding::Biphase { double, .. } => {
            let most = if double == 0 { 2.0 } else { 3.0 } * air.unit;
            Windows { mark: window(air.unit, most, slack), space: window(air.unit, most, slack) }
        }
    }
}

/// JSON Schema of the files in `protocols/remote/`.
pub(crate) fn schema() -> schemars::Schema {
    schemars::schema_for!(File)
}
