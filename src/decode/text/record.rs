//! One record of known shape to its events.

use std::collections::HashMap;
use std::sync::Arc;

use crate::base::{ControlPath, Event, EventKind, Key, Name, Nanoseconds};
use crate::decode::cec;
use crate::decode::chassis::{Chassis, KeySource, Pattern};
use crate::decode::ladder::Tracker;
use crate::decode::protocol::{KeyState, Meaning, Role};
use crate::decode::report::{Report, Reported};
use crate::decode::set_clock::SetClock;
use crate::decode::shape::{self, Form};
use crate::decode::text::fields::{Captured, Fields};
use crate::decode::text::held::Held;
use crate::decode::text::names::Names;
use crate::decode::text::parts::Parts;

/// Most keypad lines of a set whose file declares none.
const MOST_LINES: usize = 16;

/// What a decoder remembers from line to line.
#[derive(Debug)]
pub(super) struct Records {
    trackers: Vec<Tracker>,
    declared: bool,
    held: Held,
    parts: Parts,
    cec: cec::Keys,
    /// A line falls silent when no key is down.
    silences: bool,
    silence: Name,
    /// A CEC message was met, so that CEC keys may be down.
    has_cec: bool,
    names: Names,
    restart: Name,
    /// How many of the first events of the last record came from silence.
    pub(super) silent: usize,
    /// Sum over records of how much of the line was fixed text, at most 8 characters each.
    pub(super) weight: u64,
    /// Whether the set's uptime was reported.
    told_uptime: bool,
    /// What was met, where somebody asks for it.
    pub(super) reports: Option<Vec<Report>>,
}

impl Records {
    pub(super) fn new(chassis: &Chassis) -> Self {
        let trackers: Vec<Tracker> = chassis
            .lines
            .iter()
            .map(|(name, windows)| Tracker::new(name.clone(), Some(Arc::clone(windows))))
            .collect();
        Self {
            declared: !trackers.is_empty(),
            silences: chassis.file.line.iter().any(|line| line.silent_s.is_some()),
            silence: "release by silence: the set prints readings only while a key is down".into(),
            trackers,
            held: Held::new(chassis.timeouts, chassis.printed_repeats, chassis.one_at_a_time),
            parts: Parts::default(),
            cec: cec::Keys::new(),
            has_cec: false,
            names: Names::new(chassis.file.text.encoding),
            restart: "the set restarted".into(),
            silent: 0,
            weight: 0,
            told_uptime: false,
            reports: None,
        }
    }

    pub(super) fn kept_names(&self) -> usize {
        self.names.kept()
    }

    /// Releases the keys whose time has run out by `now`, in the order in which it did. Says how many: they come
    /// from silence, not from a line.
    #[inline]
    pub(super) fn expire(&mut self, now: Nanoseconds, out: &mut Vec<Event>) -> usize {
        if self.held.is_empty() && !self.has_cec && !self.silences {
            return 0;
        }
        let first = out.len();
        for tracker in self.trackers.iter_mut().filter(|tracker| tracker.falls_silent()) {
            tracker.expire(now, &self.silence, out);
        }
        self.held.expire(now, out);
        self.cec.advance(now, out);
        let fresh = out.get_mut(first..).unwrap_or_default();
        fresh.sort_by_key(|event| event.t);
        fresh.len()
    }

    /// Takes the fields of one record. Fails with the reason when one of them cannot be.
    pub(super) fn apply(
        &mut self,
        chassis: &Chassis,
        fields: &Fields<'_>,
        arrival: Option<Nanoseconds>,
        clock: &mut SetClock,
        out: &mut Vec<Event>,
    ) -> Result<(), Name> {
        let pattern = fields.pattern();
        self.silent = 0;
        self.check(pattern, fields)?;
        let stamp = Stamp::of(chassis, pattern, fields)?;
        let step = chassis.period.filter(|_| pattern.meaning == Meaning::Reading);
        let placed = clock.place(arrival, stamp.time, step, stamp.may_jump);
        let t = placed.t;
        if let Some(uptime) = stamp.time.filter(|_| !stamp.may_jump && !self.told_uptime)
            && let Some(reports) = &mut self.reports
        {
            self.told_uptime = true;
            reports.push(Report { t, what: Reported::Uptime(uptime) });
        }
        self.weight += pattern.weight;
        self.silent = self.expire(t, out);
        if let Some(before) = placed.restarted_from {
            self.restarted(t, before, stamp.time, pattern.meaning == Meaning::Boot, out);
        } else if pattern.meaning == Meaning::Boot {
            self.interrupt(t, out);
        }
        match pattern.meaning {
            Meaning::Ignore => {}
            Meaning::Reading => self.reading(pattern, fields, t, out),
            Meaning::Message => self.message(pattern, fields, t, out)?,
            Meaning::Press => self.key(pattern, fields, t, KeyState::Press, out)?,
            Meaning::Release => self.key(pattern, fields, t, KeyState::Release, out)?,
            Meaning::Repeat => self.key(pattern, fields, t, KeyState::Repeat, out)?,
            Meaning::Part => {
                let mut part = Vec::with_capacity(1);
                self.plain(chassis, pattern, fields, t, EventKind::Frame, &mut part);
                self.parts.keep(part.pop());
            }
            Meaning::Key => {
                let state = state_of(pattern, fields)?;
                self.key(pattern, fields, t, state, out)?;
            }
            Meaning::Change => self.plain(chassis, pattern, fields, t, EventKind::Change, out),
            Meaning::Boot => self.plain(chassis, pattern, fields, t, EventKind::Boot, out),
            Meaning::Standby => self.plain(chassis, pattern, fields, t, EventKind::Standby, out),
            Meaning::Frame => self.plain(chassis, pattern, fields, t, EventKind::Frame, out),
            Meaning::Noise => self.plain(chassis, pattern, fields, t, EventKind::Noise, out),
            Meaning::Fault => self.plain(chassis, pattern, fields, t, EventKind::Fault, out),
        }
        Ok(())
    }

    /// Refuses readings that the converter cannot give and lines that the set does not have, before the clock moves.
    fn check(&mut self, pattern: &Pattern, fields: &Fields<'_>) -> Result<(), Name> {
        if pattern.meaning != Meaning::Reading {
            return Ok(());
        }
        for (placeholder, line) in &pattern.readings {
            self.check_counts(*line, fields.counts(*placeholder))?;
        }
        if let Some(counts) = fields.reading() {
            let line = self.line_index(pattern, fields)?;
            self.check_counts(line, counts)?;
        }
        Ok(())
    }

    fn check_counts(&self, line: usize, counts: Captured<'_>) -> Result<(), Name> {
        let full = self.trackers.get(line).and_then(Tracker::full_scale).unwrap_or(u32::MAX);
        if (0..=i64::from(full)).contains(&counts.number) {
            return Ok(());
        }
        Err(format!("a reading of {} on a converter that reads 0 to {full}", counts.number).into())
    }

    /// Index of the reading's line; a set whose file declares no line may have up to 16.
    #[inline]
    fn line_index(&mut self, pattern: &Pattern, fields: &Fields<'_>) -> Result<usize, Name> {
        let captured = fields.get(Role::Line).map(|line| line.text);
        let name = captured.or(pattern.line.as_deref().map(str::as_bytes)).unwrap_or_default();
        if let Some(i) = self.trackers.iter().position(|tracker| tracker.name().as_bytes() == name) {
            return Ok(i);
        }
        if self.declared || self.trackers.len() >= MOST_LINES {
            return Err(format!("no line is called {}", crate::base::quote(name)).into());
        }
        let name = self.names.of(name);
        self.trackers.push(Tracker::new(name, None));
        Ok(self.trackers.len() - 1)
    }

    fn reading(&mut self, pattern: &Pattern, fields: &Fields<'_>, t: Nanoseconds, out: &mut Vec<Event>) {
        for (placeholder, line) in &pattern.readings {
            let counts = u32::try_from(fields.counts(*placeholder).number).unwrap_or_default();
            if let Some(tracker) = self.trackers.get_mut(*line) {
                tracker.push(t, counts, out);
                note(&mut self.reports, tracker, t, counts);
            }
        }
        if let Some(counts) = fields.reading()
            && let Ok(line) = self.line_index(pattern, fields)
            && let Some(tracker) = self.trackers.get_mut(line)
        {
            let counts = u32::try_from(counts.number).unwrap_or_default();
            tracker.push(t, counts, out);
            note(&mut self.reports, tracker, t, counts);
        }
    }

    fn key(
        &mut self,
        pattern: &Pattern,
        fields: &Fields<'_>,
        t: Nanoseconds,
        state: KeyState,
        out: &mut Vec<Event>,
    ) -> Result<(), Name> {
        let (key, unknown) = key_of(pattern, fields);
        let event = self.described(pattern, fields, t, EventKind::Press, out);
        event.key = key;
        if let Some(text) = unknown {
            event.note = Some(unknown_key(text));
        }
        let nameless = !self.parts.complete(event) && matches!(pattern.key, KeySource::None);
        if nameless && state == KeyState::Press {
            out.pop();
            return Err("no line before it names the key".into());
        }
        self.held.take(state, nameless, out);
        Ok(())
    }

    /// CEC bytes, as hexadecimal digits.
    fn message(
        &mut self,
        pattern: &Pattern,
        fields: &Fields<'_>,
        t: Nanoseconds,
        out: &mut Vec<Event>,
    ) -> Result<(), Name> {
        let text = fields.get(Role::Message).map(|m| m.text).unwrap_or_default();
        let mut event = cec::message(&shape::bytes_of(text), t);
        if event.kind == EventKind::Fault {
            return Err(event.note.unwrap_or_default());
        }
        // A chassis may have its own meaning for a code.
        if event.kind == EventKind::Press
            && let (KeySource::Table { table, .. }, Some([code, ..])) =
                (&pattern.key, event.operands.as_deref())
        {
            event.key = table.get(&[], i64::from(*code)).copied().or(event.key);
        }
        self.has_cec = true;
        self.cec.push(event, out);
        Ok(())
    }

    fn plain(
        &mut self,
        chassis: &Chassis,
        pattern: &Pattern,
        fields: &Fields<'_>,
        t: Nanoseconds,
        kind: EventKind,
        out: &mut Vec<Event>,
    ) {
        let item = fields.get(Role::Item).map(|item| self.renamed(&[&chassis.items], item.text));
        let value = fields
            .get(Role::Value)
            .map(|value| self.renamed(&[&pattern.values, &chassis.item_values], value.text));
        let note = fields.get(Role::Note).and_then(|note| pattern.notes.get(note.text)).cloned();
        let event = self.described(pattern, fields, t, kind, out);
        if note.is_some() {
            event.note = note;
        }
        if item.is_some() {
            event.item = item;
        }
        if value.is_some() {
            event.value = value;
        }
        let (key, unknown) = key_of(pattern, fields);
        event.key = key;
        if let Some(text) = unknown.filter(|_| pattern.meaning == Meaning::Part) {
            event.note = Some(unknown_key(text));
        }
        self.parts.complete(event);
    }

    /// Appends an event with what the record says of it, apart from the key.
    fn described<'o>(
        &mut self,
        pattern: &Pattern,
        fields: &Fields<'_>,
        t: Nanoseconds,
        kind: EventKind,
        out: &'o mut Vec<Event>,
    ) -> &'o mut Event {
        let at = out.len();
        out.push(Event::new(t, pattern.path, kind));
        let event = &mut out[at];
        let number = |role| fields.get(role).and_then(|c| u32::try_from(c.number).ok());
        event.address = number(Role::Address);
        event.command = number(Role::Command);
        event.toggle = number(Role::Toggle).map(|toggle| toggle != 0);
        let mut text = |role, fixed: &Option<Name>| match fields.get(role) {
            Some(captured) => Some(self.names.of(captured.text)),
            None => fixed.clone(),
        };
        event.line = text(Role::Line, &pattern.line);
        event.format = match fields.get(Role::Format).and_then(|format| pattern.formats.get(format.text)) {
            Some(known) => Some(known.clone()),
            None => text(Role::Format, &pattern.format),
        };
        event.note = text(Role::Note, &pattern.note);
        event.raw = text(Role::Raw, &None);
        event.item.clone_from(&pattern.item);
        event.value.clone_from(&pattern.value);
        event
    }

    fn renamed(&mut self, tables: &[&HashMap<Vec<u8>, Name>], text: &[u8]) -> Name {
        tables.iter().find_map(|table| table.get(text)).cloned().unwrap_or_else(|| self.names.of(text))
    }

    fn interrupt(&mut self, t: Nanoseconds, out: &mut Vec<Event>) {
        for tracker in &mut self.trackers {
            tracker.interrupt(t, &self.restart, out);
        }
        self.held.interrupt(t, &self.restart, out);
        self.parts.clear();
    }

    fn restarted(
        &mut self,
        t: Nanoseconds,
        before: Nanoseconds,
        now: Option<Nanoseconds>,
        said: bool,
        out: &mut Vec<Event>,
    ) {
        self.interrupt(t, out);
        // A set that prints its start in words needs no second event.
        if !said {
            let mut event = Event::new(t, ControlPath::System, EventKind::Boot);
            let now = now.unwrap_or_default();
            event.note = Some(format!("the set's uptime fell back from {before} s to {now} s").into());
            out.push(event);
        }
    }
}

/// The set's own stamp on one line.
struct Stamp {
    time: Option<Nanoseconds>,
    may_jump: bool,
}

impl Stamp {
    fn of(chassis: &Chassis, pattern: &Pattern, fields: &Fields<'_>) -> Result<Self, Name> {
        let (role, may_jump) = match fields.get(Role::Uptime) {
            Some(_) => (Role::Uptime, false),
            None => (Role::Clock, true),
        };
        let Some(captured) = fields.get(role) else { return Ok(Self { time: None, may_jump }) };
        let seconds = matches!(pattern.stamp_form, Some(Form::Seconds | Form::Clock));
        let unit = if seconds { 1 } else { chassis.file.clock.unit.nanoseconds() };
        match captured.number.checked_mul(unit) {
            Some(time) if time >= 0 => Ok(Self { time: Some(Nanoseconds(time)), may_jump }),
            _ => Err("the set's stamp is beyond any clock".into()),
        }
    }
}

fn state_of(pattern: &Pattern, fields: &Fields<'_>) -> Result<KeyState, Name> {
    let captured = fields.get(Role::State).unwrap_or_default();
    pattern
        .state
        .as_ref()
        .and_then(|table| table.get(captured.text, captured.number))
        .copied()
        .ok_or_else(|| format!("no key state is called {}", crate::base::quote(captured.text)).into())
}

/// The key of a record, and the printed word when it means none.
fn key_of<'a>(pattern: &Pattern, fields: &Fields<'a>) -> (Option<Key>, Option<&'a [u8]>) {
    match &pattern.key {
        KeySource::None => (None, None),
        KeySource::Fixed(key) => (Some(*key), None),
        KeySource::Table { placeholder, table } => {
            let captured = fields.nth(*placeholder);
            match table.get(captured.text, captured.number) {
                Some(key) => (Some(*key), None),
                // A set may print Linux names beside words of its own.
                None => match std::str::from_utf8(captured.text).ok().and_then(Key::from_name) {
                    Some(key) => (Some(key), None),
                    None => (None, Some(captured.text)),
                },
            }
        }
        KeySource::Linux { placeholder, number, own } => {
            let captured = fields.nth(*placeholder);
            let key = if *number {
                let linux = || u16::try_from(captured.number).ok().and_then(Key::from_code);
                own.get(&captured.number).copied().or_else(linux)
            } else {
                let text = std::str::from_utf8(captured.text).unwrap_or_default();
                // Tools that print names print the code as four digits when it has none.
                let code = || u16::try_from(shape::hex(captured.text).filter(|_| text.len() == 4)?).ok();
                Key::from_name(text).or_else(|| code().and_then(Key::from_code))
            };
            (key, key.is_none().then_some(captured.text))
        }
    }
}

fn unknown_key(text: &[u8]) -> Name {
    format!("unknown key {}", crate::base::quote(text)).into()
}

/// Reports a reading that a tracker has just taken.
#[inline]
fn note(reports: &mut Option<Vec<Report>>, tracker: &Tracker, t: Nanoseconds, counts: u32) {
    if let Some(reports) = reports {
        let line = Name::clone(tracker.name());
        reports.push(Report { t, what: Reported::Reading { line, counts, state: tracker.state() } });
    }
}
