//! Events and recorded channels as a value change dump.

use std::collections::BTreeMap;
use std::io::Write;

use crate::base::{Error, Event, EventKind, Nanoseconds, Result};
use crate::source::vcd::Writer;
use crate::source::{Change, Channel, Value};
use crate::timeline::export::shape::{count, held, number, recorded};
use crate::timeline::export::{Export, Place, Shape};

/// A dump: `PATH.KEY.held` is a level, `PATH.KEY.press` and the like are running counts, `PATH.LINE.counts` are
/// readings, `PATH.ITEM.value` are menu values that are numbers, `recorded.CHANNEL` is as recorded.
///
/// Captures are laid end to end, since a dump has one clock; counts go on, held keys end with their capture.
pub struct Dump<W: Write> {
    writer: Writer<W>,
    index: BTreeMap<String, u16>,
    levels: Vec<u16>,
    counts: BTreeMap<u16, f32>,
    shape: Shape,
    /// Captures begun.
    begun: usize,
    /// What is added to the capture's clock.
    shift: Nanoseconds,
    now: Nanoseconds,
    /// Index of each recorded channel of this capture.
    recorded: Vec<u16>,
}

impl<W: Write> Dump<W> {
    /// Writes the declarations to `out`.
    ///
    /// # Errors
    /// `System` when writing fails.
    pub fn new(out: W, shape: Shape) -> Result<Self> {
        let channels = shape.channels();
        let origin = shape.spans().first().map_or(Nanoseconds::ZERO, |span| span.start);
        let version = concat!("straykey ", env!("CARGO_PKG_VERSION"));
        let mut writer = Writer::new(out, &channels, origin, version)?;
        let mut index = BTreeMap::new();
        let mut levels = Vec::new();
        for (number, channel) in (0u16..).zip(&channels) {
            index.insert(channel.name.clone(), number);
            if !channel.analog {
                levels.push(number);
            }
            // What was never seen is unknown; a count begins at nothing, a key begins up.
            if let Some(value) = first(channel) {
                writer.change(origin, number, value)?;
            }
        }
        Ok(Self {
            writer,
            index,
            levels,
            counts: BTreeMap::new(),
            shape,
            begun: 0,
            shift: Nanoseconds::ZERO,
            now: origin,
            recorded: Vec::new(),
        })
    }

    fn put(&mut self, t: Nanoseconds, channel: u16, value: Value) -> Result<()> {
        // A dump cannot go back; what was found out late stands where it was found out.
        self.now = self.now.max(t.saturating_add(self.shift));
        self.writer.change(self.now, channel, value)
    }

    fn named(&self, name: &str) -> Option<u16> {
        self.index.get(name).copied()
    }
}

fn first(channel: &Channel) -> Option<Value> {
    match (channel.name.starts_with("recorded."), channel.analog) {
        (true, true) => None,
        (true, false) => Some(Value::Unknown),
        (false, false) => Some(Value::Low),
        (false, true) => (!channel.name.ends_with(".counts") && !channel.name.ends_with(".value"))
            .then_some(Value::Volts(0.0)),
    }
}

impl<W: Write> Export for Dump<W> {
    fn begin(&mut self, _place: Place, channels: &[Channel]) -> Result<()> {
        let spans = self.shape.spans();
        let Some(span) = spans.get(self.begun).copied() else {
            return Err(Error::usage("a capture that the first look did not see"));
        };
        if self.begun > 0 {
            let ended = spans.get(self.begun - 1).map_or(Nanoseconds::ZERO, |last| last.end);
            self.now = self.now.max(ended.saturating_add(self.shift));
            self.shift = self.now.saturating_sub(span.start);
            for level in self.levels.clone() {
                let name =
                    self.index.iter().find(|(_, index)| **index == level).map(|(name, _)| name.as_str());
                let known = name.is_some_and(|name| name.starts_with("recorded."));
                self.writer.change(self.now, level, if known { Value::Unknown } else { Value::Low })?;
            }
        }
        self.begun += 1;
        self.recorded =
            channels.iter().map(|channel| self.named(&recorded(&channel.name)).unwrap_or(u16::MAX)).collect();
        Ok(())
    }

    fn event(&mut self, event: &Event) -> Result<()> {
        if let Some(channel) = count(event).and_then(|name| self.named(&name)) {
            let seen = self.counts.entry(channel).or_insert(0.0);
            *seen += 1.0;
            let seen = *seen;
            self.put(event.t, channel, Value::Volts(seen))?;
        }
        let level = match event.kind {
            EventKind::Press | EventKind::Repeat => Some(Value::High),
            EventKind::Release => Some(Value::Low),
            _ => None,
        };
        let channel = held(event).and_then(|name| self.named(&name));
        if let (Some(level), Some(channel)) = (level, channel) {
            self.put(event.t, channel, level)?;
        }
        if let Some((name, value)) = number(event)
            && let Some(channel) = self.named(&name)
        {
            self.put(event.t, channel, Value::Volts(value))?;
        }
        Ok(())
    }

    fn change(&mut self, change: &Change) -> Result<()> {
        match self.recorded.get(usize::from(change.channel)) {
            Some(channel) if *channel != u16::MAX => self.put(change.t, *channel, change.value),
            _ => Ok(()),
        }
    }

    fn finish(self: Box<Self>) -> Result<()> {
        let end = self.shape.spans().last().map_or(self.now, |span| span.end.saturating_add(self.shift));
        self.writer.finish(self.now.max(end))?;
        Ok(())
    }
}
