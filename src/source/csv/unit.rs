//! Names of columns, the units in them, and sample rates in preambles.

/// A column's name, taken apart.
#[derive(Clone, Debug, Default, PartialEq)]
pub(super) struct Name {
    /// The name without its unit, where that was recognised.
    pub(super) text: String,
    /// Power of ten of the time unit in nanoseconds.
    pub(super) time_unit: Option<i32>,
    /// Volts in one unit.
    pub(super) volts: Option<f64>,
    word: Word,
}

#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
enum Word {
    Time,
    Index,
    #[default]
    Other,
}

impl Name {
    /// From a header field such as `Time [s]`, `time(ms)`, `Time_us`, `CH1 (V)`.
    pub(super) fn parse(field: &[u8]) -> Self {
        let text = String::from_utf8_lossy(field).replace("\"\"", "\"");
        let (stem, unit) = split_unit(&text);
        Self::new(&text, stem, unit)
    }

    /// From a name and the unit that stands in the line below it.
    pub(super) fn with_unit(field: &[u8], unit: &[u8]) -> Self {
        let text = String::from_utf8_lossy(field).replace("\"\"", "\"");
        let unit = String::from_utf8_lossy(unit).into_owned();
        if unit.trim().is_empty() {
            return Self::parse(field);
        }
        Self::new(&text, text.trim(), Some(bare(&unit)))
    }

    fn new(text: &str, stem: &str, unit: Option<&str>) -> Self {
        let word = match stem.trim().to_lowercase().as_str() {
            "time" | "t" | "timestamp" | "time stamp" | "seconds" | "second" | "x" | "x-axis" => Word::Time,
            "sample" | "samples" | "sample number" | "sample index" | "index" | "n" | "#" | "no" | "no." => {
                Word::Index
            }
            _ => Word::Other,
        };
        let time_unit = unit.and_then(time_unit);
        let volts = unit.and_then(volt_unit);
        // `X` alone names nothing, and `seconds` is name and unit at once.
        let (word, time_unit) = match stem.trim().to_lowercase().as_str() {
            "x" | "x-axis" if time_unit.is_none() => (Word::Other, None),
            "seconds" | "second" => (word, time_unit.or(Some(9))),
            _ if word == Word::Index && time_unit.is_some() => (Word::Other, time_unit),
            _ => (word, time_unit),
        };
        let text = if volts.is_some() || (word == Word::Time && time_unit.is_some()) {
            stem.trim_end()
        } else {
            text
        };
        Self { text: text.to_owned(), time_unit, volts, word }
    }

    /// Whether the column carries the time.
    pub(super) fn is_time(&self) -> bool {
        self.word == Word::Time
    }

    /// Whether the column counts samples.
    pub(super) fn is_index(&self) -> bool {
        self.word == Word::Index
    }
}

/// Whether a field of a line of units is one: `(s)`, `V`, `[ms]`.
pub(super) fn is_unit(field: &[u8]) -> bool {
    let text = String::from_utf8_lossy(field).into_owned();
    time_unit(bare(&text)).is_some() || volt_unit(bare(&text)).is_some()
}

/// `Time [s]` to `Time`, `s`; the unit may stand in brackets, or behind `_`, `/`, blank or `in`.
fn split_unit(text: &str) -> (&str, Option<&str>) {
    let trimmed = text.trim();
    for (open, close) in [('[', ']'), ('(', ')')] {
        if let Some(inner) = trimmed.strip_suffix(close)
            && let Some((stem, unit)) = inner.rsplit_once(open)
        {
            return (stem.trim(), Some(unit.trim()));
        }
    }
    if let Some((stem, unit)) = trimmed.rsplit_once(['_', '/', ' ', ','])
        && (time_unit(unit).is_some() || volt_unit(unit).is_some())
    {
        let stem = stem.trim_end();
        return (stem.strip_suffix(" in").unwrap_or(stem).trim_end_matches([',', ' ']), Some(unit));
    }
    (trimmed, None)
}

fn bare(text: &str) -> &str {
    text.trim().trim_start_matches(['(', '[']).trim_end_matches([')', ']']).trim()
}

/// Power of ten in nanoseconds.
fn time_unit(unit: &str) -> Option<i32> {
    Some(match unit {
        "s" | "S" | "sec" | "Sec" | "secs" | "second" | "seconds" | "Seconds" | "Second" => 9,
        "ms" | "msec" | "millisecond" | "milliseconds" => 6,
        // The micro sign and the Greek letter look alike and both occur.
        "us" | "µs" | "μs" | "usec" | "microsecond" | "microseconds" => 3,
        "ns" | "nsec" | "nanosecond" | "nanoseconds" => 0,
        "ps" | "psec" | "picosecond" | "picoseconds" => -3,
        _ => return None,
    })
}

fn volt_unit(unit: &str) -> Option<f64> {
    Some(match unit {
        "V" | "v" | "Volt" | "Volts" | "volt" | "volts" => 1.0,
        "mV" | "mv" | "millivolt" | "millivolts" => 1e-3,
        "uV" | "µV" | "μV" => 1e-6,
        _ => return None,
    })
}

/// The sample rate in Hz that a preamble line states (`Sample rate: 2 MHz`, `Sample interval,1e-6 s`).
///
/// # Source
/// Common practice, no source.
pub(super) fn stated_rate(line: &[u8]) -> Option<f64> {
    let text = String::from_utf8_lossy(line.get(..line.len().min(256))?).to_lowercase();
    // Word joints go, the minus of an exponent stays.
    let text = text.replace("-rate", "rate").replace("-interval", "interval").replace("-period", "period");
    let squeezed: String = text.chars().filter(|c| !matches!(c, ' ' | '"' | '_' | '#')).collect();
    let behind = |words: &[&str]| {
        words.iter().find_map(|word| {
            squeezed.find(word).map(|at| squeezed.get(at + word.len()..).unwrap_or_default())
        })
    };
    if let Some(rest) = behind(&["samplerate", "samplingrate", "samplefrequency", "samplingfrequency"]) {
        let (number, unit) = quantity(rest)?;
        let factor = match unit.trim_end_matches("sa/s").trim_end_matches("s/s").trim_end_matches("hz") {
            "" => 1.0,
            "k" => 1e3,
            "m" => 1e6,
            "g" => 1e9,
            _ => return None,
        };
        return Some(number * factor).filter(|rate| *rate > 0.0);
    }
    let rest = behind(&["sampleinterval", "samplinginterval", "sampleperiod", "samplingperiod"])?;
    let (number, unit) = quantity(rest)?;
    let power = if unit.is_empty() { 9 } else { time_unit(&unit)? };
    Some(1e9 / (number * 10f64.powi(power))).filter(|rate| rate.is_finite() && *rate > 0.0)
}

/// The first number of a text and the letters right behind it.
fn quantity(text: &str) -> Option<(f64, String)> {
    let start = text.find(|c: char| c.is_ascii_digit())?;
    let rest = text.get(start..)?;
    let scientific = |i: usize, c: char| {
        // `1e6` and `1e-6`, but not the e of a word.
        matches!(c, 'e')
            && rest.get(i + 1..).is_some_and(|r| r.starts_with(|n: char| n.is_ascii_digit() || n == '-'))
    };
    let end = rest
        .char_indices()
        .find(|(i, c)| {
            let after_e = *c == '-' && *i > 0 && rest.as_bytes().get(i - 1) == Some(&b'e');
            !(c.is_ascii_digit() || *c == '.' || scientific(*i, *c) || after_e)
        })
        .map_or(rest.len(), |(i, _)| i);
    let number = rest.get(..end)?.parse().ok()?;
    let unit = rest.get(end..)?.trim_start_matches([',', ';', '\t', '(', '[']);
    let unit: String = unit.chars().take_while(|c| c.is_alphabetic() || *c == '/').collect();
    Some((number, unit))
}
