//! Volts of any kind: no samples make the analog level reader panic, and readings come in the order of time.
#![no_main]

use libfuzzer_sys::fuzz_target;
use straykey::base::{Nanoseconds, Volts};
use straykey::signal::level::{LevelReader, LevelSpec};
use straykey::source::{Change, Value};

const SPEC: LevelSpec =
    LevelSpec { full_scale: 1023, reference: Volts(3.3), period: Nanoseconds(10_000_000) };

fuzz_target!(|bytes: &[u8]| {
    let mut t = 0i64;
    let mut reader = LevelReader::new(SPEC);
    let mut readings = Vec::new();
    for piece in bytes.chunks_exact(6) {
        t = t.saturating_add((i64::from(piece[0]) + 1) << (piece[1] & 31));
        let bits = u32::from_le_bytes([piece[2], piece[3], piece[4], piece[5]]);
        // Half of them are near the supply, the others are any number, also none.
        let any = f32::from_bits(bits);
        let volts = if piece[1] & 0x80 == 0 { (bits >> 8) as f32 / 4e6 } else { any };
        reader.push(
            Change { t: Nanoseconds(t), channel: 0, value: Value::Volts(volts), offset: 0 },
            &mut readings,
        );
    }
    reader.finish(Nanoseconds(t), &mut readings);
    assert!(readings.windows(2).all(|pair| pair[0].t <= pair[1].t), "in the order of time");
});
