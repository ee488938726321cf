//! Sample rates that a line before the rows states.

use crate::base::{Error, Result, quote};
use crate::source::csv::unit::{TimeUnit, time_unit};

/// The sample rate in Hz that a line states (`Sample rate: 2 MHz`, `Sample interval,1e-6 s`).
///
/// # Errors
/// `Input` for a number that can be read in two ways: `50,000` and `50.000` are fifty or fifty thousand.
///
/// # Source
/// Common practice, no source.
pub(super) fn stated_rate(line: &[u8]) -> Result<Option<f64>> {
    let Some(head) = line.get(..line.len().min(256)) else { return Ok(None) };
    let text = String::from_utf8_lossy(head).to_lowercase();
    // Word joints go, the minus of an exponent stays.
    let text = text.replace("-rate", "rate").replace("-interval", "interval").replace("-period", "period");
    let squeezed: String = text.chars().filter(|c| !matches!(c, ' ' | '"' | '_' | '#')).collect();
    let behind = |words: &[&str]| {
        words.iter().find_map(|word| {
            squeezed.find(word).map(|at| squeezed.get(at + word.len()..).unwrap_or_default())
        })
    };
    let rate = ["samplerate", "samplingrate", "samplefrequency", "samplingfrequency"];
    let interval = ["sampleinterval", "samplinginterval", "sampleperiod", "samplingperiod"];
    let found = if let Some(rest) = behind(&rate) {
        let Some((number, unit)) = quantity(rest) else { return Ok(None) };
        let factor = match unit.trim_end_matches("sa/s").trim_end_matches("s/s").trim_end_matches("hz") {
            "" => 1.0,
            "k" => 1e3,
            "m" => 1e6,
            "g" => 1e9,
            _ => return Ok(None),
        };
        number.map(|number| number * factor)
    } else if let Some(rest) = behind(&interval) {
        let Some((number, unit)) = quantity(rest) else { return Ok(None) };
        let known = if unit.is_empty() { Some(TimeUnit::SECOND) } else { time_unit(&unit) };
        let Some(known) = known else { return Ok(None) };
        if unit.is_empty() && number.is_some_and(|number| number >= 1.0) {
            return Err(Error::input(format!("`{}` names no unit", quote(line.trim_ascii())))
                .help("write it as `Sample interval: 50 us`, or give the sample rate (--sample-rate HZ)"));
        }
        #[allow(clippy::cast_precision_loss)]
        number.map(|number| 1e9 / (number * known.times as f64 * 10f64.powi(known.power)))
    } else {
        return Ok(None);
    };
    match found {
        Some(rate) => Ok(Some(rate).filter(|rate| rate.is_finite() && *rate > 0.0)),
        None => Err(Error::input(format!("`{}` can be read in two ways", quote(line.trim_ascii()))).help(
            "say the sample rate in plain digits, as `--sample-rate 50000`, or `50000 Hz` in the file",
        )),
    }
}

/// The first number of a text and the letters right behind it, or else those in brackets before it, as
/// `(us),50`; the number is `None` when it can be read in two ways. A text without a number gives none.
fn quantity(text: &str) -> Option<(Option<f64>, String)> {
    let start = text.find(|c: char| c.is_ascii_digit())?;
    let rest = text.get(start..)?;
    let bytes = rest.as_bytes();
    let digit = |i: usize| bytes.get(i).is_some_and(u8::is_ascii_digit);
    let mut end = 0;
    loop {
        match bytes.get(end) {
            Some(b'0'..=b'9') => end += 1,
            // A mark between digits; before anything else it ends the number.
            Some(b'.' | b',' | b'\'') if digit(end + 1) => end += 1,
            Some(b'e') if digit(end + 1) => end += 1,
            Some(b'e') if matches!(bytes.get(end + 1), Some(b'-' | b'+')) && digit(end + 2) => end += 2,
            _ => break,
        }
    }
    let number = plain(rest.get(..end)?);
    let unit = rest.get(end..)?.trim_start_matches([',', ';', '\t', '(', '[']);
    let letters =
        |text: &str| text.chars().take_while(|c| c.is_alphabetic() || *c == '/').collect::<String>();
    let before = text.get(..start)?.trim_start_matches(['(', '[', ',', ':', '=']);
    let unit = Some(letters(unit)).filter(|unit| !unit.is_empty()).unwrap_or_else(|| letters(before));
    Some((number, unit))
}

/// A number with either decimal mark, or with marks between its thousands; `None` where it cannot be told which.
fn plain(text: &str) -> Option<f64> {
    let (mantissa, exponent) = match text.split_once('e') {
        Some((mantissa, exponent)) => (mantissa, exponent.parse::<i32>().ok()?),
        None => (text, 0),
    };
    let marks: Vec<char> = mantissa.chars().filter(|c| !c.is_ascii_digit()).collect();
    let behind = mantissa.rsplit(['.', ',', '\'']).next().unwrap_or_default().len();
    let whole = |marks: &[char]| mantissa.replace(marks, "").parse::<f64>().ok();
    let number = match marks.as_slice() {
        [] => mantissa.parse().ok(),
        ['\''] => whole(&['\'']),
        // `0.125` is no thousand, nor is what carries an exponent.
        [mark] if behind != 3 || mantissa.starts_with('0') || text.contains('e') => {
            mantissa.replace(*mark, ".").parse().ok()
        }
        [_] => None,
        [first, rest @ ..] if rest.iter().all(|mark| mark == first) => whole(&[*first]),
        // `1,000,000.5`: the last mark is the decimal one.
        [first, middle @ .., last] if middle.iter().all(|mark| mark == first) && first != last => {
            mantissa.replace(*first, "").replace(*last, ".").parse().ok()
        }
        _ => None,
    };
    number.map(|number: f64| number * 10f64.powi(exponent))
}
