//! How numbers, durations and chances are said, in one place: terminal, report and the sentences of the analysis
//! say the same thing with the same words.
//!
//! Decimal point, no grouping: nothing depends on where one reads.

/// What stands for a number that is not known.
pub const NOT_KNOWN: &str = "–";

/// Three significant figures, decimal point, no grouping, no exponent between a millionth and a billion.
pub fn number(value: f64) -> String {
    if !value.is_finite() {
        return NOT_KNOWN.to_owned();
    }
    let magnitude = value.abs();
    if magnitude == 0.0 {
        return "0".to_owned();
    }
    if !(1e-6..1e9).contains(&magnitude) {
        return format!("{value:.2e}");
    }
    // Digits before the point of a number rounded to three figures.
    let whole = (magnitude * (1.0 + 5e-4)).log10().floor();
    let places = if whole >= 2.0 { 0.0 } else { 2.0 - whole };
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
    let text = format!("{value:.*}", places as usize);
    if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.').to_owned() } else { text }
}

/// The same number to six significant digits: more than anybody reads, and fewer than in which systems differ.
pub fn six_digits(value: f64) -> f64 {
    format!("{value:.5e}").parse().unwrap_or(value)
}

/// A duration in the largest units that say it: `0.9 s`, `20 min`, `1 h 5 min`, `3 d 2 h`.
#[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
pub fn duration(seconds: f64) -> String {
    if !seconds.is_finite() || seconds < 0.0 {
        return NOT_KNOWN.to_owned();
    }
    if seconds < 59.5 {
        return format!("{} s", number(seconds));
    }
    let whole = seconds.round().min(1e12) as u64;
    let (large, large_unit, small, small_unit) = match whole {
        0..=3_599 => (whole / 60, "min", whole % 60, "s"),
        // Seconds no longer matter beyond an hour.
        3_600..=86_399 => (whole / 3_600, "h", whole % 3_600 / 60, "min"),
        _ => (whole / 86_400, "d", whole % 86_400 / 3_600, "h"),
    };
    if small == 0 {
        format!("{large} {large_unit}")
    } else {
        format!("{large} {large_unit} {small} {small_unit}")
    }
}

/// With a capital letter first.
pub fn capital(words: &str) -> String {
    let mut letters = words.chars();
    letters.next().map_or_else(String::new, |first| first.to_uppercase().chain(letters).collect())
}

/// A time between two samples: `50 µs`, `2 ms`, `10 s`.
pub fn interval(seconds: f64) -> String {
    match seconds {
        s if s < 1e-3 => format!("{} µs", number(1e6 * s)),
        s if s < 1.0 => format!("{} ms", number(1e3 * s)),
        s => format!("{} s", number(s)),
    }
}

/// A share of something as percent: `94 %`.
pub fn share(share: f64) -> String {
    match share {
        s if !(0.0..=1.0).contains(&s) => NOT_KNOWN.to_owned(),
        s if s > 0.0 && s < 0.01 => "below 1 %".to_owned(),
        s if s > 0.99 && s < 1.0 => "over 99 %".to_owned(),
        s => format!("{} %", (100.0 * s).round()),
    }
}

/// A chance in per cent, small ones as a bound: `12 %`, `0.4 %`, `less than 0.1 %`.
pub fn chance(chance: f64) -> String {
    if !chance.is_finite() {
        NOT_KNOWN.to_owned()
    } else if chance >= 0.0995 {
        format!("{:.0} %", 100.0 * chance)
    } else if chance >= 0.000_995 {
        format!("{:.1} %", 100.0 * chance)
    } else {
        "less than 0.1 %".to_owned()
    }
}

/// A count with its noun: `1 episode`, `3 episodes`, `2 addresses`.
pub fn plural(count: u64, one: &str) -> String {
    let ending = match count {
        1 => "",
        _ if one.ends_with('s') => "es",
        _ => "s",
    };
    format!("{count} {one}{ending}")
}
