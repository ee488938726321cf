//! A draft protocol file: its parts, and its text.

use std::fmt::Write as _;

use crate::decode::protocol::ClockUnit;
use crate::learn::prefix::{Prefix, Unit};

/// One `[[record]]` and the evidence for it.
#[derive(Clone, Debug, Default)]
pub struct Rule {
    /// The line shape, without the prefix.
    pub shape: String,
    /// What it means, as the file writes it.
    pub event: &'static str,
    /// Further lines of the record, as the file writes them.
    pub fields: Vec<String>,
    /// Evidence, one remark a line.
    pub because: Vec<String>,
    /// How sure, 0 to 1; `None` for chatter.
    pub confidence: Option<f64>,
    /// Lines of the capture.
    pub lines: u64,
}

/// One `[[line]]` and the evidence for it.
#[derive(Clone, Debug, Default)]
pub struct LadderRule {
    /// Name of the line.
    pub name: String,
    /// The table, as the file writes it.
    pub fields: Vec<String>,
    /// Keys with their counts and remarks, as the file writes them.
    pub keys: Vec<String>,
    /// Evidence, one remark a line.
    pub because: Vec<String>,
}

/// A draft protocol file.
#[derive(Clone, Debug, Default)]
pub struct Draft {
    /// Name of the chassis.
    pub name: String,
    /// Name of the capture.
    pub capture: String,
    /// The set's stamp.
    pub prefix: Option<Prefix>,
    /// Some lines lack the stamp.
    pub bare: bool,
    /// Time between readings of a set that prints no stamp, seconds.
    pub line_period_s: Option<f64>,
    /// How a held key repeats: delay, period, and whether it is only assumed.
    pub repeat: Option<(f64, f64, bool)>,
    /// Words that name keys: word, key.
    pub keys: Vec<(String, String)>,
    /// Records, the surest first.
    pub rules: Vec<Rule>,
    /// Keypad lines.
    pub ladders: Vec<LadderRule>,
    /// What is still unknown.
    pub unknown: Vec<String>,
    /// Examples, as the file writes them.
    pub examples: Vec<String>,
    /// Lines of the capture.
    pub lines: usize,
}

/// A text as TOML writes it.
pub(super) fn quoted(text: &str) -> String {
    let mut out = String::with_capacity(text.len() + 2);
    out.push('"');
    for c in text.chars() {
        match c {
            '"' => out.push_str("\\\""),
            '\\' => out.push_str("\\\\"),
            '\t' => out.push_str("\\t"),
            '\n' => out.push_str("\\n"),
            c if c.is_control() => {
                let _ = write!(out, "\\u{:04X}", u32::from(c));
            }
            c => out.push(c),
        }
    }
    out.push('"');
    out
}

/// A remark, line by line; control characters made visible.
fn remark(out: &mut String, text: &str) {
    let clean: String = text.chars().map(|c| if c.is_control() { '·' } else { c }).collect();
    let _ = writeln!(out, "# {clean}");
}

impl Draft {
    /// The whole file.
    pub fn text(&self) -> String {
        let mut out = String::new();
        self.head(&mut out);
        for rule in &self.rules {
            write_rule(&mut out, rule);
        }
        for ladder in &self.ladders {
            write_ladder(&mut out, ladder);
        }
        self.examples.iter().for_each(|example| {
            let _ = write!(out, "\n{example}");
        });
        out
    }

    fn head(&self, out: &mut String) {
        remark(
            out,
            &format!("{}: a draft, learned from {} ({} lines).", self.name, self.capture, self.lines),
        );
        remark(out, "Each rule says what speaks for it. What the capture does not tell is marked `unknown`.");
        for unknown in &self.unknown {
            remark(out, &format!("unknown: {unknown}"));
        }
        let _ = write!(
            out,
            "\n[chassis]\nname = {}\nversion = 1\nabout = {}\nsource = {}\n",
            quoted(&self.name),
            quoted("draft; say here which sets print this"),
            quoted(&format!("learned from the capture {}", self.capture)),
        );
        self.clock(out);
        if let Some((delay, period, assumed)) = self.repeat {
            out.push('\n');
            remark(
                out,
                if assumed {
                    "unknown: how a held key repeats; no press in the capture was long enough. Usual values."
                } else {
                    "Measured: from the first line of a press to the second, and from then on."
                },
            );
            let _ = write!(out, "[repeat]\ndelay_s = {delay:.3}\nperiod_s = {period:.3}\n");
        }
        if !self.keys.is_empty() {
            out.push_str("\n[keys]\n");
            for (word, key) in &self.keys {
                let _ = writeln!(out, "{} = {}", quoted(word), quoted(key));
            }
        }
    }

    fn clock(&self, out: &mut String) {
        if let Some(prefix) = &self.prefix {
            let bare = if self.bare { ", \"\"" } else { "" };
            out.push('\n');
            remark(
                out,
                &format!("Stamp: {}{}", if prefix.guessed { "unknown, " } else { "" }, prefix.because),
            );
            let _ = write!(out, "[text]\nprefixes = [{}{bare}]\n", quoted(&prefix.shape()));
            let unit = match prefix.unit {
                // Seconds are what a file means that says nothing.
                Unit::Clock(ClockUnit::Seconds) | Unit::Ticks(_) => None,
                Unit::Clock(unit) => Some(unit.word()),
            };
            if let Some(unit) = unit {
                let _ = write!(out, "\n[clock]\nunit = \"{unit}\"\n");
            }
        }
        if let Some(period) = self.line_period_s {
            let _ = write!(out, "\n[clock]\nline_period_s = {period:.4}\n");
        }
    }
}

/// Appends a record.
pub(super) fn write_rule(out: &mut String, rule: &Rule) {
    out.push('\n');
    let sure = rule.confidence.map_or(String::new(), |c| format!(", confidence {c:.2}"));
    remark(out, &format!("{} lines{sure}", rule.lines));
    rule.because.iter().for_each(|because| remark(out, because));
    let _ = write!(out, "[[record]]\nshape = {}\nevent = \"{}\"\n", quoted(&rule.shape), rule.event);
    for field in &rule.fields {
        let _ = writeln!(out, "{field}");
    }
}

/// Appends a keypad line.
pub(super) fn write_ladder(out: &mut String, ladder: &LadderRule) {
    out.push('\n');
    ladder.because.iter().for_each(|because| remark(out, because));
    let _ = writeln!(out, "[[line]]\nname = {}", quoted(&ladder.name));
    for field in &ladder.fields {
        let _ = writeln!(out, "{field}");
    }
    out.push_str("key = [\n");
    for key in &ladder.keys {
        let _ = writeln!(out, "    {key}");
    }
    out.push_str("]\n");
}
