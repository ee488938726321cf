//! One UART character at a known bit time: where its bits are sampled, and what they say.
//!
//! # Source
//! The frame (start bit 0, data least significant bit first, parity, stop bit 1, idle 1) is universal;
//! from memory. Samples stand at bit centres counted from the start edge, as receivers do it: 1.5, 2.5 …

use crate::base::Nanoseconds;
use crate::signal::uart::drift::{Drift, SenderClock};
use crate::signal::uart::{Framing, Parity};
use crate::signal::{Character, Edge, Level};

/// The stop bit was low.
pub const FRAMING: &str = "framing error: stop bit low";
/// The line stayed low for the whole frame.
pub const BREAK: &str = "break: line low for a whole frame";
/// The parity bit does not fit the data.
pub const PARITY: &str = "parity error";

/// Receives at a known bit time and framing.
#[derive(Clone, Debug)]
pub(super) struct Sampler {
    framing: Framing,
    /// Bits between two start edges at least, without the stop bits beyond the first.
    total: u8,
    /// Length of a bit in nanoseconds, and its inverse: a division for each edge would be a tenth of all work.
    bit_ns: f64,
    per_ns: f64,
    /// The level that is logic 0 on this line: low, or high on an inverted one.
    zero: Level,
    level: Option<Level>,
    state: State,
    bits: u32,
    start: Edge,
    clock: SenderClock,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum State {
    /// Waits for a start edge.
    Idle,
    /// Inside a frame; so many bits are sampled.
    Inside(u8),
    /// After a low stop bit, until the line is idle again.
    Low,
}

impl Sampler {
    pub(super) fn new(framing: Framing, bit_ns: f64, inverted: bool) -> Self {
        let zero = if inverted { Level::High } else { Level::Low };
        let start = Edge { t: Nanoseconds::ZERO, level: zero, offset: 0 };
        let clock = SenderClock::new(bit_ns);
        let per_ns = bit_ns.recip();
        let total = 2 + framing.data_bits + u8::from(framing.parity != Parity::None);
        Self { framing, total, bit_ns, per_ns, zero, level: None, state: State::Idle, bits: 0, start, clock }
    }

    /// The start of the character under way.
    pub(super) fn under_way(&self) -> Option<Nanoseconds> {
        matches!(self.state, State::Inside(_)).then_some(self.start.t)
    }

    /// The sender's rate over time.
    pub(super) fn drift(&self) -> Option<Drift> {
        self.clock.drift()
    }

    #[inline]
    pub(super) fn push(&mut self, edge: Edge, out: &mut Vec<Character>) {
        self.advance(edge.t, out);
        if let State::Inside(_) = self.state {
            self.clock.edge(edge.t - self.start.t, self.per_ns);
        }
        // The first edge only tells the level that the capture begins with: a frame may be under way.
        let begins = self.level.is_some_and(|level| level != edge.level);
        self.level = Some(edge.level);
        if edge.level == self.zero {
            if self.state == State::Idle && begins {
                self.state = State::Inside(0);
                self.bits = 0;
                self.start = edge;
                self.clock.begin();
            }
        } else if self.state == State::Low {
            self.state = State::Idle;
        }
    }

    /// The line kept its level until `now`: samples what lies before it.
    #[inline]
    pub(super) fn advance(&mut self, now: Nanoseconds, out: &mut Vec<Character>) {
        let State::Inside(mut sampled) = self.state else { return };
        let one = self.level != Some(self.zero);
        let total = self.total;
        // Bits whose centre has passed: at 0.5, 1.5, 2.5 … of a bit.
        #[allow(clippy::cast_precision_loss)]
        let centres = (now - self.start.t).0 as f64 * self.per_ns - 0.5;
        #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
        let whole = centres as u8;
        let passed = whole.saturating_add(u8::from(f64::from(whole) < centres)).min(total);
        if passed > sampled {
            if one && sampled == 0 {
                // The start bit did not last to its centre: a glitch.
                self.state = State::Idle;
                return;
            }
            if one {
                self.bits |= (1 << passed) - (1 << sampled);
            }
            sampled = passed;
        }
        self.state = State::Inside(sampled);
        if sampled == total {
            self.complete(out);
        }
    }

    /// All bits are sampled.
    fn complete(&mut self, out: &mut Vec<Character>) {
        let (value, fault) = self.read();
        let stopped = fault != Some(FRAMING) && fault != Some(BREAK);
        if fault.is_none() {
            self.bit_ns = self.clock.take(self.bit_ns);
            self.per_ns = self.bit_ns.recip();
        }
        out.push(Character { t: self.start.t, value, fault, offset: self.start.offset });
        self.state = if stopped { State::Idle } else { State::Low };
    }

    /// The source has ended. A frame whose line is idle again is completed, since exports often end with
    /// the last change; one that is cut while the line is at 0 is dropped.
    pub(super) fn finish(&mut self, end: Nanoseconds, out: &mut Vec<Character>) {
        self.advance(end, out);
        if self.level.is_some_and(|level| level != self.zero) {
            let frame = Nanoseconds::from_seconds(self.bit_ns * f64::from(self.total) / 1e9);
            self.advance(end + frame, out);
        }
    }

    /// Value and fault of a full frame.
    fn read(&self) -> (u16, Option<&'static str>) {
        let data_bits = u32::from(self.framing.data_bits);
        let value = (self.bits >> 1) & ((1 << data_bits) - 1);
        let stop = self.bits >> (self.total - 1) & 1;
        let parity = self.bits >> (1 + data_bits) & 1;
        let ones = value.count_ones() & 1;
        let sound = match self.framing.parity {
            Parity::None => true,
            Parity::Even => parity == ones,
            Parity::Odd => parity != ones,
            Parity::Mark => parity == 1,
            Parity::Space => parity == 0,
        };
        let fault = if self.bits == 0 {
            Some(BREAK)
        } else if stop == 0 {
            Some(FRAMING)
        } else {
            (!sound).then_some(PARITY)
        };
        // At most nine bits.
        #[allow(clippy::cast_possible_truncation)]
        (value as u16, fault)
    }
}
