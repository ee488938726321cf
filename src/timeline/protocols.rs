//! All protocol files that a run of the program knows.

use std::path::Path;
use std::sync::Arc;

use crate::base::{Error, Result};
use crate::decode::folder::Own;
use crate::decode::infrared::Formats;
use crate::decode::library::Library;

/// Chassis, infrared formats and remotes: the shipped files and the user's.
#[derive(Clone)]
pub struct Protocols {
    /// Chassis.
    pub library: Arc<Library>,
    /// Infrared formats and the key tables of remotes.
    pub formats: Arc<Formats>,
}

/// Raised when an index keeps more of a capture than before.
const INDEXED: u32 = 1;

impl Protocols {
    /// The shipped files, and those of the user's folder, which win where the names are the same.
    ///
    /// # Errors
    /// `Input` for a mistake in a file, with its place.
    pub fn load(user: Option<&Path>) -> Result<Self> {
        let (library, formats) = match user {
            Some(folder) => {
                let mut own = Own::read(folder)?;
                if let Some(error) = own.unread.pop() {
                    return Err(error);
                }
                (Library::shipped()?.with(&own)?, Formats::with(&own)?)
            }
            None => (Library::shipped()?, Formats::shipped()?),
        };
        Ok(Self { library: Arc::new(library), formats })
    }

    /// Reads a folder again, for a program that goes on meanwhile: what is wrong now leaves the last good in place.
    /// Gives the mistakes.
    pub fn reload(&mut self, folder: &Path) -> Vec<Error> {
        let own = match Own::read(folder) {
            Ok(own) => own,
            Err(error) => return vec![error],
        };
        let mut library = (*self.library).clone();
        let mut mistakes = library.reload(&own);
        self.library = Arc::new(library);
        match Formats::with(&own) {
            Ok(formats) => self.formats = formats,
            Err(error) => mistakes.push(error),
        }
        mistakes.extend(own.unread);
        mistakes
    }

    /// What decodes, in one text: an index made by other decoders is out of date.
    pub fn fingerprint(&self) -> String {
        let mut words: Vec<String> =
            self.library.all().map(|chassis| chassis.decoder().to_string()).collect();
        words.extend(self.formats.all().iter().map(|format| format.decoder().to_string()));
        words.extend(self.formats.remotes().iter().map(|remote| remote.decoder.to_string()));
        words.sort();
        format!("{}.{INDEXED}:{}", env!("CARGO_PKG_VERSION"), words.join(","))
    }
}
