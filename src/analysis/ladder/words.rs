//! Numbers as a technician reads them: three digits and a unit.

/// `38 kΩ`, `4.7 kΩ`, `12 Ω`, `1.5 MΩ`.
pub fn ohms(ohm: f64) -> String {
    if !ohm.is_finite() {
        return "no connection".into();
    }
    let (value, unit) = match ohm.abs() {
        r if r >= 999_500.0 => (ohm / 1e6, "MΩ"),
        r if r >= 999.5 => (ohm / 1e3, "kΩ"),
        _ => (ohm, "Ω"),
    };
    format!("{} {unit}", three_digits(value))
}

/// The same number to two significant digits.
pub(super) fn two_digits(value: f64) -> f64 {
    if value == 0.0 || !value.is_finite() {
        return value;
    }
    let unit = 10f64.powf(value.abs().log10().floor() - 1.0);
    (value / unit).round() * unit
}

/// `+80 mV`, `-1.2 V`.
pub fn volts(volts: f64) -> String {
    if volts.abs() < 1.0 {
        format!("{} mV", three_digits(volts * 1e3))
    } else {
        format!("{} V", three_digits(volts))
    }
}

/// Three significant digits without needless zeros.
pub fn three_digits(value: f64) -> String {
    if value == 0.0 || !value.is_finite() {
        return if value == 0.0 { "0".into() } else { "?".into() };
    }
    let magnitude = value.abs().log10().floor();
    // A double's decimal exponent lies within ±308.
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
    let places = (2.0 - magnitude).clamp(0.0, 9.0) as usize;
    let text = format!("{value:.places$}");
    if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.').to_owned() } else { text }
}

/// A chance in words that do not claim more digits than it has: `99.9 %`, `12 %`, `less than 0.1 %`.
pub fn percent(chance: f64) -> String {
    let value = chance * 100.0;
    match value {
        v if !v.is_finite() => "?".into(),
        v if v < 0.1 => "less than 0.1 %".into(),
        v if v < 1.0 => format!("{v:.1} %"),
        v if v <= 99.0 => format!("{v:.0} %"),
        v if v <= 99.9 => format!("{v:.1} %"),
        _ => "more than 99.9 %".into(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn resistances_read_as_on_a_schematic() {
        assert_eq!(ohms(38_012.0), "38 kΩ");
        assert_eq!(ohms(4_700.0), "4.7 kΩ");
        assert_eq!(ohms(1_500_000.0), "1.5 MΩ");
        assert_eq!(ohms(0.0512), "0.0512 Ω");
        assert_eq!(volts(0.08026), "80.3 mV");
        assert_eq!(percent(0.00001), "less than 0.1 %");
    }
}
