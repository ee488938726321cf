//! One table, written in one way.

use std::io::Write as _;

use flate2::{Compression, write::GzEncoder};

use super::choices::{
    ENCODING, ENDS, EXTRA, HEADER, LEVELS, MARK, ORDER, SAMPLES, SEPARATOR, TRAILER, UNIT, Way,
};

/// When the frame begins.
pub(super) const START_MS: i64 = 10;
/// End of the capture.
const END: i64 = 90_000_000;
/// Time between two samples.
const STEP: i64 = 50_000;

/// NEC from its definition: leader, address and its inverse, command and its inverse, each least significant bit
/// first; microseconds.
fn nec(address: u8, command: u8) -> Vec<i64> {
    let mut lengths = vec![9000, 4500];
    for byte in [address, !address, command, !command] {
        for bit in 0..8 {
            lengths.extend([563, if byte >> bit & 1 == 1 { 1688 } else { 563 }]);
        }
    }
    lengths.push(563);
    lengths
}

/// Instants at which a receiver's output falls and rises, in turn.
fn edges(address: u8, command: u8) -> Vec<i64> {
    let mut t = START_MS * 1_000_000;
    let mut edges = vec![t];
    for length in nec(address, command) {
        t += length * 1000;
        edges.push(t);
    }
    edges
}

fn level(edges: &[i64], t: i64) -> bool {
    edges.partition_point(|edge| *edge <= t) % 2 == 0
}

/// A time in a unit of so many nanoseconds.
fn decimal(t: i64, unit: i128, decimals: u32) -> String {
    let scaled = (i128::from(t) * 10i128.pow(decimals) * 2 + unit) / (2 * unit);
    let power = 10i128.pow(decimals);
    if decimals == 0 {
        return scaled.to_string();
    }
    format!("{}.{:0width$}", scaled / power, scaled % power, width = decimals as usize)
}

impl Way {
    /// Nanoseconds and decimals of the unit.
    fn unit(&self) -> (i128, u32) {
        let name = self.get(UNIT).to_lowercase();
        let has = |word: &str| name.contains(word);
        if has("fortnights") {
            (1_209_600_000_000_000, 15)
        } else if has("hour") {
            (3_600_000_000_000, 12)
        } else if has("min") {
            (60_000_000_000, 10)
        } else if has("[m]") || name == "ms" || has("ms") || has("milli") {
            (1_000_000, 4)
        } else if has("us") || has("µs") || has("μs") || has("micro") {
            (1000, 1)
        } else if has("[ns]") {
            (1, 0)
        } else if has("[ps]") {
            (1, 3)
        } else {
            (1_000_000_000, 7)
        }
    }

    fn time(&self, t: i64) -> String {
        let (unit, decimals) = self.unit();
        if self.get(UNIT) == "Timestamp [ps]" {
            return if t == 0 { "0".to_owned() } else { format!("{t}000") };
        }
        decimal(t, unit, decimals)
    }

    fn cell(&self, high: bool, t: i64) -> String {
        let ripple = f64::from((t / 50_000 % 7) as i32 - 3);
        let volts = |low: f64, high_level: f64, digits: usize, noise: f64| {
            format!("{:.digits$}", if high { high_level } else { low } + noise * ripple)
        };
        match self.get(LEVELS) {
            "lh" => (if high { "H" } else { "L" }).to_owned(),
            "words" => (if high { "True" } else { "False" }).to_owned(),
            "exponent" => (if high { "1.000E+00" } else { "0.000E+00" }).to_owned(),
            "3.3 V" => volts(0.05, 3.28, 3, 0.004),
            "1.8 V" => volts(0.02, 1.79, 3, 0.002),
            "1.2 V" => volts(0.02, 1.19, 3, 0.002),
            "noisy 1.8 V" => volts(0.08, 1.74, 3, 0.02),
            "5 V" => volts(0.1, 4.9, 2, 0.01),
            "0.9 V" => volts(0.01, 0.89, 3, 0.001),
            "around zero" => volts(-1.6, 1.7, 3, 0.004),
            "µV" => volts(20_000.0, 3_290_000.0, 0, 2000.0),
            "mV" | "mV unnamed" => volts(20.0, 3290.0, 1, 2.0),
            _ => u8::from(high).to_string(),
        }
    }

    /// Name of a channel, and its unit.
    fn channel(&self, name: &str) -> (String, &'static str) {
        let unit = match self.get(LEVELS) {
            "mV" => "mV",
            "µV" => "uV",
            "3.3 V" | "5 V" => "V",
            _ => "",
        };
        (name.to_owned(), unit)
    }

    fn is_counted(&self) -> bool {
        self.get(SAMPLES).starts_with("rate") || self.get(SAMPLES).starts_with("interval")
    }

    /// Whether each column has a name.
    fn is_named(&self) -> bool {
        !self.is(HEADER, &["none", "banner"])
    }

    /// Whether start and increment stand beside the rows.
    fn is_beside(&self) -> bool {
        self.is(EXTRA, &["start and increment", "start in units"]) && !self.is_counted()
    }

    /// The file, and the channel to read.
    pub(super) fn write(&self) -> (Vec<u8>, &'static str) {
        let (ir, aux) = (edges(4, 8), edges(0x5a, 0x11));
        let sampled = self.get(SAMPLES) != "changes" || self.is_beside();
        let mut instants: Vec<i64> = if sampled {
            (0..=END / STEP).map(|i| i * STEP).collect()
        } else {
            ir.iter().chain(&aux).copied().chain([0, END]).collect()
        };
        instants.sort_unstable();
        instants.dedup();
        let mut rows: Vec<Vec<String>> = Vec::new();
        for (i, t) in instants.iter().enumerate() {
            rows.push(self.row(i, *t, level(&ir, *t), level(&aux, *t)));
        }
        let separator = match self.get(SEPARATOR) {
            "tab" => "\t",
            other => other,
        };
        let mut lines = self.header(separator);
        let first = lines.len();
        lines.extend(
            rows.iter().map(|row| row.iter().map(|cell| self.mark(cell)).collect::<Vec<_>>().join(separator)),
        );
        if self.is_beside() && self.is(EXTRA, &["start and increment"]) {
            // Start and increment stand in the last two columns of the first row.
            let mut cells = rows[0].clone();
            cells.truncate(cells.len() - 2);
            cells.extend(["0.0".to_owned(), "5.0E-05".to_owned()]);
            lines[first] = cells.iter().map(|cell| self.mark(cell)).collect::<Vec<_>>().join(separator);
        }
        if self.is(EXTRA, &["closing separator", "closing in rows"]) {
            for line in &mut lines[first..] {
                line.push_str(separator);
            }
        }
        let middle = first + (lines.len() - first) / 2;
        match self.get(TRAILER) {
            "separator" => lines.push(separator.repeat(rows[0].len() - 1)),
            "end of data" => lines.push("End of data".to_owned()),
            "two closing lines" => {
                lines.extend(["".to_owned(), "--- end ---".to_owned(), "exported by hand".to_owned()])
            }
            "blank" => lines.push(String::new()),
            "end mark" => lines.push("\u{1a}".to_owned()),
            "summary" => lines.push(format!(
                "Average{}",
                format!("{separator}{}", self.mark("0.5")).repeat(rows[0].len() - 1)
            )),
            "hole" if self.is_counted() => lines.insert(middle, String::new()),
            "hole" => lines.insert(middle, separator.repeat(rows[0].len() - 1)),
            "damaged" => lines[middle] = lines[middle].replacen(['0', '1', '2'], "@", 1),
            _ => {}
        }
        let end = match self.get(ENDS) {
            "crlf" => "\r\n",
            "cr" => "\r",
            _ => "\n",
        };
        let mut text = lines.join(end) + end;
        if self.is(TRAILER, &["cut"]) {
            let row = rows[rows.len() - 1][0].clone();
            text.push_str(&self.mark(&row));
        }
        let wire = match (!self.is_named(), self.is(ORDER, &["aux ir"])) {
            (false, _) => "IR",
            (true, false) => "CH0",
            (true, true) => "CH1",
        };
        (self.encode(&text), wire)
    }

    fn row(&self, i: usize, t: i64, ir: bool, aux: bool) -> Vec<String> {
        let (ir, aux) = (self.cell(ir, t), self.cell(aux, t));
        let mut cells = if self.is(ORDER, &["aux ir"]) { vec![aux, ir] } else { vec![ir, aux] };
        match self.get(EXTRA) {
            "spare" => cells.push(self.cell(true, 0)),
            "twin name" => cells.push(self.cell(false, 0)),
            _ => {}
        }
        let time = if self.is_beside() { i.to_string() } else { self.time(t) };
        if !self.is_counted() {
            let at = match self.get(ORDER) {
                "time last" => cells.len(),
                "time between" => 1,
                _ => 0,
            };
            cells.insert(at, time);
            match self.get(EXTRA) {
                "index" => cells.insert(0, i.to_string()),
                "time each" if self.is_named() => cells.insert(cells.len() - 1, self.time(t)),
                "second time" => cells.push(decimal(t, 1_000_000, 3)),
                "other time" => cells.push(decimal(2 * t + 77_000, 1_000_000, 3)),
                "start and increment" => cells.extend([String::new(), String::new()]),
                _ => {}
            }
        }
        cells
    }

    /// The lines above the rows.
    fn header(&self, separator: &str) -> Vec<String> {
        let mut lines = Vec::new();
        match self.get(SAMPLES) {
            "rate in Hz" => lines.push("# Sample rate: 20000 Hz".to_owned()),
            "rate in kHz" => lines.push("# Sample rate: 20 kHz".to_owned()),
            "rate grouped" => lines.push("# Sample rate: 20,000 Hz".to_owned()),
            "rate pointed" => lines.push("# Sample rate: 20.000 Hz".to_owned()),
            "interval named" => lines.push(format!("Sample Interval (us){separator}50")),
            "interval bare" => lines.push(format!("Sample Interval{separator}50")),
            "interval" => lines.push("# Sampling interval: 50 us".to_owned()),
            _ => {}
        }
        let mut names = vec![self.channel("IR"), self.channel("AUX")];
        if self.is(ORDER, &["aux ir"]) {
            names.swap(0, 1);
        }
        match self.get(EXTRA) {
            "spare" => names.push(self.channel("SPARE")),
            "twin name" => names.push(self.channel("IR")),
            _ => {}
        }
        let mut sub: Option<Vec<String>> = None;
        if !self.is_counted() {
            let at = match self.get(ORDER) {
                "time last" => names.len(),
                "time between" => 1,
                _ => 0,
            };
            let time = if self.is_beside() { "X" } else { self.get(UNIT) };
            names.insert(at, (time.to_owned(), ""));
            match self.get(EXTRA) {
                "index" => names.insert(0, ("Sample".to_owned(), "")),
                "time each" if self.is_named() => {
                    names.insert(names.len() - 1, (self.get(UNIT).to_owned(), ""))
                }
                "second time" => names.push(("Time [ms]".to_owned(), "")),
                "other time" => names.push(("Time 2 [ms]".to_owned(), "")),
                "start and increment" | "start in units" => {
                    names.extend([("Start".to_owned(), ""), ("Increment".to_owned(), "")]);
                }
                _ => {}
            }
        }
        if self.is_beside() && self.is(EXTRA, &["start in units"]) {
            let unit = |(name, _): &(String, &str)| match name.as_str() {
                "X" => "Sequence".to_owned(),
                "Start" => self.mark("0.0"),
                "Increment" => self.mark("5.0E-05"),
                _ if self.is(LEVELS, &["mV"]) => "mV".to_owned(),
                _ => "V".to_owned(),
            };
            sub = Some(names.iter().map(unit).collect());
        }
        let below = self.is(HEADER, &["units below", "units above", "types below"]) && sub.is_none();
        let field = |(name, unit): &(String, &str)| match *unit {
            "" if name.contains(',') && separator == "," => format!("\"{name}\""),
            "" => name.clone(),
            _ if sub.is_some() || below => name.clone(),
            unit => format!("{name} ({unit})"),
        };
        let mut header = names.iter().map(field).collect::<Vec<_>>();
        if below && !self.is_counted() && !self.is_beside() {
            // The unit of the time goes into the line below, where its header has brackets.
            let split = |name: &String| match name.rsplit_once([' ', '(']) {
                Some((stem, unit)) if name.ends_with([']', ')']) => {
                    (stem.trim().to_owned(), unit.trim_matches(['[', ']', '(', ')']).to_owned())
                }
                _ => (name.clone(), String::new()),
            };
            let units: Vec<(String, String)> = header.iter().map(split).collect();
            let units_of =
                names.iter().zip(&units).map(
                    |((_, unit), (_, time))| {
                        if unit.is_empty() { time.clone() } else { (*unit).to_owned() }
                    },
                );
            let units_of: Vec<String> = units_of.collect();
            // Such a line is only written where it says something.
            if units_of.iter().any(|unit| !unit.is_empty()) {
                header = units.into_iter().map(|(name, _)| name).collect();
                sub = Some(units_of);
            }
        }
        let mut head = header.join(separator);
        if self.is(EXTRA, &["closing separator", "closing in header"]) {
            head.push_str(separator);
        }
        match self.get(HEADER) {
            "preamble" => {
                lines.extend([
                    "Device: bench".to_owned(),
                    format!("Channels{separator}2"),
                    String::new(),
                    head,
                ]);
            }
            "comment" => lines.push(format!("# {head}")),
            "blank lines" => lines.extend([String::new(), head, String::new()]),
            "none" => {}
            "banner" => lines.push("exported by hand".to_owned()),
            "units above" => {
                lines.extend(sub.take().map(|units| units.join(separator)));
                lines.push(head);
            }
            _ => lines.push(head),
        }
        if self.is_named()
            && let Some(mut units) = sub
        {
            if self.is(EXTRA, &["closing separator", "closing in header"]) {
                units.push(String::new());
            }
            lines.push(units.join(separator));
        }
        if self.is(HEADER, &["types below"]) {
            lines.push(vec!["float"; header.len()].join(separator));
        }
        lines
    }

    /// A cell with the decimal mark of this way.
    fn mark(&self, cell: &str) -> String {
        let comma = cell.replace('.', ",");
        match self.get(MARK) {
            "comma" => comma,
            "quoted comma" => format!("\"{comma}\""),
            "quoted point" => format!("\"{cell}\""),
            "thousands" => {
                let (whole, rest) = cell.split_once('.').unwrap_or((cell, ""));
                if !whole.bytes().all(|byte| byte.is_ascii_digit()) || whole.is_empty() {
                    return cell.to_owned();
                }
                let groups: Vec<String> = whole
                    .as_bytes()
                    .rchunks(3)
                    .rev()
                    .map(|group| String::from_utf8_lossy(group).into_owned())
                    .collect();
                let text = groups.join(",") + if rest.is_empty() { "" } else { "." } + rest;
                if text.contains(',') { format!("\"{text}\"") } else { text }
            }
            _ => cell.to_owned(),
        }
    }

    fn encode(&self, text: &str) -> Vec<u8> {
        let wide = |little: bool| -> Vec<u8> {
            let order = |unit: u16| if little { unit.to_le_bytes() } else { unit.to_be_bytes() };
            text.encode_utf16().flat_map(order).collect()
        };
        match self.get(ENCODING) {
            "utf-8 mark" => [&b"\xef\xbb\xbf"[..], text.as_bytes()].concat(),
            // Latin-1 has the micro sign but not the Greek letter.
            "latin-1" => text.replace('μ', "µ").chars().map(|c| u32::from(c) as u8).collect(),
            "utf-16 little" => [b"\xff\xfe".to_vec(), wide(true)].concat(),
            "utf-16 big" => [b"\xfe\xff".to_vec(), wide(false)].concat(),
            "utf-16 unmarked" => wide(true),
            "gzip" => {
                let mut packed = GzEncoder::new(Vec::new(), Compression::fast());
                packed.write_all(text.as_bytes()).unwrap();
                packed.finish().unwrap()
            }
            _ => text.as_bytes().to_vec(),
        }
    }
}
