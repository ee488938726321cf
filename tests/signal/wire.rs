//! Levels on a UART wire, written from the definition of the frame alone (idle 1, start 0, data least
//! significant bit first, parity, stop 1) and apart from the receiver: a list of bits, then run lengths.

use straykey::base::Nanoseconds;
use straykey::signal::{Edge, Level};

#[derive(Clone, Copy)]
pub(crate) struct Wire {
    pub(crate) rate_hz: f64,
    pub(crate) data_bits: u32,
    /// `b'N'`, `b'E'`, `b'O'`.
    pub(crate) parity: u8,
    pub(crate) stop_bits: u32,
    pub(crate) inverted: bool,
}

pub(crate) const WIRE: Wire =
    Wire { rate_hz: 115_200.0, data_bits: 8, parity: b'N', stop_bits: 1, inverted: false };

impl Wire {
    /// Bits of one character as they stand on the wire.
    pub(crate) fn bits(&self, value: u32) -> Vec<bool> {
        let mut bits = vec![false];
        let mut ones = 0;
        for i in 0..self.data_bits {
            let bit = value >> i & 1 == 1;
            ones += usize::from(bit);
            bits.push(bit);
        }
        match self.parity {
            b'E' => bits.push(ones % 2 == 1),
            b'O' => bits.push(ones % 2 == 0),
            _ => {}
        }
        bits.extend((0..self.stop_bits).map(|_| true));
        bits
    }

    /// Edges of a line that carries these bits from `start` on, idle before and after.
    pub(crate) fn edges(&self, start_ns: f64, bits: &[bool]) -> Vec<Edge> {
        let mut edges = vec![self.edge(0.0, true)];
        let mut last = true;
        for (i, bit) in bits.iter().enumerate() {
            if *bit != last {
                edges.push(self.edge(start_ns + i as f64 * 1e9 / self.rate_hz, *bit));
                last = *bit;
            }
        }
        if !last {
            edges.push(self.edge(start_ns + bits.len() as f64 * 1e9 / self.rate_hz, true));
        }
        edges
    }

    fn edge(&self, t: f64, bit: bool) -> Edge {
        let level = if bit != self.inverted { Level::High } else { Level::Low };
        Edge { t: Nanoseconds(t.round() as i64), level, offset: t.round() as u64 }
    }

    /// A text, back to back but for a pause of `gap` bits behind each line feed.
    pub(crate) fn text(&self, text: &[u8], gap: usize) -> Vec<bool> {
        let mut bits = Vec::new();
        for byte in text {
            bits.extend(self.bits(u32::from(*byte)));
            if *byte == b'\n' {
                bits.extend(std::iter::repeat_n(true, gap));
            }
        }
        bits
    }

    pub(crate) fn length_ns(&self, bits: &[bool]) -> f64 {
        bits.len() as f64 * 1e9 / self.rate_hz
    }
}
