//! What can be done to a set to call its fault: read from `protocols/stressors.toml`.

use std::collections::BTreeMap;
use std::path::Path;
use std::sync::LazyLock;

use serde::Deserialize;

use crate::analysis::locate::Risk;
use crate::analysis::provoke::plan::Timing;
use crate::base::{Error, Nanoseconds, Result};
use crate::decode::shipped;

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct File {
    #[allow(dead_code)] // one so far
    version: u32,
    stressor: Vec<Stressor>,
    caution: BTreeMap<String, String>,
}

/// One kind of stressor.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Stressor {
    /// Its name on the command line.
    pub name: String,
    /// Whether it is put on one place.
    pub place: bool,
    go: String,
    /// What an effect of it would say.
    pub means: String,
    counted_s: f64,
    wash_out_s: f64,
    /// How dangerous it is.
    pub risk: Risk,
    cautions: Vec<String>,
}

/// A stressor as it is used: on one place, or in the technician's own words.
#[derive(Clone, Debug, PartialEq)]
pub struct Use {
    /// Which.
    pub stressor: &'static Stressor,
    /// The part that it is put on.
    pub place: Option<String>,
    /// The technician's own words, of `other`.
    pub words: Option<String>,
}

static SHIPPED: LazyLock<std::result::Result<File, String>> = LazyLock::new(|| {
    let (path, text) = shipped::one("protocols/stressors.toml")?;
    read(path, text).map_err(|error| error.to_string())
});

fn read(path: &Path, text: &str) -> Result<File> {
    let bad = |what: String| Error::input(what).at(path);
    let file: File = toml::from_str(text).map_err(|error| bad(error.message().to_owned()))?;
    for stressor in &file.stressor {
        if let Some(name) = stressor.cautions.iter().find(|name| !file.caution.contains_key(*name)) {
            return Err(bad(format!(
                "{} names the caution {name}, which the file does not hold",
                stressor.name
            )));
        }
        if !(stressor.counted_s > 0.0 && stressor.wash_out_s >= 0.0) {
            return Err(bad(format!("the times of {} are no times", stressor.name)));
        }
    }
    Ok(file)
}

/// Whether a file of stressors can be used.
///
/// # Errors
/// `Input`: what is wrong with it.
pub fn check(path: &Path, text: &str) -> Result<()> {
    read(path, text).map(|_| ())
}

fn file() -> Result<&'static File> {
    SHIPPED.as_ref().map_err(|what| Error::input(what.clone()).help("this is a fault of the program"))
}

/// All stressors, in the order of the file.
///
/// # Errors
/// `Input` when the shipped file is broken, which the tests exclude.
pub fn all() -> Result<&'static [Stressor]> {
    Ok(&file()?.stressor)
}

/// Reads `warm@key-cable`, `lamp` or `other:WORDS`.
///
/// # Errors
/// `Usage` for an unknown stressor, a place that is missing or of no use, a part that no face knows.
pub fn parse(text: &str) -> Result<Use> {
    let file = file()?;
    let (head, words) = match text.strip_prefix("other:") {
        Some(words) if !words.trim().is_empty() => ("other", Some(words.trim().to_owned())),
        _ => (text, None),
    };
    let (name, place) = match head.split_once('@') {
        Some((name, place)) => (name, Some(place.to_owned())),
        None => (head, None),
    };
    let names = || file.stressor.iter().map(|known| known.name.as_str()).collect::<Vec<_>>().join(", ");
    let Some(stressor) = file.stressor.iter().find(|known| known.name == name) else {
        return Err(Error::usage(format!("{name:?} is no stressor")).help(format!("one of {}", names())));
    };
    match (&place, stressor.place) {
        (None, true) => Err(Error::usage(format!("{name} needs a place"))
            .help(format!("for example {name}@key-cable; the places are the parts of `step --part`"))),
        (Some(_), false) => Err(Error::usage(format!("{name} works on the whole set and has no place"))
            .help(format!("write {name} alone"))),
        _ if name == "other" && words.is_none() => {
            Err(Error::usage("a stressor of your own needs words").help("for example other:\"stand swung\""))
        }
        _ => Ok(Use { stressor, place, words }),
    }
}

impl Use {
    /// As it is written: `warm@key-cable`.
    pub fn name(&self) -> String {
        match (&self.place, &self.words) {
            (Some(place), _) => format!("{}@{place}", self.stressor.name),
            (None, Some(words)) => format!("other:{words}"),
            (None, None) => self.stressor.name.clone(),
        }
    }

    /// What to do during its blocks.
    pub fn instruction(&self) -> String {
        let place = self.place.as_deref().unwrap_or_default();
        let place = place.strip_prefix("other:").unwrap_or(place).replace('-', " ");
        let words = self.words.as_deref().unwrap_or_default().to_uppercase();
        self.stressor.go.replace("{place}", &format!("the {place}")).replace("{words}", &words)
    }

    /// What its blocks need.
    pub fn timing(&self) -> Timing {
        Timing {
            block: Nanoseconds::from_seconds(self.stressor.counted_s),
            wash_out: Nanoseconds::from_seconds(self.stressor.wash_out_s),
        }
    }
}

/// The cautions of these stressors, each once.
///
/// # Errors
/// `Input` when the shipped file is broken, which the tests exclude.
pub fn cautions(uses: &[Use]) -> Result<Vec<&'static str>> {
    let file = file()?;
    let mut list: Vec<&str> = Vec::new();
    for name in uses.iter().flat_map(|used| &used.stressor.cautions) {
        if let Some(text) = file.caution.get(name).filter(|text| !list.contains(&text.as_str())) {
            list.push(text);
        }
    }
    Ok(list)
}
