//! The fault tree: locations, tests, and what each test shows under each location, read from a file.

use std::collections::BTreeMap;
use std::path::Path;
use std::sync::LazyLock;

use serde::{Deserialize, Serialize};
use toml::Spanned;

use crate::base::{ControlPath, Error, Result};
use crate::decode::{file, shipped};

/// Words for locations that the JSON of `locate` may use, in their order.
pub const LOCATIONS: [&str; 12] = [
    "key-switch",
    "key-board",
    "key-cable",
    "main-board-input",
    "ground-bond",
    "supply-reference",
    "infrared-ambient",
    "infrared-receiver",
    "remote",
    "cec-peer",
    "software",
    "none",
];

/// What a test is for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum TestKind {
    /// To learn.
    Isolate,
    /// To mend.
    Repair,
    /// A meter's or the converter's reading.
    Measure,
}

/// How dangerous a test is.
#[derive(
    Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, schemars::JsonSchema,
)]
#[serde(rename_all = "lowercase")]
pub enum Risk {
    /// Covers stay on.
    Low,
    /// Covers off, power off.
    Medium,
    /// Powered with covers off.
    High,
}

impl Risk {
    /// In words for people.
    pub const fn text(self) -> &'static str {
        match self {
            Self::Low => "low: covers stay on",
            Self::Medium => "medium: covers off, power off",
            Self::High => "high: powered with covers off",
        }
    }
}

/// Where the fault may sit.
#[derive(Clone, Debug, PartialEq)]
pub struct Location {
    /// The word.
    pub name: &'static str,
    /// Words for people.
    pub text: String,
    /// Chance before anything is known; all add up to one.
    pub prior: f64,
    /// Chance of seeing the stray input on each control path (not on `system`).
    pub paths: BTreeMap<&'static str, f64>,
}

/// One test of the tree.
#[derive(Clone, Debug, PartialEq)]
pub struct Test {
    /// Name for programs.
    pub name: String,
    /// What to do.
    pub text: String,
    /// What it is for.
    pub kind: TestKind,
    /// Groups of words by which a step is recognised.
    words: Vec<Vec<String>>,
    /// Words that exclude it.
    not: Vec<String>,
    /// Time to set it up, without the soak.
    pub minutes: f64,
    /// How dangerous it is.
    pub risk: Risk,
    /// Whether it parts an internal cable.
    pub unplugs: bool,
    /// What must be so first, for people.
    pub prerequisites: Vec<String>,
    /// What to beware of, for people.
    pub cautions: Vec<String>,
    /// For each of [`LOCATIONS`]: stays, changes, stops; for a measurement: found, clear, never.
    pub outcome: [[f64; 3]; 12],
}

/// The whole tree.
#[derive(Clone, Debug, PartialEq)]
pub struct FaultTree {
    /// In the order of [`LOCATIONS`].
    pub locations: Vec<Location>,
    /// In the order of the file.
    pub tests: Vec<Test>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RawFile {
    version: Spanned<u32>,
    location: Vec<RawLocation>,
    test: Vec<RawTest>,
    #[serde(default)]
    caution: BTreeMap<String, String>,
    #[serde(default)]
    prerequisite: BTreeMap<String, String>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RawLocation {
    name: Spanned<String>,
    text: String,
    prior: Spanned<f64>,
    paths: Spanned<BTreeMap<String, f64>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RawTest {
    name: Spanned<String>,
    text: String,
    kind: TestKind,
    words: Vec<Vec<String>>,
    #[serde(default)]
    not: Vec<String>,
    minutes: Spanned<f64>,
    risk: Risk,
    #[serde(default)]
    unplugs: bool,
    #[serde(default)]
    prerequisites: Vec<Spanned<String>>,
    #[serde(default)]
    cautions: Vec<Spanned<String>>,
    outcome: BTreeMap<Spanned<String>, Spanned<Vec<f64>>>,
}

static SHIPPED: LazyLock<std::result::Result<FaultTree, String>> = LazyLock::new(|| {
    let (path, text) = shipped::one("protocols/faults.toml")?;
    parse(path, text).map_err(|error| error.to_string())
});

/// The tree that is built into the program.
///
/// # Errors
/// `Input` when the shipped file is broken, which the tests exclude.
pub fn faults() -> Result<&'static FaultTree> {
    SHIPPED.as_ref().map_err(|what| Error::input(what.clone()).help("this is a fault of the program"))
}

/// Reads a tree from TOML.
///
/// # Errors
/// `Input` with line and column: unknown words, chances that do not add up to one, a location that is
/// missing, a test that parts a cable without `power_off_first`.
pub fn parse(path: &Path, text: &str) -> Result<FaultTree> {
    let raw: RawFile = file::parse(path, text)?;
    let reader = Reader { path, text };
    if *raw.version.get_ref() != 1 {
        return Err(reader.mistake(&raw.version, "this version of the file is not known", "expected 1"));
    }
    let locations = reader.locations(&raw.location)?;
    let tests = raw.test.iter().map(|test| reader.test(test, &raw)).collect::<Result<Vec<_>>>()?;
    Ok(FaultTree { locations, tests })
}

struct Reader<'a> {
    path: &'a Path,
    text: &'a str,
}

impl Reader<'_> {
    fn mistake<T>(&self, at: &Spanned<T>, what: &str, expected: &str) -> Error {
        file::mistake(self.path, self.text, at.span(), what, Some(expected))
    }

    fn location_index(&self, name: &Spanned<String>) -> Result<usize> {
        LOCATIONS.iter().position(|l| l == name.get_ref()).ok_or_else(|| {
            let expected = format!("expected one of {}", LOCATIONS.join(", "));
            self.mistake(name, &format!("no location is called {}", name.get_ref()), &expected)
        })
    }

    fn locations(&self, raw: &[RawLocation]) -> Result<Vec<Location>> {
        let mut found: Vec<Option<Location>> = vec![None; LOCATIONS.len()];
        for location in raw {
            let index = self.location_index(&location.name)?;
            let prior = *location.prior.get_ref();
            if !(prior > 0.0 && prior < 1.0) {
                return Err(self.mistake(&location.prior, "a prior must lie between 0 and 1", "a chance"));
            }
            let mut paths = BTreeMap::new();
            for (word, chance) in location.paths.get_ref() {
                let path = ControlPath::ALL.iter().find(|p| p.word() == word);
                let Some(path) = path.filter(|_| (0.0..=1.0).contains(chance)) else {
                    let what = format!("{word} = {chance} is no path with a chance");
                    return Err(self.mistake(
                        &location.paths,
                        &what,
                        "keypad, infrared, cec, menu with chances",
                    ));
                };
                paths.insert(path.word(), *chance);
            }
            if (paths.values().sum::<f64>() - 1.0).abs() > 1e-6 {
                return Err(self.mistake(
                    &location.paths,
                    "the chances of the paths do not add up",
                    "a sum of 1",
                ));
            }
            if let Some(slot) = found.get_mut(index) {
                *slot = Some(Location { name: LOCATIONS[index], text: location.text.clone(), prior, paths });
            }
        }
        let missing = LOCATIONS.iter().zip(&found).find(|(_, f)| f.is_none()).map(|(name, _)| *name);
        if let Some(name) = missing {
            return Err(Error::input(format!("the location {name} is missing"))
                .at(self.path)
                .help("every location needs its [[location]] block, since each has a prior"));
        }
        let locations: Vec<Location> = found.into_iter().flatten().collect();
        let sum: f64 = locations.iter().map(|l| l.prior).sum();
        if (sum - 1.0).abs() > 1e-6 {
            return Err(Error::input(format!("the priors add up to {sum:.3}"))
                .at(self.path)
                .help("let the priors of all locations add up to 1"));
        }
        Ok(locations)
    }

    fn test(&self, raw: &RawTest, file: &RawFile) -> Result<Test> {
        let minutes = *raw.minutes.get_ref();
        if !(minutes > 0.0 && minutes < 100_000.0) {
            return Err(self.mistake(&raw.minutes, "a test takes a positive number of minutes", "minutes"));
        }
        let texts = |names: &[Spanned<String>], of: &BTreeMap<String, String>, what: &str| {
            names
                .iter()
                .map(|name| {
                    of.get(name.get_ref()).cloned().ok_or_else(|| {
                        let known = of.keys().cloned().collect::<Vec<_>>().join(", ");
                        let message = format!("no {what} is called {}", name.get_ref());
                        self.mistake(name, &message, &format!("expected one of {known}"))
                    })
                })
                .collect::<Result<Vec<_>>>()
        };
        let off_first = raw.prerequisites.iter().any(|p| p.get_ref() == "power_off_first");
        if raw.unplugs && !off_first {
            return Err(self.mistake(
                &raw.name,
                "a test that parts an internal cable must never be done under power",
                "add \"power_off_first\" to its prerequisites",
            ));
        }
        Ok(Test {
            name: raw.name.get_ref().clone(),
            text: raw.text.clone(),
            kind: raw.kind,
            words: raw.words.iter().map(|g| g.iter().map(|w| w.to_lowercase()).collect()).collect(),
            not: raw.not.iter().map(|w| w.to_lowercase()).collect(),
            minutes,
            risk: raw.risk,
            unplugs: raw.unplugs,
            prerequisites: texts(&raw.prerequisites, &file.prerequisite, "prerequisite")?,
            cautions: texts(&raw.cautions, &file.caution, "caution")?,
            outcome: self.outcomes(raw)?,
        })
    }

    fn outcomes(&self, raw: &RawTest) -> Result<[[f64; 3]; 12]> {
        let wanted = if raw.kind == TestKind::Measure { 2 } else { 3 };
        let mut other = None;
        let mut named: [Option<[f64; 3]>; 12] = [None; 12];
        for (name, chances) in &raw.outcome {
            let list = chances.get_ref();
            let sum: f64 = list.iter().sum();
            let proper = list.len() == wanted && list.iter().all(|c| *c > 0.0) && (sum - 1.0).abs() < 1e-6;
            if !proper {
                let expected = format!("{wanted} chances above 0 that add up to 1");
                return Err(self.mistake(chances, "these are no chances of outcomes", &expected));
            }
            let mut row = [0.0; 3];
            row[..wanted].copy_from_slice(list);
            if name.get_ref() == "other" {
                other = Some(row);
            } else {
                named[self.location_index(name)?] = Some(row);
            }
        }
        let mut outcome = [[0.0; 3]; 12];
        for (slot, row) in outcome.iter_mut().zip(named) {
            *slot = row.or(other).ok_or_else(|| {
                self.mistake(&raw.name, "not every location has an outcome", "add a row `other`")
            })?;
        }
        Ok(outcome)
    }
}

impl FaultTree {
    /// The test that a step is, by its own words and parts; `None` when the tree has none like it.
    ///
    /// A name of a test is taken as it stands, also with a colon and remarks after it. Else every group of a
    /// test's words must be met; the test with the most groups, then the most words, wins.
    pub fn recognise(&self, text: &str, parts: &[String]) -> Option<&Test> {
        let head = text.split(':').next().unwrap_or(text).trim();
        if let Some(test) = self.tests.iter().find(|t| t.name == head) {
            return Some(test);
        }
        let said =
            format!(" {} {} ", plain(text), parts.iter().map(|p| plain(p)).collect::<Vec<_>>().join(" "));
        let has = |word: &String| said.contains(&format!(" {} ", plain(word)));
        self.tests
            .iter()
            .filter(|t| !t.not.iter().any(has) && t.words.iter().all(|group| group.iter().any(has)))
            .max_by_key(|t| {
                let hits = t.words.iter().flatten().filter(|w| has(w)).count();
                (hits, t.not.len())
            })
    }
}

/// Lower case, every run of other characters than letters and digits one blank.
pub(super) fn plain(text: &str) -> String {
    let lower = text.to_lowercase();
    lower.split(|c: char| !c.is_alphanumeric()).filter(|w| !w.is_empty()).collect::<Vec<_>>().join(" ")
}
