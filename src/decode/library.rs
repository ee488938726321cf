//! All chassis files: those that are built in, and the user's, which win.

use std::collections::BTreeMap;
use std::path::Path;
use std::sync::{Arc, LazyLock, OnceLock};

use crate::base::{Error, Result, nearest};
use crate::decode::chassis::Chassis;
use crate::decode::folder::{Own, Sort, read};
use crate::decode::index::Index;
use crate::decode::recognise::{Recognition, better, decoded, recognise, score_of};
use crate::decode::shipped;

/// Where the built-in chassis files stand in the project.
const CHASSIS: &str = "protocols/chassis/";
/// The chassis that can be named.
#[derive(Clone, Debug, Default)]
pub struct Library {
    chassis: BTreeMap<String, Arc<Chassis>>,
    remarks: Vec<String>,
    /// Made when something is to be recognised.
    index: OnceLock<Arc<Index>>,
}

impl Library {
    /// The chassis that are built into the program.
    ///
    /// # Errors
    /// `Input` when a built-in file is wrong, which the project's tests exclude.
    pub fn shipped() -> Result<Self> {
        // Compiled once for the whole program; an error is found again, since it cannot be copied.
        static SHIPPED: LazyLock<Option<Library>> = LazyLock::new(|| Library::compile_shipped().ok());
        match &*SHIPPED {
            Some(library) => Ok(library.clone()),
            None => Self::compile_shipped(),
        }
    }

    fn compile_shipped() -> Result<Self> {
        let mut library = Self::default();
        for (path, text) in shipped::folder(CHASSIS) {
            let chassis = Chassis::parse_known(Path::new(path), text)?;
            library.chassis.insert(chassis.name().to_owned(), Arc::new(chassis));
        }
        Ok(library)
    }

    /// Adds a user's chassis files; the same name there wins over the one built in. [`Library::remarks`] says so, and
    /// names the files that are of no use in a user's folder.
    ///
    /// # Errors
    /// `Input` when a file is wrong.
    pub fn with(mut self, own: &Own) -> Result<Self> {
        for (path, text) in own.of(Sort::Chassis) {
            self.put(Chassis::parse(path, text)?);
        }
        for (path, _) in [Sort::Bus, Sort::Faults, Sort::Stressors].into_iter().flat_map(|sort| own.of(sort))
        {
            self.remarks.push(format!(
                "{} is passed over: of one's own are read chassis, infrared formats and key tables",
                path.display()
            ));
        }
        Ok(self)
    }

    /// Adds one file; its name wins over one that is there already.
    ///
    /// # Errors
    /// `Input` when it cannot be read or is wrong.
    pub fn add(&mut self, path: &Path) -> Result<Arc<Chassis>> {
        let chassis = Chassis::parse(path, &read(path)?)?;
        let name = chassis.name().to_owned();
        self.put(chassis);
        self.chassis(&name)
    }

    /// Adds a chassis; its name wins over one that is there already, and [`Library::remarks`] says so.
    pub fn put(&mut self, chassis: Chassis) {
        let chassis = Arc::new(chassis);
        let name = chassis.name().to_owned();
        self.index = OnceLock::new();
        if let Some(other) = self.chassis.insert(name.clone(), Arc::clone(&chassis))
            && other.path() != chassis.path()
        {
            let (new, old) = (chassis.path().display(), other.path().display());
            self.remarks.push(format!("chassis {name} is read from {new}, not from {old}"));
        }
    }

    /// Takes a user's files again, for a program that goes on meanwhile: a file that is wrong now leaves the last good
    /// one in place. Gives the mistakes; new remarks are in [`Library::remarks`].
    pub fn reload(&mut self, own: &Own) -> Vec<Error> {
        let mut mistakes = Vec::new();
        for (path, text) in own.of(Sort::Chassis) {
            if self.all().any(|chassis| chassis.path() == path && chassis.text == text) {
                continue;
            }
            match Chassis::parse(path, text) {
                Ok(chassis) => self.put(chassis),
                Err(error) => mistakes.push(error),
            }
        }
        mistakes
    }

    /// What a user should know: which built-in files were replaced.
    pub fn remarks(&self) -> &[String] {
        &self.remarks
    }

    /// The names, in alphabetical order.
    pub fn names(&self) -> impl Iterator<Item = &str> {
        self.chassis.keys().map(String::as_str)
    }

    /// The chassis, in alphabetical order of their names.
    pub fn all(&self) -> impl Iterator<Item = &Arc<Chassis>> {
        self.chassis.values()
    }

    /// The chassis of this name.
    ///
    /// # Errors
    /// `Usage` that offers the nearest name.
    pub fn chassis(&self, name: &str) -> Result<Arc<Chassis>> {
        if let Some(chassis) = self.chassis.get(name) {
            return Ok(Arc::clone(chassis));
        }
        let known = || self.names().collect::<Vec<_>>().join(", ");
        let help = match nearest(name, self.names()) {
            Some(near) => format!("did you mean {near}? known are {}", known()),
            None => format!("known are {}; `straykey protocol list` says what they are", known()),
        };
        Err(Error::usage(format!("no chassis is called {}", crate::base::quote(name.as_bytes()))).help(help))
    }

    /// How many of these lines are records of the chassis, or of the one that fits best.
    pub fn fitting(&self, chassis: Option<&str>, lines: &[u8]) -> u64 {
        let Some(chassis) = chassis else {
            return self.recognise(lines).ranked.first().map_or(0, |best| best.decoded);
        };
        self.chassis(chassis).map_or(0, |chassis| decoded(&chassis, lines))
    }

    /// Which chassis wrote this text: the first stretch of a log, a few kilobytes are enough.
    pub fn recognise(&self, sample: &[u8]) -> Recognition {
        let index = self.index.get_or_init(|| Arc::new(Index::new(self.all())));
        recognise(index, self.chassis.len(), sample)
    }

    /// The chassis that was recognised, where it is another one than was named and that one hardly fits. All others are
    /// looked at only where one of them can fit so much better: what finds the candidates takes as much memory as a
    /// recording does.
    pub fn better(&self, sample: &[u8], named: &str) -> Option<String> {
        let chassis = self.chassis.get(named).filter(|_| !sample.is_empty())?;
        better(score_of(chassis, sample), || self.recognise(sample)).filter(|choice| choice != named)
    }
}
