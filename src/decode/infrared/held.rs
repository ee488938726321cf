//! From frames to press, repeat and release, in the order of time.
//!
//! A release is not on air: it is what a set concludes when nothing comes for a while. Here that while is two
//! and a quarter periods of the format, so that one lost frame does not end a press. The first frame of a
//! format without redundancy is kept back until a second equal one confirms it; alone it becomes a `frame`
//! event, which is no key.

use std::sync::Arc;

use crate::base::{ControlPath, Event, EventKind, Name, Nanoseconds};
use crate::decode::infrared::Formats;
use crate::decode::infrared::coding::Fit;
use crate::decode::infrared::format::{Format, RepeatForm};
use crate::decode::infrared::layout::Word;

/// Presses in a row with the same toggle that are said.
const SAME_TOGGLES: u32 = 3;

/// One frame as heard.
#[derive(Clone, Debug)]
pub(super) struct Heard {
    pub(super) format: usize,
    pub(super) word: Word,
    pub(super) bits: u8,
    pub(super) t: i64,
    pub(super) end: i64,
    pub(super) offset: u64,
    pub(super) end_offset: u64,
    pub(super) fit: Fit,
    /// How far the second-best format was behind, 0 to 1.
    pub(super) margin: f64,
    pub(super) address: Option<u32>,
    pub(super) command: u32,
    pub(super) toggle: Option<bool>,
    /// Proves itself.
    pub(super) trusted: bool,
    /// One bit from a frame of a kin format.
    pub(super) doubted: bool,
    /// Sent without its leader.
    pub(super) bare: bool,
    /// Remark for the note.
    pub(super) remark: Option<&'static str>,
}

/// A short repeat frame as heard.
#[derive(Clone, Copy, Debug)]
pub(super) struct HeardShort {
    pub(super) family: usize,
    pub(super) t: i64,
    pub(super) end: i64,
    pub(super) offset: u64,
    pub(super) end_offset: u64,
    /// The space before it, nanoseconds.
    pub(super) before: u32,
}

#[derive(Debug)]
struct Active {
    first: Heard,
    /// Start of the latest frame.
    latest: i64,
    /// End of the latest frame.
    end: i64,
    /// Not confirmed: nothing was emitted yet.
    pending: bool,
    /// Emitted as a frame: what it repeats is no key.
    doubtful: bool,
}

/// How a press ended.
#[derive(Clone, Copy, Debug)]
enum How {
    TimeOut,
    NextPress,
    CaptureEnd,
}

#[derive(Debug)]
struct Toggle {
    format: usize,
    address: Option<u32>,
    toggle: bool,
    presses: u32,
}

/// Keys that are down, and events that wait for their turn.
#[derive(Debug)]
pub(super) struct Held {
    formats: Arc<Formats>,
    capture: Name,
    active: Vec<Active>,
    toggles: Vec<Toggle>,
    /// Events in the order of time that may still be preceded by one of a pending key.
    queue: Vec<Event>,
    due: i64,
    /// Notes of releases, in the order of [`How`], shared by all events.
    how: [Name; 3],
    /// Where notes are put together, kept for the next one.
    text: String,
}

impl Held {
    pub(super) fn new(formats: Arc<Formats>, capture: Name) -> Self {
        Self {
            formats,
            capture,
            active: Vec::new(),
            toggles: Vec::new(),
            queue: Vec::new(),
            due: i64::MAX,
            how: ["by time-out".into(), "by the next press".into(), "down until the capture ended".into()],
            text: String::with_capacity(128),
        }
    }

    fn format(&self, index: usize) -> Option<&Format> {
        self.formats.all().get(index)
    }

    fn time_out(&self, format: usize) -> i64 {
        self.format(format).map_or(0, |format| format.period / 4 * 9)
    }

    /// Whether something runs out at or before `t`.
    #[inline]
    pub(super) fn is_due(&self, t: i64) -> bool {
        t >= self.due
    }

    /// Lets run out what runs out at or before `t`.
    pub(super) fn advance(&mut self, t: i64) {
        while self.is_due(t) {
            let due = self.due;
            let at = self.active.iter().position(|active| {
                self.format(active.first.format).map_or(0, |f| f.period / 4 * 9) + active.latest <= due
            });
            let Some(at) = at else { break };
            let active = self.active.remove(at);
            self.release(&active, due, How::TimeOut);
            self.find_due();
        }
    }

    fn find_due(&mut self) {
        self.due = self
            .active
            .iter()
            .map(|active| active.latest.saturating_add(self.time_out(active.first.format)))
            .min()
            .unwrap_or(i64::MAX);
    }

    /// Takes a frame; time must have been advanced to its start.
    pub(super) fn frame(&mut self, heard: Heard) {
        let at = self.active.iter().position(|active| active.first.format == heard.format);
        match at {
            Some(at) if self.is_same_press(at, &heard) => self.again(at, &heard),
            Some(at) => {
                let active = self.active.remove(at);
                self.release(&active, heard.t, How::NextPress);
                self.begin(heard);
            }
            None => self.begin(heard),
        }
        self.find_due();
    }

    fn is_same_press(&self, at: usize, heard: &Heard) -> bool {
        let (Some(active), Some(format)) = (self.active.get(at), self.format(heard.format)) else {
            return false;
        };
        let same = active.first.command == heard.command
            && active.first.address == heard.address
            && active.first.toggle == heard.toggle;
        // A whole frame where short or bare ones are the rule is a new press, unless it comes too soon for a
        // hand: some remotes repeat the whole frame all the same.
        let by_rule = match format.form {
            RepeatForm::Whole | RepeatForm::Either => true,
            RepeatForm::Bare => heard.bare,
            RepeatForm::Short => false,
        };
        same && (by_rule || heard.t - active.latest <= format.period / 10 * 13)
    }

    fn begin(&mut self, heard: Heard) {
        let pending = !heard.trusted;
        if !pending {
            let event = self.press(&heard, 1.0, None);
            self.emit(event);
        }
        self.active.push(Active { latest: heard.t, end: heard.end, first: heard, pending, doubtful: false });
    }

    fn again(&mut self, at: usize, heard: &Heard) {
        let Some(active) = self.active.get_mut(at) else { return };
        active.latest = heard.t;
        active.end = heard.end;
        let grade = if active.first.trusted { 1.0 } else { 0.8 };
        if std::mem::take(&mut active.pending) {
            let first = active.first.clone();
            let event = self.press(&first, grade, Some("confirmed by an equal frame"));
            self.emit(event);
        }
        let doubtful = self.active.get(at).is_some_and(|active| active.doubtful);
        let mut event = self.event(heard, EventKind::Repeat, grade);
        event.key = event.key.filter(|_| !doubtful);
        self.emit(event);
    }

    /// Takes a short repeat frame; time must have been advanced to its start. `false` when it is taken for
    /// noise: it belongs to no key, and the line was not quiet before it for a fifth of the period, as it is
    /// before every real one.
    pub(super) fn short(&mut self, heard: HeardShort) -> bool {
        let formats = Arc::clone(&self.formats);
        let family = formats.families.get(heard.family);
        let belongs =
            |active: &Active| family.is_some_and(|family| family.formats.contains(&active.first.format));
        let at = (0..self.active.len())
            .filter(|at| self.active.get(*at).is_some_and(belongs))
            .max_by_key(|at| self.active.get(*at).map(|active| active.latest));
        let mut event = Event::new(Nanoseconds(heard.t), ControlPath::Infrared, EventKind::Repeat);
        match at.and_then(|at| self.active.get_mut(at)) {
            Some(active) => {
                active.latest = heard.t;
                active.end = heard.end;
                // Noise is not repeated, so that a repeat frame confirms an unchecked one. But it carries no code: it does
                // not tell which bit of a frame was wrong.
                let pending = std::mem::take(&mut active.pending);
                let first = active.first.clone();
                active.doubtful |= pending && first.doubted;
                let doubtful = active.doubtful;
                if doubtful && pending {
                    self.no_key(&first);
                } else if pending {
                    let press = self.press(&first, 0.8, Some("confirmed by a repeat frame"));
                    self.emit(press);
                }
                self.name(&mut event, first.format, first.address, first.command);
                event.key = event.key.filter(|_| !doubtful);
                event.toggle = first.toggle;
            }
            None => {
                let format = family.and_then(|family| family.formats.first()).copied();
                if let Some(format) = format.and_then(|format| self.format(format)) {
                    if i64::from(heard.before) < format.period / 5 {
                        return false;
                    }
                    event.format = Some(format.name.clone());
                    event.decoder = Some(format.decoder.clone());
                }
                event.note = Some("orphan repeat: no frame before it".into());
            }
        }
        event.capture = Some(self.capture.clone());
        event.offset = Some(heard.offset);
        event.length = u32::try_from(heard.end_offset.saturating_sub(heard.offset)).ok();
        self.emit(event);
        self.find_due();
        true
    }

    fn press(&mut self, heard: &Heard, grade: f64, confirmed: Option<&str>) -> Event {
        let mut event = self.event(heard, EventKind::Press, grade);
        let stuck = self.count_toggle(heard);
        self.text.clear();
        push_note(&mut self.text, heard);
        if heard.bare {
            self.text.push_str("; no frame with leader before it");
        }
        if let Some(confirmed) = confirmed {
            self.text.push_str("; ");
            self.text.push_str(confirmed);
        }
        if let Some(presses) = stuck {
            self.text.push_str(&format!("; toggle unchanged over {presses} presses"));
        }
        event.note = Some(self.text.as_str().into());
        event
    }

    /// How many presses in a row had the same toggle, when that is worth saying.
    fn count_toggle(&mut self, heard: &Heard) -> Option<u32> {
        let toggle = heard.toggle?;
        let known = self.toggles.iter_mut().find(|t| t.format == heard.format && t.address == heard.address);
        if let Some(known) = known {
            known.presses = if known.toggle == toggle { known.presses.saturating_add(1) } else { 1 };
            known.toggle = toggle;
            return (known.presses >= SAME_TOGGLES).then_some(known.presses);
        }
        // Noise may invent addresses; a few are remembered.
        if self.toggles.len() >= 32 {
            self.toggles.remove(0);
        }
        self.toggles.push(Toggle { format: heard.format, address: heard.address, toggle, presses: 1 });
        None
    }

    /// Ends a press at `t`.
    fn release(&mut self, active: &Active, t: i64, how: How) {
        let heard = &active.first;
        if active.pending {
            self.no_key(heard);
        }
        if active.pending || active.doubtful {
            return;
        }
        let mut event = Event::new(Nanoseconds(t), ControlPath::Infrared, EventKind::Release);
        self.name(&mut event, heard.format, heard.address, heard.command);
        event.toggle = heard.toggle;
        event.held = Some(Nanoseconds(active.end - heard.t));
        event.note = self.how.get(how as usize).cloned();
        event.capture = Some(self.capture.clone());
        self.emit(event);
    }

    /// A frame that nothing confirmed.
    fn no_key(&mut self, heard: &Heard) {
        let mut event = self.event(heard, EventKind::Frame, 0.3);
        event.key = None;
        self.text.clear();
        self.text.push_str(if heard.doubted {
            "damaged, or a rare address: no key by itself; "
        } else {
            "single frame of an unchecked format, no key by itself; "
        });
        push_note(&mut self.text, heard);
        event.note = Some(self.text.as_str().into());
        self.emit(event);
    }

    fn name(&self, event: &mut Event, format: usize, address: Option<u32>, command: u32) {
        let Some(format) = self.format(format) else { return };
        event.format = Some(format.name.clone());
        event.decoder = Some(format.decoder.clone());
        event.address = address;
        event.command = Some(command);
        if let Some((key, _)) = self.formats.key(&format.name, address, command) {
            event.key = Some(key);
        }
    }

    fn event(&self, heard: &Heard, kind: EventKind, grade: f64) -> Event {
        let mut event = Event::new(Nanoseconds(heard.t), ControlPath::Infrared, kind);
        self.name(&mut event, heard.format, heard.address, heard.command);
        event.toggle = heard.toggle;
        event.bits = Some(heard.bits);
        event.raw = Some(hexadecimal(heard.word, heard.bits));
        let quality = (1.0 - heard.fit.error).max(0.0) * grade * (0.5 + 0.5 * heard.margin);
        event.quality = Some(quality as f32);
        event.note = heard.remark.map(Into::into);
        event.capture = Some(self.capture.clone());
        event.offset = Some(heard.offset);
        event.length = u32::try_from(heard.end_offset.saturating_sub(heard.offset)).ok();
        event
    }

    /// Puts an event into its place in time.
    pub(super) fn emit(&mut self, event: Event) {
        let later = self.queue.iter().rev().take_while(|other| other.t > event.t).count();
        match later {
            0 => self.queue.push(event),
            _ => self.queue.insert(self.queue.len() - later, event),
        }
    }

    /// Gives away what nothing can precede any more; `t` is the time up to which all is decoded, `other` the
    /// start of something that is undecided elsewhere.
    #[inline]
    pub(super) fn flush(&mut self, t: i64, other: Option<i64>, out: &mut Vec<Event>) {
        if self.queue.is_empty() {
            return;
        }
        let pending = self.active.iter().filter(|active| active.pending).map(|active| active.first.t);
        let horizon = pending.chain(other).fold(t, i64::min);
        let ready = self.queue.iter().take_while(|event| event.t.0 <= horizon).count();
        out.extend(self.queue.drain(..ready));
    }

    /// Ends everything at the end of the capture.
    pub(super) fn finish(&mut self, end: i64, out: &mut Vec<Event>) {
        self.advance(end);
        for active in std::mem::take(&mut self.active) {
            self.release(&active, end.max(active.end), How::CaptureEnd);
        }
        self.due = i64::MAX;
        out.append(&mut self.queue);
    }
}

/// Stretch and clock of a frame, in words.
fn push_note(text: &mut String, heard: &Heard) {
    // Whole microseconds and tenths of a percent: all that a frame of some dozen edges can tell.
    text.push_str("stretch ");
    push_signed(text, (heard.fit.stretch / 1e3).round() as i64, 0);
    text.push_str(" µs, clock ");
    push_signed(text, ((heard.fit.clock - 1.0) * 1e3).round() as i64, 1);
    text.push_str(" %");
    if let Some(remark) = heard.remark {
        text.push_str("; ");
        text.push_str(remark);
    }
}

/// A number with its sign, `places` of its digits behind the point. By hand: this is every press's note.
fn push_signed(text: &mut String, value: i64, places: usize) {
    text.push(if value < 0 { '-' } else { '+' });
    let mut digits = [0u8; 20];
    let mut rest = value.unsigned_abs();
    let mut count = 0;
    while rest > 0 || count <= places {
        if let Some(digit) = digits.get_mut(count) {
            *digit = b'0' + (rest % 10) as u8;
        }
        rest /= 10;
        count += 1;
    }
    for (i, digit) in digits.iter().take(count).rev().enumerate() {
        if places > 0 && i + places == count {
            text.push('.');
        }
        text.push(char::from(*digit));
    }
}

/// The bits in air order, the first most significant, padded to whole hexadecimal digits in front.
fn hexadecimal(word: Word, bits: u8) -> Name {
    let mut digits = [0u8; 16];
    let count = usize::from(bits).div_ceil(4).min(16);
    for (i, digit) in digits.iter_mut().take(count).enumerate() {
        let value = (word >> (4 * (count - 1 - i)) & 0xf) as u8;
        *digit = if value < 10 { b'0' + value } else { b'a' + value - 10 };
    }
    std::str::from_utf8(digits.get(..count).unwrap_or_default()).unwrap_or_default().into()
}
