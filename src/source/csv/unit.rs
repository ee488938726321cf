//! Names of columns, and the units in them.

/// A unit of time: `times` 10^`power` nanoseconds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct TimeUnit {
    pub(super) power: i32,
    pub(super) times: u64,
}

impl TimeUnit {
    pub(super) const SECOND: Self = Self::power(9);

    const fn power(power: i32) -> Self {
        Self { power, times: 1 }
    }
}

/// What a header says of the unit of a time column.
#[derive(Clone, Debug, Default, PartialEq)]
pub(super) enum Stated {
    #[default]
    Nothing,
    Unit(TimeUnit),
    /// These words, which are no unit of time.
    Unknown(String),
}

/// A column's name, taken apart.
#[derive(Clone, Debug, Default, PartialEq)]
pub(super) struct Name {
    /// The name without its unit, where that was recognised.
    pub(super) text: String,
    pub(super) time_unit: Stated,
    /// Volts in one unit.
    pub(super) volts: Option<f64>,
    word: Word,
}

#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
enum Word {
    Time,
    Index,
    /// Instant of the first sample, in a column beside the samples.
    Start,
    /// Time between two samples, in a column beside the samples.
    Increment,
    #[default]
    Other,
}

impl Name {
    /// From a header field such as `Time [s]`, `time(ms)`, `Time_us`, `A (V)`.
    pub(super) fn parse(field: &[u8]) -> Self {
        let text = words(field);
        let (stem, unit) = split_unit(&text);
        Self::new(&text, stem, unit)
    }

    /// From a name and the unit that stands in the line below it.
    pub(super) fn with_unit(field: &[u8], unit: &[u8]) -> Self {
        let (text, unit) = (words(field), words(unit));
        match bare(&unit) {
            // `Sequence` under `X` says that the column counts.
            unit if unit.is_empty() || word(unit) == Word::Index => Self::parse(field),
            unit => Self::new(&text, text.trim(), Some(unit)),
        }
    }

    fn new(text: &str, stem: &str, unit: Option<&str>) -> Self {
        let known = unit.and_then(time_unit);
        let volts = unit.and_then(volt_unit);
        let (word, time_unit) = match (word(stem), known) {
            // `ms` alone is name and unit at once; one letter is a name.
            (Word::Other, None) if unit.is_none() && stem.chars().nth(1).is_some() => match time_unit(stem) {
                Some(unit) => (Word::Time, Stated::Unit(unit)),
                None => (Word::Other, Stated::Nothing),
            },
            // `X` alone names nothing.
            (Word::Other, Some(unit)) if is_axis(stem) => (Word::Time, Stated::Unit(unit)),
            (Word::Index, Some(unit)) => (Word::Other, Stated::Unit(unit)),
            (Word::Time, None) => match unit {
                Some(unit) if !unit.is_empty() => (Word::Time, Stated::Unknown(unit.to_owned())),
                _ => (Word::Time, Stated::Nothing),
            },
            (word, known) => (word, known.map_or(Stated::Nothing, Stated::Unit)),
        };
        let stripped = volts.is_some() || (word == Word::Time && known.is_some());
        Self { text: if stripped { stem.trim_end() } else { text }.to_owned(), time_unit, volts, word }
    }

    /// Whether the column carries the time.
    pub(super) fn is_time(&self) -> bool {
        self.word == Word::Time
    }

    /// Whether the column counts samples.
    pub(super) fn is_index(&self) -> bool {
        self.word == Word::Index
    }

    /// Whether the column is `X`, which counts samples where their start and increment stand beside it.
    pub(super) fn is_axis(&self) -> bool {
        is_axis(self.text.trim())
    }

    /// Whether the column holds the instant of the first sample, once.
    pub(super) fn is_start(&self) -> bool {
        self.word == Word::Start
    }

    /// Whether the column holds the time between two samples, once.
    pub(super) fn is_increment(&self) -> bool {
        self.word == Word::Increment
    }
}

/// A field as text: UTF-8, or else Latin-1, in which older programs write `µ`.
fn words(field: &[u8]) -> String {
    let text = match std::str::from_utf8(field) {
        Ok(text) => text.to_owned(),
        Err(_) => field.iter().map(|byte| char::from(*byte)).collect(),
    };
    text.replace("\"\"", "\"")
}

fn word(stem: &str) -> Word {
    match stem.trim().to_lowercase().replace(['_', '-'], " ").as_str() {
        "time" | "t" | "timestamp" | "time stamp" | "elapsed" | "elapsed time" | "relative time" | "zeit"
        | "temps" | "tiempo" | "tempo" => Word::Time,
        "sample" | "samples" | "sample number" | "sample index" | "index" | "n" | "#" | "no" | "no."
        | "sequence" => Word::Index,
        "start" => Word::Start,
        "increment" => Word::Increment,
        _ => Word::Other,
    }
}

fn is_axis(stem: &str) -> bool {
    stem.eq_ignore_ascii_case("x") || stem.eq_ignore_ascii_case("x-axis")
}

/// Whether a field of a line of units is one: `(s)`, `V`, `[ms]`, or `Sequence` for a column that counts.
pub(super) fn is_unit(field: &[u8]) -> bool {
    let text = words(field);
    let unit = bare(&text);
    time_unit(unit).is_some() || volt_unit(unit).is_some() || word(unit) == Word::Index
}

/// `Time [s]` to `Time`, `s`; the unit may stand in brackets, or behind a sign, a blank or `in`.
fn split_unit(text: &str) -> (&str, Option<&str>) {
    let trimmed = text.trim();
    for (open, close) in [('[', ']'), ('(', ')'), ('{', '}'), ('<', '>')] {
        if let Some(inner) = trimmed.strip_suffix(close)
            && let Some((stem, unit)) = inner.rsplit_once(open)
        {
            return (stem.trim(), Some(unit.trim()));
        }
    }
    const JOINTS: [char; 8] = ['_', '/', ' ', ',', ':', '=', '-', '.'];
    // A full stop may end an abbreviation: `Time sec.`
    if let Some((stem, unit)) = trimmed.trim_end_matches('.').rsplit_once(JOINTS)
        && (time_unit(unit).is_some() || volt_unit(unit).is_some())
    {
        let stem = stem.trim_end_matches(JOINTS);
        let lower = stem.to_ascii_lowercase();
        let stem = if lower.ends_with(" in") { stem.get(..stem.len() - 3).unwrap_or(stem) } else { stem };
        return (stem.trim_end_matches(JOINTS), Some(unit));
    }
    // What follows the word for time and is no unit must not be passed over.
    match trimmed.split_once(JOINTS) {
        Some((stem, rest)) if word(trimmed) == Word::Other && stem.len() > 1 && word(stem) == Word::Time => {
            (stem, Some(rest.trim_matches(JOINTS)))
        }
        _ => (trimmed, None),
    }
}

fn bare(text: &str) -> &str {
    let brackets = |c: char| "()[]{}<>".contains(c) || c.is_whitespace();
    text.trim_matches(brackets)
}

/// A unit of time in any case and spelling.
pub(super) fn time_unit(unit: &str) -> Option<TimeUnit> {
    // The micro sign and the Greek letter look alike and both occur.
    let unit = unit.trim().trim_end_matches('.').to_lowercase().replace(['µ', 'μ'], "u");
    Some(match unit.as_str() {
        "s" | "sec" | "secs" | "second" | "seconds" | "sek" | "sekunden" => TimeUnit::SECOND,
        "ms" | "msec" | "msecs" | "millis" | "millisec" | "millisecs" | "millisecond" | "milliseconds"
        | "millisekunden" => TimeUnit::power(6),
        "us" | "usec" | "usecs" | "micros" | "microsec" | "microsecs" | "microsecond" | "microseconds"
        | "mikrosekunden" => TimeUnit::power(3),
        "ns" | "nsec" | "nsecs" | "nanos" | "nanosec" | "nanosecs" | "nanosecond" | "nanoseconds" => {
            TimeUnit::power(0)
        }
        "ps" | "psec" | "psecs" | "picosec" | "picosecond" | "picoseconds" => TimeUnit::power(-3),
        "min" | "mins" | "minute" | "minutes" => TimeUnit { power: 10, times: 6 },
        "h" | "hr" | "hrs" | "hour" | "hours" => TimeUnit { power: 11, times: 36 },
        _ => return None,
    })
}

fn volt_unit(unit: &str) -> Option<f64> {
    let unit = unit.trim().trim_end_matches('.').to_lowercase().replace(['µ', 'μ'], "u");
    Some(match unit.as_str() {
        "v" | "volt" | "volts" => 1.0,
        // There are no megavolts on a control path.
        "mv" | "millivolt" | "millivolts" => 1e-3,
        "uv" | "microvolt" | "microvolts" => 1e-6,
        _ => return None,
    })
}
