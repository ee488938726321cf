//! The daemon's log: a line for people or a JSON object for programs, on standard error or in a file that is renamed
//! away when it is large. Text from the set is always escaped.

use std::fmt::Write as _;
use std::fs::{self, File, OpenOptions};
use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU8, Ordering};
use std::sync::{Arc, Mutex};

use tracing::field::{Field, Visit};
use tracing::subscriber::Interest;
use tracing::{Event, Level, Metadata, Subscriber};
use tracing_subscriber::Layer;
use tracing_subscriber::layer::{Context, SubscriberExt};

use crate::base::locked;
use crate::base::{Anchor, Error, Nanoseconds, Result};
use crate::face::http::config::LogTable;
use crate::face::out::safe;

/// Where lines go.
#[derive(Debug)]
enum Sink {
    Standard,
    File { path: PathBuf, file: File, bytes: u64, most: u64, keep: u32 },
}

/// A handle on the log, to change its level.
#[derive(Clone, Debug)]
pub struct Log(Arc<Inner>);

#[derive(Debug)]
struct Inner {
    sink: Mutex<Sink>,
    json: bool,
    level: AtomicU8,
}

fn number(word: &str) -> u8 {
    match word {
        "error" => 1,
        "warn" => 2,
        "debug" => 4,
        "trace" => 5,
        _ => 3,
    }
}

fn rank(level: Level) -> u8 {
    number(&level.as_str().to_ascii_lowercase())
}

impl Log {
    /// Opens the log and takes everything that the program says from now on.
    ///
    /// # Errors
    /// `System` or `Input` when the file cannot be opened.
    pub fn start(table: &LogTable) -> Result<Self> {
        let log = Self::open(table)?;
        // Tests in one process keep the first log.
        let _ =
            tracing::subscriber::set_global_default(tracing_subscriber::registry().with(Writer(log.clone())));
        Ok(log)
    }

    fn open(table: &LogTable) -> Result<Self> {
        let sink = match &table.file {
            None => Sink::Standard,
            Some(path) => {
                let (file, bytes) = open(path)?;
                Sink::File {
                    path: path.clone(),
                    file,
                    bytes,
                    most: table.rotate_bytes.max(10_000),
                    keep: table.keep_files.min(100),
                }
            }
        };
        let level = AtomicU8::new(number(&table.level));
        Ok(Self(Arc::new(Inner { sink: Mutex::new(sink), json: table.json, level })))
    }

    /// Sets the level by its word.
    pub fn set_level(&self, word: &str) {
        self.0.level.store(number(word), Ordering::Relaxed);
    }

    fn line(&self, line: &str) {
        let mut sink = locked(&self.0.sink);
        match &mut *sink {
            // A log that cannot be written must not end a recording.
            Sink::Standard => {
                let _ = std::io::stderr().lock().write_all(line.as_bytes());
            }
            Sink::File { path, file, bytes, most, keep } => {
                if *bytes > 0 && *bytes + line.len() as u64 > *most {
                    rotate(path, *keep);
                    if let Ok((fresh, size)) = open(path) {
                        (*file, *bytes) = (fresh, size);
                    }
                }
                if file.write_all(line.as_bytes()).is_ok() {
                    *bytes += line.len() as u64;
                }
            }
        }
    }
}

fn open(path: &Path) -> Result<(File, u64)> {
    if let Some(folder) = path.parent() {
        let _ = fs::create_dir_all(folder);
    }
    let file = OpenOptions::new()
        .append(true)
        .create(true)
        .open(path)
        .map_err(|error| Error::system("cannot open the log").at(path).because(error))?;
    let bytes = file.metadata().map_or(0, |data| data.len());
    Ok((file, bytes))
}

/// `log` to `log.1`, `log.1` to `log.2`, the oldest goes.
fn rotate(path: &Path, keep: u32) {
    let numbered = |n: u32| {
        let mut name = path.as_os_str().to_owned();
        name.push(format!(".{n}"));
        PathBuf::from(name)
    };
    if keep == 0 {
        let _ = fs::remove_file(path);
        return;
    }
    for n in (1..keep).rev() {
        let _ = fs::rename(numbered(n), numbered(n + 1));
    }
    let _ = fs::rename(path, numbered(1));
}

/// Hands what the program says to the log.
struct Writer(Log);

impl<S: Subscriber> Layer<S> for Writer {
    fn register_callsite(&self, _: &'static Metadata<'static>) -> Interest {
        // The level may change at any time.
        Interest::sometimes()
    }

    fn enabled(&self, metadata: &Metadata<'_>, _: Context<'_, S>) -> bool {
        metadata.target().starts_with("straykey")
            && rank(*metadata.level()) <= self.0.0.level.load(Ordering::Relaxed)
    }

    fn on_event(&self, event: &Event<'_>, _: Context<'_, S>) {
        let mut fields = Fields::default();
        event.record(&mut fields);
        let at = Anchor::now().wall(Nanoseconds::ZERO).unwrap_or_default();
        let level = *event.metadata().level();
        self.0.line(&if self.0.0.json { fields.json(&at, level) } else { fields.text(&at, level) });
    }
}

#[derive(Default)]
struct Fields {
    message: String,
    others: Vec<(&'static str, String)>,
}

impl Visit for Fields {
    fn record_str(&mut self, field: &Field, value: &str) {
        self.put(field, value.to_owned());
    }

    fn record_debug(&mut self, field: &Field, value: &dyn std::fmt::Debug) {
        self.put(field, format!("{value:?}"));
    }
}

impl Fields {
    fn put(&mut self, field: &Field, value: String) {
        if field.name() == "message" {
            self.message = value;
        } else {
            self.others.push((field.name(), value));
        }
    }

    fn text(&self, at: &str, level: Level) -> String {
        let mut line = format!("{at} {level:<5} {}", safe(&self.message));
        for (name, value) in &self.others {
            let _ = write!(line, " {name}={}", safe(value));
        }
        line.push('\n');
        line
    }

    fn json(&self, at: &str, level: Level) -> String {
        let mut object = serde_json::json!({
            "at": at, "level": level.as_str().to_ascii_lowercase(), "message": safe(&self.message),
        });
        for (name, value) in &self.others {
            object[*name] = safe(value).into();
        }
        format!("{object}\n")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_log_is_renamed_away_when_it_is_large_and_escapes_what_a_set_says() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("log");
        let table =
            LogTable { file: Some(path.clone()), rotate_bytes: 10_000, keep_files: 2, ..LogTable::default() };
        let log = Log::open(&table).unwrap();
        let fields =
            Fields { message: "a\x1b[2Jb\nc".to_owned(), others: vec![("port", "\u{202e}x".to_owned())] };
        let line = fields.text("now", Level::WARN);
        assert_eq!(line, "now WARN  a\\u{1b}[2Jb\\nc port=\\u{202e}x\n");
        let json: serde_json::Value = serde_json::from_str(&fields.json("now", Level::WARN)).unwrap();
        assert_eq!(json["level"], "warn");
        assert_eq!(json["message"], "a\\u{1b}[2Jb\\nc");
        for _ in 0..1000 {
            log.line(&line);
        }
        let size = |name: &str| fs::metadata(folder.path().join(name)).map_or(0, |data| data.len());
        assert!(size("log") > 0 && size("log") <= 10_000);
        assert!(size("log.1") > 9_000 && size("log.2") > 9_000 && size("log.3") == 0);
    }
}
