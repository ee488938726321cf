//! Large invented capture files with the proportions of real ones.

use std::io::Write as _;

/// A small generator with a fixed seed (Knuth's MMIX constants), so that every run measures the same bytes.
pub(crate) struct Random(u64);

impl Random {
    pub(crate) fn new() -> Self {
        Self(0x5eed)
    }

    pub(crate) fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        self.0 >> 33
    }
}

/// One row a sample at 1 MHz: nine decimals, four channels, one change in some 120 rows.
pub(crate) fn samples(size: usize) -> Vec<u8> {
    let mut file = b"Time [s],CH0,CH1,CH2,CH3\n".to_vec();
    let mut random = Random::new();
    let mut levels = 0b1111u64;
    let mut t = 0u64;
    while file.len() < size {
        if random.next().is_multiple_of(120) {
            levels ^= 1 << (random.next() % 4);
        }
        row(&mut file, t, levels);
        t += 1000;
    }
    file
}

/// One row a change: a busy debug UART on the first channel, now and then another one.
pub(crate) fn changes(size: usize) -> Vec<u8> {
    let mut file = b"Time [s],CH0,CH1,CH2,CH3\n".to_vec();
    let mut random = Random::new();
    let mut levels = 0b1111u64;
    let mut t = 0u64;
    while file.len() < size {
        levels ^= 1 << if random.next().is_multiple_of(16) { random.next() % 4 } else { 0 };
        row(&mut file, t, levels);
        t += 8_680 * (1 + random.next() % 9);
    }
    file
}

/// One row a change, times without closing zeros, so that rows differ in length.
pub(crate) fn trimmed(size: usize) -> Vec<u8> {
    let mut file = b"Time [ms],CH0,CH1\n".to_vec();
    let mut random = Random::new();
    let mut level = 0;
    let mut t = 0u64;
    while file.len() < size {
        level ^= 1;
        let _ = writeln!(file, "{},{level},1", Trimmed(t));
        t += 50 * (1 + random.next() % 90);
    }
    file
}

/// Microseconds as milliseconds, closing zeros left out.
struct Trimmed(u64);

impl std::fmt::Display for Trimmed {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let text = format!("{}.{:03}", self.0 / 1000, self.0 % 1000);
        f.write_str(text.trim_end_matches('0').trim_end_matches('.'))
    }
}

fn row(file: &mut Vec<u8>, t: u64, levels: u64) {
    let bit = |i: u64| levels >> i & 1;
    let _ = writeln!(
        file,
        "{}.{:09},{},{},{},{}",
        t / 1_000_000_000,
        t % 1_000_000_000,
        bit(0),
        bit(1),
        bit(2),
        bit(3)
    );
}

/// One analog channel at 10 kHz with some noise.
pub(crate) fn analog(size: usize) -> Vec<u8> {
    let mut file = b"Time [s],KEY1 (V)\n".to_vec();
    let mut random = Random::new();
    let mut t = 0u64;
    while file.len() < size {
        let volts = 3280 + random.next() % 12;
        let _ = writeln!(file, "{}.{:06},{}.{:03}", t / 1_000_000, t % 1_000_000, volts / 1000, volts % 1000);
        t += 100;
    }
    file
}

/// A dump of 16 wires and a bus of eight bits.
pub(crate) fn dump(size: usize) -> Vec<u8> {
    let mut file = b"$timescale 1 ns $end\n$scope module set $end\n".to_vec();
    for i in 0..16u8 {
        let _ = writeln!(file, "$var wire 1 {} w{i} $end", char::from(b'!' + i));
    }
    file.extend_from_slice(b"$var wire 8 B bus $end\n$upscope $end\n$enddefinitions $end\n#0\n");
    let mut random = Random::new();
    let mut levels = 0u64;
    let mut t = 0u64;
    while file.len() < size {
        t += 8_680 * (1 + random.next() % 9);
        let wire = random.next() % 16;
        levels ^= 1 << wire;
        let _ = writeln!(file, "#{t}\n{}{}", levels >> wire & 1, char::from(b'!' + wire as u8));
        if random.next().is_multiple_of(20) {
            let _ = writeln!(file, "b{:b} B", random.next() & 0xff);
        }
    }
    file
}

/// A debug log of keypad readings, with or without a host stamp before each line.
pub(crate) fn log(size: usize, stamped: bool) -> Vec<u8> {
    let mut file = Vec::new();
    let mut random = Random::new();
    let mut t = 0u64;
    while file.len() < size {
        t += 20 + random.next() % 3;
        if stamped {
            let (s, ms) = (t / 1000, t % 1000);
            let _ = write!(
                file,
                "2026-11-{:02}T{:02}:{:02}:{:02}.{ms:03}Z ",
                1 + s / 86_400,
                s / 3600 % 24,
                s / 60 % 60,
                s % 60
            );
        }
        let _ = write!(
            file,
            "[{:5}.{:03}] keyscan: line=KEY1 adc=0x{:03x}\r\n",
            t / 1000,
            t % 1000,
            1023 - random.next() % 4
        );
    }
    file
}
