//! Readings of one line to press and release, with debounce, and to a thinned trail of reading events.

use std::sync::Arc;

use crate::base::{ControlPath, Event, EventKind, Key, Name, Nanoseconds};
use crate::decode::ladder::{Window, Windows};
use crate::decode::report::LineState;

/// A reading is reported when it differs from the last reported one by more than this, in counts.
const BAND: u32 = 2;
/// A reading is reported at least this often.
const AT_LEAST_EVERY: Nanoseconds = Nanoseconds::SECOND;

/// The state of one line.
///
/// A key counts as down (or up) once `debounce` readings in a row fall into its window; the event stands at
/// the last of them, as the firmware would decide. From one key straight to another gives a release and a press at one instant.
///
/// Reading events are thinned, so that a month of idle readings stays small: one is reported when it leaves
/// the band of ±2 counts around the last reported one, and once a second.
#[derive(Clone, Debug)]
pub struct Tracker {
    name: Name,
    windows: Option<Arc<Windows>>,
    debounce: u32,
    /// The window of the last reading; most readings stay in it.
    window: Option<Window>,
    /// Silence that means no key.
    silence: Option<Nanoseconds>,
    last: Nanoseconds,
    candidate: Option<Key>,
    run: u32,
    down: Option<(Key, Nanoseconds)>,
    reported: Option<(u32, Nanoseconds)>,
}

impl Tracker {
    /// A line with windows; `name` is as the set prints it.
    pub fn new(name: Name, windows: Option<Arc<Windows>>) -> Self {
        let debounce = windows.as_ref().and_then(|w| w.line().debounce).unwrap_or(1).max(1);
        let silence = windows.as_ref().and_then(|w| w.line().silent_s).map(Nanoseconds::from_seconds);
        Self {
            name,
            windows,
            debounce,
            window: None,
            silence,
            last: Nanoseconds::ZERO,
            candidate: None,
            run: 0,
            down: None,
            reported: None,
        }
    }

    /// The line's name.
    pub fn name(&self) -> &Name {
        &self.name
    }

    /// Largest reading of the converter, when the line has windows.
    pub fn full_scale(&self) -> Option<u32> {
        self.windows.as_ref().map(|windows| windows.line().full_scale)
    }

    /// The key that is down.
    pub fn down(&self) -> Option<Key> {
        self.down.map(|(key, _)| key)
    }

    /// What the line is in after the last reading.
    pub fn state(&self) -> LineState {
        let key = self.window.and_then(|window| window.key);
        match self.down() {
            down if down != key => LineState::Between,
            Some(key) => LineState::Key(key),
            None => LineState::Rest,
        }
    }

    /// Takes one reading at a time that is not before the last one. Appends what it means to `out`; the events know time, path, kind, key,
    /// line, counts, volts, quality and held, the caller adds where they came from.
    #[inline]
    pub fn push(&mut self, t: Nanoseconds, counts: u32, out: &mut Vec<Event>) {
        self.last = t;
        let Some(windows) = &self.windows else {
            if self.is_news(t, counts) {
                self.report(t, counts, out);
            }
            return;
        };
        let key = match self.window {
            Some(window) if (window.low..=window.high).contains(&counts) => window.key,
            _ => {
                self.window = windows.at(counts).copied();
                self.window.and_then(|window| window.key)
            }
        };
        let settled = self.settle(key);
        let changed = settled && key != self.down();
        if self.is_news(t, counts) {
            self.report(t, counts, out);
        }
        if changed {
            self.release(t, Some(counts), None, out);
            if let Some(key) = key {
                self.down = Some((key, t));
                let mut event = self.event(t, EventKind::Press, Some(counts));
                event.key = Some(key);
                out.push(event);
            }
        }
    }

    /// Whether silence is to be told by [`Tracker::expire`].
    #[inline]
    pub fn falls_silent(&self) -> bool {
        self.silence.is_some() && self.run > 0
    }

    /// Says how late it is: on a set that prints readings only while a key is down, silence is its release. The event
    /// stands where the silence was long enough; what was held counts to the last reading.
    pub fn expire(&mut self, now: Nanoseconds, why: &Name, out: &mut Vec<Event>) {
        let Some(due) = self.silence.map(|silence| self.last + silence).filter(|due| *due <= now) else {
            return;
        };
        let first = out.len();
        self.interrupt(due, why, out);
        let silent = due - self.last;
        out.iter_mut().skip(first).for_each(|event| event.held = event.held.map(|held| held - silent));
        self.reported = None;
    }

    /// Says that the set restarted or the capture ended: a key that was down is released, with the reason.
    pub fn interrupt(&mut self, t: Nanoseconds, why: &Name, out: &mut Vec<Event>) {
        self.release(t, None, Some(why), out);
        self.candidate = None;
        self.run = 0;
    }

    fn is_news(&self, t: Nanoseconds, counts: u32) -> bool {
        self.reported.is_none_or(|(last, when)| last.abs_diff(counts) > BAND || t - when >= AT_LEAST_EVERY)
    }

    /// Whether this reading completes `debounce` equal ones in a row.
    fn settle(&mut self, key: Option<Key>) -> bool {
        if key == self.candidate && self.run > 0 {
            self.run = self.run.saturating_add(1);
        } else {
            self.candidate = key;
            self.run = 1;
        }
        self.run >= self.debounce
    }

    fn report(&mut self, t: Nanoseconds, counts: u32, out: &mut Vec<Event>) {
        self.reported = Some((counts, t));
        let mut event = self.event(t, EventKind::Reading, Some(counts));
        event.quality = None;
        out.push(event);
    }

    fn release(&mut self, t: Nanoseconds, counts: Option<u32>, why: Option<&Name>, out: &mut Vec<Event>) {
        if let Some((key, since)) = self.down.take() {
            let mut event = self.event(t, EventKind::Release, counts);
            event.key = Some(key);
            event.held = Some(t - since);
            event.note = why.cloned();
            out.push(event);
        }
    }

    fn event(&self, t: Nanoseconds, kind: EventKind, counts: Option<u32>) -> Event {
        let mut event = Event::new(t, ControlPath::Keypad, kind);
        event.line = Some(self.name.clone());
        event.counts = counts;
        if let (Some(windows), Some(counts)) = (&self.windows, counts) {
            event.volts = Some(windows.line().volts(counts));
            event.quality = windows.quality(counts);
        }
        event
    }
}
