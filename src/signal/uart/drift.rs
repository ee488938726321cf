//! The sender's bit time, followed while it drifts.
//!
//! Every edge inside a sound character says how long so many bits took; a window of characters gives the bit
//! time by least squares through the start edges. The receiver follows it, so that a clock that warms up does
//! not end in framing errors, but never further than [`REACH`] from where it began: a wrong rate must stay
//! one.

use crate::base::Nanoseconds;

/// Characters of one window.
const WINDOW: u32 = 64;
/// How far the receiver follows, as a fraction of the first bit time. Two ends of a line may differ by about
/// 2 % to work safely (common practice, no source); beyond twice that it is another rate.
const REACH: f64 = 0.04;

/// The sender's rate over the time of a capture, in bits a second.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Drift {
    /// In the first window of 64 characters.
    pub first_hz: f64,
    /// In the last one.
    pub last_hz: f64,
    /// Lowest of all windows.
    pub lowest_hz: f64,
    /// Highest of all windows.
    pub highest_hz: f64,
    /// Windows.
    pub windows: u64,
}

/// Measures the bit time.
#[derive(Clone, Debug)]
pub(super) struct SenderClock {
    first_ns: f64,
    /// Sums of bits times length, and of bits squared: of the window, and of the character under way.
    window: (f64, f64),
    character: (f64, f64),
    count: u32,
    drift: Option<Drift>,
}

impl SenderClock {
    pub(super) fn new(bit_ns: f64) -> Self {
        Self { first_ns: bit_ns, window: (0.0, 0.0), character: (0.0, 0.0), count: 0, drift: None }
    }

    pub(super) fn drift(&self) -> Option<Drift> {
        self.drift
    }

    /// A character begins.
    pub(super) fn begin(&mut self) {
        self.character = (0.0, 0.0);
    }

    /// An edge inside the character, so long after its start edge.
    pub(super) fn edge(&mut self, since_start: Nanoseconds, per_ns: f64) {
        #[allow(clippy::cast_precision_loss)]
        let length = since_start.0 as f64;
        // To the nearest, which for what is above zero is a cut.
        #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
        let bits = f64::from((length * per_ns + 0.5) as u32);
        self.character.0 += bits * length;
        self.character.1 += bits * bits;
    }

    /// The character was sound. Returns the bit time to go on with.
    pub(super) fn take(&mut self, bit_ns: f64) -> f64 {
        self.window.0 += self.character.0;
        self.window.1 += self.character.1;
        self.count += 1;
        if self.count < WINDOW || self.window.1 <= 0.0 {
            return bit_ns;
        }
        let measured = self.window.0 / self.window.1;
        self.window = (0.0, 0.0);
        self.count = 0;
        let hz = 1e9 / measured;
        self.drift = Some(match self.drift {
            None => Drift { first_hz: hz, last_hz: hz, lowest_hz: hz, highest_hz: hz, windows: 1 },
            Some(drift) => Drift {
                last_hz: hz,
                lowest_hz: drift.lowest_hz.min(hz),
                highest_hz: drift.highest_hz.max(hz),
                windows: drift.windows + 1,
                ..drift
            },
        });
        measured.clamp(self.first_ns * (1.0 - REACH), self.first_ns * (1.0 + REACH))
    }
}
