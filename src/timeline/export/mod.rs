//! Events written for other programs: JSON Lines, CSV, Parquet, value change dumps.
//!
//! Every form is written event by event, in constant memory. Captures follow each other; each has its own clock,
//! and its name stands in every row. A dump has one clock only, so there the captures are laid end to end.

mod columns;
mod dump;
#[cfg(feature = "parquet")]
mod parquet;
mod rows;
mod shape;
mod track;
mod writer;

use crate::timeline::export::writer::unwritable;
pub use crate::timeline::export::writer::{Export, Place};
use std::io::Write;

pub use self::dump::Dump;
pub use self::rows::{JsonLines, Table};
pub use self::shape::{MOST_CHANNELS, Shape};
pub use self::track::Track;
use crate::base::{Error, Result};

/// In what form events are written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Form {
    /// One JSON object a line, as `decode --json` prints it.
    JsonLines,
    /// A table by RFC 4180, a column a field; times in seconds, CEC operands as hexadecimal bytes.
    Csv,
    /// The same table in columns; times are durations in nanoseconds.
    Parquet,
    /// Value change dump, IEEE 1364: held keys, counts of events, readings, and channels as recorded.
    Vcd,
}

/// A writer of this form. `shape` is what a first look at the same captures gave; only a dump needs it, since it
/// declares its channels before the first value.
///
/// # Errors
/// `Usage` for a dump without a shape, or for Parquet in a program that was built without it; `System` when
/// writing fails.
pub fn exporter<'a>(
    form: Form,
    out: Box<dyn Write + Send + 'a>,
    shape: Option<Shape>,
) -> Result<Box<dyn Export + 'a>> {
    Ok(match form {
        Form::JsonLines => Box::new(JsonLines::new(out)),
        Form::Csv => Box::new(Table::new(out)?),
        Form::Vcd => Box::new(Dump::new(
            out,
            shape.ok_or_else(|| Error::usage("a dump needs a first look at what it is to hold"))?,
        )?),
        Form::Parquet => return columnar(out),
    })
}

#[cfg(feature = "parquet")]
fn columnar<'a>(out: Box<dyn Write + Send + 'a>) -> Result<Box<dyn Export + 'a>> {
    Ok(Box::new(self::parquet::Columns::new(out)?))
}

#[cfg(not(feature = "parquet"))]
fn columnar<'a>(_out: Box<dyn Write + Send + 'a>) -> Result<Box<dyn Export + 'a>> {
    available(Form::Parquet)?;
    Err(Error::usage("no Parquet here"))
}

/// Whether this build can write a form; asked before anything is decoded or created.
///
/// # Errors
/// `Usage`, with what to build, when it cannot.
pub fn available(form: Form) -> Result<()> {
    if form == Form::Parquet && !cfg!(feature = "parquet") {
        return Err(Error::usage("this straykey was built without Parquet")
            .help("build it with: cargo build --release --features parquet; or export --to csv"));
    }
    Ok(())
}
