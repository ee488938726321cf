//! Text, infrared and CEC as levels on a wire.

use straykey::base::Nanoseconds;

use super::logs::Printed;

/// Levels of one wire: the level at first, then (when, level) in order.
#[derive(Clone, Debug)]
pub(super) struct Wave {
    pub(super) idle: bool,
    pub(super) changes: Vec<(Nanoseconds, bool)>,
}

impl Wave {
    fn new(idle: bool) -> Self {
        Self { idle, changes: Vec::new() }
    }

    fn set(&mut self, t: Nanoseconds, level: bool) {
        if self.changes.last().map_or(self.idle, |(_, last)| *last) != level {
            self.changes.push((t, level));
        }
    }

    /// Alternating stretches in half microseconds, the first one away from idle; gives the end.
    fn stretches(&mut self, mut t: Nanoseconds, halves: &[i64]) -> Nanoseconds {
        for (i, half) in halves.iter().enumerate() {
            self.set(t, if i % 2 == 0 { !self.idle } else { self.idle });
            t = t + Nanoseconds(half * 500);
        }
        self.set(t, self.idle);
        t
    }
}

/// Bytes as 8N1: idle high, start bit low, eight data bits, least significant first, stop bit high.
pub(super) fn uart(printed: &Printed, baud: i64) -> Wave {
    let mut wave = Wave::new(true);
    let mut free = Nanoseconds::ZERO;
    for (t, bytes) in printed {
        let mut start = free.max(*t);
        for byte in bytes {
            let bit = |i: i64| start + Nanoseconds(i * 1_000_000_000 / baud);
            wave.set(start, false);
            for i in 0..8 {
                wave.set(bit(i + 1), byte >> i & 1 == 1);
            }
            wave.set(bit(9), true);
            start = bit(10);
        }
        free = start;
    }
    wave
}

/// A frame of the 32-bit pulse-distance format and its repeat frames, as a demodulating receiver gives them:
/// idle high, mark low.
///
/// Source of the times: mark 9 ms, space 4.5 ms, then 562.5 us marks with spaces of one or three such units,
/// bytes least significant bit first, each followed by its inverse; repeat frame 9 ms, 2.25 ms, 562.5 us; 108 ms
/// from start to start.
pub(super) fn remote(presses: &[(i64, u8, u8, u32)]) -> Wave {
    const UNIT: i64 = 1125;
    let mut wave = Wave::new(true);
    for (at_ms, address, command, repeats) in presses {
        let mut t = Nanoseconds::from_millis(*at_ms);
        let mut frame = vec![18_000, 9_000];
        for byte in [*address, !address, *command, !command] {
            for bit in 0..8 {
                frame.extend([UNIT, if byte >> bit & 1 == 1 { 3 * UNIT } else { UNIT }]);
            }
        }
        frame.push(UNIT);
        wave.stretches(t, &frame);
        for _ in 0..*repeats {
            t = t + Nanoseconds::from_millis(108);
            wave.stretches(t, &[18_000, 4_500, UNIT]);
        }
    }
    wave
}

/// Adds short marks, as lamp light makes them on a receiver: no frames.
pub(super) fn lamp_light(mut wave: Wave, times_ms: impl Iterator<Item = i64>) -> Wave {
    for t in times_ms {
        let start = Nanoseconds::from_millis(t);
        wave.changes.extend([(start, false), (start + Nanoseconds::from_micros(180), true)]);
    }
    wave.changes.sort_by_key(|(t, _)| *t);
    wave
}

/// CEC messages, each acknowledged by a directed follower.
///
/// Source of the times: start bit 3.7 ms low of 4.5 ms; data bit 2.4 ms, low 1.5 ms for 0 and 0.6 ms for 1; each
/// block eight bits, most significant first, end of message, acknowledge.
pub(super) fn cec(messages: &[(i64, &[u8])]) -> Wave {
    let mut wave = Wave::new(true);
    for (at_ms, bytes) in messages {
        let mut bits = vec![(7_400, 1_600)];
        for (i, byte) in bytes.iter().enumerate() {
            let last = i + 1 == bytes.len();
            // The follower holds the acknowledge bit at 0.
            for one in (0..8).rev().map(|bit| byte >> bit & 1 == 1).chain([last, false]) {
                bits.push(if one { (1_200, 3_600) } else { (3_000, 1_800) });
            }
        }
        let halves: Vec<i64> = bits.into_iter().flat_map(|(low, high)| [low, high]).collect();
        wave.stretches(Nanoseconds::from_millis(*at_ms), &halves);
    }
    wave
}
