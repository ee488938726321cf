//! From a parsed chassis file to a [`Chassis`]: everything that can be wrong with it is found here.

use std::collections::HashMap;
use std::ops::Range;
use std::path::Path;
use std::sync::{Arc, OnceLock};

use toml::Spanned;

use crate::base::{ControlPath, Error, Key, Name, Nanoseconds, Result, nearest};
use crate::decode::chassis::engines::Engines;
use crate::decode::chassis::pattern::shape_hex;
use crate::decode::chassis::{Chassis, KeySource, Pattern, Table, Timeout, Timeouts};
use crate::decode::file;
use crate::decode::ladder::Windows;
use crate::decode::prefilter::Telling;
use crate::decode::protocol::{ChassisFile, KeyRule, KeyState, Meaning, Record, Role};
use crate::decode::shape::{self, Form, Shape};

/// Most records times prefixes in one file.
pub(super) const MOST_SHAPES: usize = 1_000;

pub(super) struct Compiler<'a> {
    pub(super) path: &'a Path,
    pub(super) text: &'a str,
    pub(super) file: &'a ChassisFile,
}

impl Chassis {
    /// Reads and compiles a chassis file; `path` is for messages, and its stem must be the name inside.
    ///
    /// # Errors
    /// `Input` with line, column, the offending text and what was expected.
    pub fn parse(path: &Path, text: &str) -> Result<Self> {
        let chassis = Self::parse_known(path, text)?;
        let engines = Engines::build(&chassis.patterns).map_err(|why| {
            Error::input(format!("the shapes are too large for one automaton: {why}"))
                .at(path)
                .help("use fewer prefixes or fewer records; widths of placeholders cost most")
        })?;
        Ok(Self { engines: OnceLock::from(engines), ..chassis })
    }

    /// The same for a file that is known to compile: most uses of the program read lines of one chassis only.
    pub(in crate::decode) fn parse_known(path: &Path, text: &str) -> Result<Self> {
        let file: ChassisFile = file::parse(path, text)?;
        Compiler { path, text, file: &file }.compile()
    }
}

impl Compiler<'_> {
    pub(super) fn mistake(&self, span: Range<usize>, what: &str, expected: &str) -> Error {
        file::mistake(self.path, self.text, span, what, Some(expected))
    }

    pub(super) fn compile(&self) -> Result<Chassis> {
        self.check_limits()?;
        self.check_identity()?;
        let lines = self.lines()?;
        let mut patterns = self.patterns(&lines)?;
        // Stable: of equally specific shapes the first in the file wins.
        patterns.sort_by_key(|pattern| std::cmp::Reverse(pattern.shape.specificity()));
        let name: Name = self.file.chassis.name.get_ref().as_str().into();
        let frames = self.frames(&lines)?;
        let sync = frames.as_ref().map(|frames| frames.layout.sync.as_slice());
        Ok(Chassis {
            decoder: format!("{name}@{}", self.file.chassis.version).into(),
            name,
            path: self.path.to_owned(),
            text: self.text.to_owned(),
            engines: OnceLock::new(),
            telling: Telling::new(&patterns, sync),
            lines,
            printed_repeats: self.prints_repeats(),
            one_at_a_time: patterns.iter().any(is_nameless)
                || frames.iter().flat_map(|f| &f.packets).any(|packet| is_nameless(&packet.pattern)),
            patterns,
            frames,
            items: names(&self.file.menu.items),
            item_values: names(&self.file.menu.values),
            timeouts: self.timeouts()?,
            period: match &self.file.clock.line_period_s {
                Some(period) => Some(self.positive(period)?),
                None => None,
            },
            file: self.file.clone(),
            own: None,
        })
    }

    fn check_identity(&self) -> Result<()> {
        let name = &self.file.chassis.name;
        let right = |c: char| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '-';
        if name.get_ref().is_empty() || !name.get_ref().chars().all(right) {
            let what = format!("`{}` is no name for a chassis", name.get_ref());
            return Err(self.mistake(name.span(), &what, "expected lower-case letters, digits and hyphens"));
        }
        if let Some(stem) = self.path.file_stem().and_then(|stem| stem.to_str())
            && stem != name.get_ref()
        {
            let what = format!("the file is called {stem}, the chassis inside {}", name.get_ref());
            return Err(self.mistake(name.span(), &what, "expected the same name for both"));
        }
        let longest = self.file.text.longest_line;
        if !(16..=65_536).contains(&longest) {
            return Err(Error::input(format!("longest_line is {longest}"))
                .at(self.path)
                .help("give 16 to 65536 bytes, or leave it out"));
        }
        let end = self.file.text.line_end;
        if !end.is_ascii() || end.is_ascii_alphanumeric() || end == ' ' {
            return Err(Error::input(format!("line_end is {end:?}"))
                .at(self.path)
                .help("give one ASCII character that is no letter, digit or blank, or leave it out: a form feed ends lines"));
        }
        Ok(())
    }

    fn positive(&self, seconds: &Spanned<f64>) -> Result<Nanoseconds> {
        let value = *seconds.get_ref();
        if value > 0.0 && value <= 3600.0 {
            return Ok(Nanoseconds::from_seconds(value));
        }
        Err(self.mistake(
            seconds.span(),
            &format!("a time of {value} s"),
            "expected above 0 and at most 3600",
        ))
    }

    /// A key that is silent for its whole repeat time, and a half of it more, is up; after a repeat two and a
    /// half periods, so that one lost line does not make two presses of one.
    fn timeouts(&self) -> Result<Timeouts> {
        let mut out = [None; ControlPath::ALL.len()];
        let Some(repeat) = &self.file.repeat else { return Ok(out) };
        if let (Some(one), None) | (None, Some(one)) = (&repeat.delay_s, &repeat.period_s) {
            return Err(self.mistake(
                one.span(),
                "half of a pace",
                "expected both, `delay_s` and `period_s`",
            ));
        }
        for (path, timeout) in ControlPath::ALL.into_iter().zip(&mut out) {
            let Some(pace) = repeat.of(path) else { continue };
            let (delay, period) = (self.positive(&pace.delay_s)?, self.positive(&pace.period_s)?);
            *timeout =
                Some(Timeout { first: Nanoseconds(delay.0 * 3 / 2), next: Nanoseconds(period.0 * 5 / 2) });
        }
        Ok(out)
    }

    fn prints_repeats(&self) -> bool {
        let states = self.file.record.iter().map(|record| &record.state);
        let repeats = |meaning: &Spanned<Meaning>| *meaning.get_ref() == Meaning::Repeat;
        self.file.record.iter().any(|record| repeats(&record.event))
            || states
                .chain(self.file.packet.iter().map(|packet| &packet.state))
                .any(|state| state.values().any(|state| *state == KeyState::Repeat))
    }

    fn lines(&self) -> Result<Vec<(Name, Arc<Windows>)>> {
        let mut out: Vec<(Name, Arc<Windows>)> = Vec::new();
        for line in &self.file.line {
            if out.iter().any(|(name, _)| **name == *line.name) {
                return Err(Error::input(format!("two lines are called {}", line.name))
                    .at(self.path)
                    .help("give each [[line]] the name that the set prints"));
            }
            let windows = Windows::new(line).map_err(|error| match line.key.first() {
                Some(key) => self.mistake(
                    key.name.span(),
                    error.what(),
                    error.help_text().unwrap_or("expected a ladder that can be read"),
                ),
                None => error.at(self.path),
            })?;
            out.push((line.name.as_str().into(), Arc::new(windows)));
        }
        Ok(out)
    }

    fn patterns(&self, lines: &[(Name, Arc<Windows>)]) -> Result<Vec<Pattern>> {
        let mut prefixes = Vec::new();
        for prefix in &self.file.text.prefixes {
            let shape = shape::parse(None, prefix.get_ref()).map_err(|m| self.shape_mistake(prefix, &m))?;
            prefixes.push(shape);
        }
        let mut patterns = Vec::new();
        for (index, record) in self.file.record.iter().enumerate() {
            let none = Shape { text: String::new(), parts: Vec::new(), prefix_parts: 0 };
            let use_prefixes = record.prefix && !prefixes.is_empty();
            let before = if use_prefixes { prefixes.as_slice() } else { std::slice::from_ref(&none) };
            for prefix in before {
                let shape = shape::parse(Some(prefix), record.shape.get_ref())
                    .map_err(|mistake| self.shape_mistake(&record.shape, &mistake))?;
                patterns.push(self.pattern(index, record, shape, lines)?);
            }
        }
        let wanted = self.file.frame.is_none();
        if patterns.is_empty() == wanted {
            return Err(Error::input(format!("the file makes {} shapes", patterns.len()))
                .at(self.path)
                .help(format!(
                    "a chassis has 1 to {MOST_SHAPES} shapes (records times prefixes), or [frame] and no record"
                )));
        }
        Ok(patterns)
    }

    fn shape_mistake(&self, at: &Spanned<String>, mistake: &shape::Mistake) -> Error {
        let whole = at.span();
        // Inside the quotes, when the text stands there as it is (no escapes).
        let inside = whole.start + 1 + mistake.span.start..whole.start + 1 + mistake.span.end;
        let literal = self.text.get(whole.start + 1..whole.start + 1 + at.get_ref().len());
        let span =
            if literal == Some(at.get_ref().as_str()) && !mistake.span.is_empty() { inside } else { whole };
        self.mistake(span, &mistake.what, &mistake.expected)
    }

    pub(super) fn pattern(
        &self,
        index: usize,
        record: &Record,
        shape: Shape,
        lines: &[(Name, Arc<Windows>)],
    ) -> Result<Pattern> {
        let placeholders = shape.placeholders().count();
        let (named, bits) = self.with_bits(record, &shape)?;
        let (roles, readings) = self.roles(record, &named, lines)?;
        let at = |role: Role| roles.iter().position(|r| *r == Some(role));
        let form = |i: usize| named.placeholders().nth(i).map_or(Form::Word, |p| p.form);
        let meaning = *record.event.get_ref();
        let key = self.key_source(record, &named, at(Role::Key))?;
        let state = match at(Role::State) {
            Some(i) => {
                Some(Table::new(form(i), record.state.iter().map(|(w, s)| (w, *s))).map_err(|word| {
                    let what =
                        format!("`{word}` in `state` is no number, but the placeholder captures numbers");
                    self.mistake(record.shape.span(), &what, "expected numbers in the form that is captured")
                })?)
            }
            None => None,
        };
        self.check_needs(record, &roles, &readings, &key, state.is_some())?;
        let reading =
            |i: &usize| roles.get(*i) == Some(&Some(Role::Counts)) || readings.iter().any(|(at, _)| at == i);
        let volts = (0..shape::MOST_PLACEHOLDERS).filter(|i| form(*i) == Form::Seconds).filter(reading);
        let volts = volts.fold(0, |mask, i| mask | 1 << i);
        Ok(Pattern {
            steps: shape.steps(),
            stamp_form: at(Role::Uptime).or(at(Role::Clock)).map(form),
            weight: shape.fixed_characters().min(8) as u64,
            damaged: format!("begins like `{}` but is damaged", record.shape.get_ref()).into(),
            shape,
            by_role: Role::ALL.map(|(_, role)| roles.iter().position(|r| *r == Some(role)).map(|i| i as u8)),
            readings,
            bits,
            placeholders,
            volts,
            meaning,
            path: record.path.unwrap_or(usual_path(meaning)),
            key,
            state,
            line: record.line.as_deref().map(Name::from),
            item: record.item.as_deref().map(Name::from),
            value: record.value.as_deref().map(Name::from),
            values: names(&record.values),
            format: record.format.as_deref().map(Name::from),
            note: record.note.as_deref().map(Name::from),
            notes: names(&record.notes),
            formats: if at(Role::Format).is_some() { names(&self.file.formats) } else { HashMap::new() },
            record: index,
        })
    }

    #[allow(clippy::type_complexity)]
    fn roles(
        &self,
        record: &Record,
        shape: &Shape,
        lines: &[(Name, Arc<Windows>)],
    ) -> Result<(Vec<Option<Role>>, Vec<(usize, usize)>)> {
        let mut roles = Vec::new();
        let mut readings = Vec::new();
        for (i, placeholder) in shape.placeholders().enumerate() {
            let name = placeholder.name.as_str();
            let line = lines.iter().position(|(line, _)| **line == *name);
            let role = Role::from_name(name);
            if let Some(line) = line {
                readings.push((i, line));
            } else if role.is_none() && !name.starts_with('_') {
                let expected = right_names(name, lines);
                let mistake = shape::Mistake {
                    span: placeholder.span.clone(),
                    what: format!("no placeholder is called `{name}`"),
                    expected,
                };
                return Err(self.shape_mistake(&record.shape, &mistake));
            }
            self.check_form(record, placeholder, role.filter(|_| line.is_none()), line.is_some())?;
            roles.push(if line.is_some() { None } else { role });
        }
        Ok((roles, readings))
    }

    fn check_form(
        &self,
        record: &Record,
        placeholder: &shape::Placeholder,
        role: Option<Role>,
        reading: bool,
    ) -> Result<()> {
        let number = [Form::Integer, Form::Hex];
        let (right, expected): (bool, &str) = match role {
            _ if reading || role == Some(Role::Counts) => (
                number.contains(&placeholder.form) || placeholder.form == Form::Seconds,
                "expected integer or hex for a reading in counts, or seconds for one in volts with decimals",
            ),
            Some(Role::Address | Role::Command | Role::Toggle | Role::Raw) => {
                (number.contains(&placeholder.form), "expected integer or hex")
            }
            Some(Role::Uptime | Role::Clock) => (
                number.contains(&placeholder.form) || matches!(placeholder.form, Form::Seconds | Form::Clock),
                "expected seconds, clock, integer or hex",
            ),
            Some(Role::Message) => (placeholder.form == Form::Bytes, "expected bytes"),
            _ => (true, ""),
        };
        if right {
            return Ok(());
        }
        let what = format!("`{}` cannot be a {}", placeholder.name, placeholder.form.word());
        let mistake = shape::Mistake { span: placeholder.span.clone(), what, expected: expected.into() };
        Err(self.shape_mistake(&record.shape, &mistake))
    }

    fn key_source(&self, record: &Record, shape: &Shape, key: Option<usize>) -> Result<KeySource> {
        let from = match &record.key_from {
            Some(from) => {
                let Some(i) = shape.placeholders().position(|p| p.name == *from.get_ref()) else {
                    let what = format!("the shape has no placeholder `{}`", from.get_ref());
                    let names: Vec<&str> = shape.placeholders().map(|p| p.name.as_str()).collect();
                    let expected = format!("expected one of {}", names.join(", "));
                    return Err(self.mistake(from.span(), &what, &expected));
                };
                Some(i)
            }
            None => key.or_else(|| shape.placeholders().position(|p| p.name == "message")),
        };
        let rule = record.key.as_ref();
        match (rule.map(Spanned::get_ref), from) {
            (Some(KeyRule::One(key)), _) => Ok(KeySource::Fixed(*key)),
            (Some(KeyRule::Map(map)), Some(placeholder)) => self.table(rule, shape, placeholder, map.iter()),
            (Some(KeyRule::Map(_)), None) => Err(self.mistake(
                rule.map_or(0..0, Spanned::span),
                "a map of keys, but the shape captures no key",
                "expected `{key:word}` in the shape, or `key_from` with another placeholder's name",
            )),
            (None, Some(placeholder)) => {
                let form = shape.placeholders().nth(placeholder).map(|p| p.form);
                match form {
                    Some(Form::Integer | Form::Hex) => {
                        // Numbers of the set's own, beside those of Linux.
                        let own = self.file.keys.iter().filter_map(|(word, key)| {
                            let number =
                                if word.starts_with("0x") { shape_hex(word) } else { word.parse().ok() };
                            Some((number?, *key.get_ref()))
                        });
                        Ok(KeySource::Linux { placeholder, number: true, own: own.collect() })
                    }
                    Some(Form::Bytes) => Ok(KeySource::None),
                    _ if self.file.keys.is_empty() => {
                        Ok(KeySource::Linux { placeholder, number: false, own: HashMap::new() })
                    }
                    _ => {
                        let keys: Vec<(&String, Key)> =
                            self.file.keys.iter().map(|(word, key)| (word, *key.get_ref())).collect();
                        let table = Table::new(Form::Word, keys.into_iter());
                        Ok(KeySource::Table {
                            placeholder,
                            table: table.unwrap_or(Table::Words(HashMap::new())),
                        })
                    }
                }
            }
            (None, None) => Ok(KeySource::None),
        }
    }

    fn table<'b>(
        &self,
        rule: Option<&Spanned<KeyRule>>,
        shape: &Shape,
        placeholder: usize,
        map: impl Iterator<Item = (&'b String, &'b Key)>,
    ) -> Result<KeySource> {
        let form = shape.placeholders().nth(placeholder).map_or(Form::Word, |p| p.form);
        let table = Table::new(form, map.map(|(word, key)| (word, *key))).map_err(|word| {
            let what = format!("`{word}` is no number, but the placeholder captures {}", form.word());
            self.mistake(
                rule.map_or(0..0, Spanned::span),
                &what,
                "expected numbers in the form that is captured",
            )
        })?;
        Ok(KeySource::Table { placeholder, table })
    }

    /// Refuses records that could never give their event.
    fn check_needs(
        &self,
        record: &Record,
        roles: &[Option<Role>],
        readings: &[(usize, usize)],
        key: &KeySource,
        has_state: bool,
    ) -> Result<()> {
        let has = |role: Role| roles.contains(&Some(role));
        let missing = match record.event.get_ref() {
            Meaning::Reading if readings.is_empty() && !has(Role::Counts) => {
                Some("expected `{counts:integer}` or `{counts:hex}`, or a placeholder named after a [[line]]")
            }
            Meaning::Reading if readings.is_empty() && !has(Role::Line) && record.line.is_none() => {
                Some("expected `{line:word}` in the shape, or `line = \"KEY1\"`")
            }
            Meaning::Press | Meaning::Key if matches!(key, KeySource::None) && !self.has_parts() => {
                Some("expected `{key:word}` in the shape, or `key = \"KEY_…\"`")
            }
            Meaning::Key if !has_state || record.state.is_empty() => {
                Some("expected `{state:…}` in the shape and `state = { printed = \"press\" }`")
            }
            Meaning::Change if !has(Role::Item) && record.item.is_none() => {
                Some("expected `{item:word}` in the shape, or `item = \"…\"`")
            }
            Meaning::Message if !has(Role::Message) => Some("expected `{message:bytes}` in the shape"),
            _ => None,
        };
        match missing {
            Some(expected) => {
                let what = format!("this record cannot give a {:?}", record.event.get_ref()).to_lowercase();
                Err(self.mistake(record.event.span(), &what, expected))
            }
            None => Ok(()),
        }
    }
}

fn is_nameless(pattern: &Pattern) -> bool {
    matches!(pattern.meaning, Meaning::Release | Meaning::Repeat) && matches!(pattern.key, KeySource::None)
}

/// What a name that means nothing should have been.
pub(super) fn right_names(name: &str, lines: &[(Name, Arc<Windows>)]) -> String {
    let known = Role::ALL.iter().map(|(word, _)| *word).chain(lines.iter().map(|(line, _)| &**line));
    match nearest(name, known) {
        Some(near) => format!("did you mean `{near}`? what is not used is called `_{name}`"),
        None => format!(
            "expected one of {}, a [[line]]'s name, or `_{name}` when it is not used",
            Role::ALL.map(|(word, _)| word).join(", ")
        ),
    }
}

fn names(map: &std::collections::BTreeMap<String, String>) -> HashMap<Vec<u8>, Name> {
    map.iter().map(|(printed, name)| (printed.clone().into_bytes(), name.as_str().into())).collect()
}

fn usual_path(meaning: Meaning) -> ControlPath {
    match meaning {
        Meaning::Reading
        | Meaning::Press
        | Meaning::Release
        | Meaning::Repeat
        | Meaning::Key
        | Meaning::Part => ControlPath::Keypad,
        Meaning::Change => ControlPath::Menu,
        Meaning::Frame | Meaning::Noise => ControlPath::Infrared,
        Meaning::Message => ControlPath::Cec,
        Meaning::Boot | Meaning::Standby | Meaning::Fault | Meaning::Ignore => ControlPath::System,
    }
}
