//! What a dump is to hold: found by a first look at the same captures.

use std::collections::BTreeMap;

use crate::base::{Error, Event, EventKind, Nanoseconds, Result, Span};
use crate::source::Channel;

/// Channels of a dump, at most: a set that prints garbage names must not fill the memory.
pub const MOST_CHANNELS: usize = 4096;

/// Channels and stretches of a dump.
#[derive(Clone, Debug, Default)]
pub struct Shape {
    /// Name of each channel, and whether it is a number.
    names: BTreeMap<String, bool>,
    /// The stretch of each capture, by its own clock.
    spans: Vec<Span>,
}

impl Shape {
    /// A capture begins.
    ///
    /// # Errors
    /// `Input` when there are too many channels.
    pub fn begin(&mut self, channels: &[Channel]) -> Result<()> {
        self.spans.push(Span { start: Nanoseconds::ZERO, end: Nanoseconds::ZERO });
        channels.iter().try_for_each(|channel| self.add(recorded(&channel.name), channel.analog))
    }

    /// The capture holds this event.
    ///
    /// # Errors
    /// `Input` when there are too many channels.
    pub fn event(&mut self, event: &Event) -> Result<()> {
        self.including(event.t);
        if let Some(name) = count(event) {
            self.add(name, true)?;
        }
        // A key is drawn as held only where the end of holding is known.
        if event.kind == EventKind::Release
            && let Some(name) = held(event)
        {
            self.add(name, false)?;
        }
        if let Some((name, _)) = number(event) {
            self.add(name, true)?;
        }
        Ok(())
    }

    /// The capture reaches over this stretch.
    pub fn observe(&mut self, span: Span) {
        self.including(span.start);
        self.including(span.end);
    }

    fn including(&mut self, t: Nanoseconds) {
        if let Some(last) = self.spans.last_mut() {
            *last = last.including(t);
        }
    }

    fn add(&mut self, name: String, number: bool) -> Result<()> {
        if self.names.len() >= MOST_CHANNELS && !self.names.contains_key(&name) {
            return Err(Error::input(format!("a dump of more than {MOST_CHANNELS} channels"))
                .help("is this the right chassis? Export --to csv instead"));
        }
        self.names.entry(name).or_insert(number);
        Ok(())
    }

    /// The channels in the order of their names.
    pub(super) fn channels(&self) -> Vec<Channel> {
        self.names.iter().map(|(name, number)| Channel { name: name.clone(), analog: *number }).collect()
    }

    pub(super) fn spans(&self) -> &[Span] {
        &self.spans
    }
}

/// Name of a channel as recorded.
pub(super) fn recorded(name: &str) -> String {
    format!("recorded.{}", part(name))
}

/// Name of the running count of such events; readings are not counted, they are drawn.
pub(super) fn count(event: &Event) -> Option<String> {
    if event.kind == EventKind::Reading {
        return None;
    }
    Some(match event.key {
        Some(key) => format!("{}.{}.{}", event.path.word(), key.name(), event.kind.word()),
        None => format!("{}.{}", event.path.word(), event.kind.word()),
    })
}

/// Name of the level that says whether the key is held.
pub(super) fn held(event: &Event) -> Option<String> {
    event.key.map(|key| format!("{}.{}.held", event.path.word(), key.name()))
}

/// Name and value of the number that the event carries: a reading, a menu value.
pub(super) fn number(event: &Event) -> Option<(String, f32)> {
    if let (EventKind::Reading, Some(counts)) = (event.kind, event.counts) {
        let line = part(event.line.as_deref().unwrap_or("line"));
        // Converters have fewer than 24 bits, so the number is exact.
        #[allow(clippy::cast_precision_loss)]
        return Some((format!("{}.{line}.counts", event.path.word()), counts as f32));
    }
    let item = event.item.as_deref()?;
    let value: f32 = event.value.as_deref()?.trim().parse().ok()?;
    value.is_finite().then(|| (format!("{}.{}.value", event.path.word(), part(item)), value))
}

/// A foreign name as one part of a path: printable, no blank, no point, no dollar sign.
fn part(name: &str) -> String {
    let bad = |c: char| c.is_whitespace() || c.is_control() || matches!(c, '.' | '$');
    let word: String = name.chars().map(|c| if bad(c) { '_' } else { c }).collect();
    if word.is_empty() { "_".to_owned() } else { word }
}
