//! `JOB` and `JOB#STAGE` as they are typed.

use std::path::PathBuf;

use crate::base::{Error, Result, quote};

/// A job, or one stage of it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct JobReference {
    /// The job's folder.
    pub folder: PathBuf,
    /// Number of the stage, counted from 1.
    pub stage: Option<usize>,
}

impl JobReference {
    /// Reads `FOLDER` or `FOLDER#NUMBER`.
    ///
    /// A folder whose own name ends in `#…` wins when it is there.
    ///
    /// # Errors
    /// `Usage` when what follows the last `#` is no number from 1 on.
    pub fn parse(text: &str) -> Result<Self> {
        let whole = PathBuf::from(text);
        let Some((folder, number)) = text.rsplit_once('#') else {
            return Ok(Self { folder: whole, stage: None });
        };
        if whole.is_dir() {
            return Ok(Self { folder: whole, stage: None });
        }
        match number.parse::<usize>() {
            Ok(stage) if stage > 0 => Ok(Self { folder: PathBuf::from(folder), stage: Some(stage) }),
            _ => Err(Error::usage(format!("\"{}\" is no number of a stage", quote(number.as_bytes()))).help(
                "write JOB#1 for the set as it came in, JOB#2 for the stage after the first step, and so on",
            )),
        }
    }
}
