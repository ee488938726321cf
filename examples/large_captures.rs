//! Writes the large invented capture files on which the speed of `decode` is measured.
//!
//! `cargo run --release --example large_captures -- FOLDER MEGABYTES` writes `alder.log` (a text log),
//! `samples.csv` (a logic export, one row a sample), `changes.csv` (one row a change) and `hazel.bin` (binary frames)
//! of that size each. Both CSV files carry the log on channel CH0 as 115200 8N1 and an idle infrared receiver on CH1.

use std::fs::File;
use std::io::{BufWriter, Write};
use std::path::Path;

/// A small linear congruential generator: the files must be the same on every machine.
struct Dice(u64);

impl Dice {
    fn throw(&mut self, sides: u64) -> u64 {
        // Constants: Knuth, The Art of Computer Programming, volume 2, MMIX generator (from memory).
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 33) % sides
    }
}

/// One line of the set: mostly keypad readings at idle, now and then a stray key, menu line or chatter.
fn line(dice: &mut Dice, uptime_ms: u64, stray: &mut u64) -> String {
    let (s, ms) = (uptime_ms / 1000, uptime_ms % 1000);
    if *stray == 0 && dice.throw(400) == 0 {
        *stray = 8;
    }
    match dice.throw(20) {
        0 => format!(
            "[{s}.{ms:03}] tuner: lock agc={} snr={}.{}\r\n",
            dice.throw(256),
            dice.throw(30),
            dice.throw(10)
        ),
        1 => format!("[{s}.{ms:03}] video: vsync {} drop {}\r\n", dice.throw(60_000), dice.throw(3)),
        n => {
            let second = n == 2;
            let counts = if *stray > 0 && !second {
                *stray -= 1;
                747 + dice.throw(3)
            } else {
                1021 + dice.throw(3)
            };
            format!("[{s}.{ms:03}] keyscan: line=KEY{} adc=0x{counts:03x}\r\n", 1 + u8::from(second))
        }
    }
}

fn text(path: &Path, size: u64) -> std::io::Result<()> {
    let mut file = BufWriter::with_capacity(1 << 20, File::create(path)?);
    let (mut dice, mut uptime, mut written, mut stray) = (Dice(1), 1_000, 0, 0);
    while written < size {
        let line = line(&mut dice, uptime, &mut stray);
        file.write_all(line.as_bytes())?;
        written += line.len() as u64;
        uptime += 25;
    }
    file.flush()
}

fn logic(path: &Path, size: u64, per_sample: bool) -> std::io::Result<()> {
    const SAMPLE_NS: u64 = 1_000;
    let mut file = BufWriter::with_capacity(1 << 20, File::create(path)?);
    let mut written = file.write(b"Time [s],CH0,CH1\n")? as u64;
    let (mut dice, mut uptime, mut stray) = (Dice(2), 1_000u64, 0);
    let mut now = 0u64;
    let mut level = 1u8;
    let mut row = |t: u64, level: u8| -> std::io::Result<u64> {
        let text = format!("{}.{:09},{level},1\n", t / 1_000_000_000, t % 1_000_000_000);
        file.write_all(text.as_bytes())?;
        Ok(text.len() as u64)
    };
    written += row(0, 1)?;
    while written < size {
        let line = line(&mut dice, uptime, &mut stray);
        uptime += 25;
        let mut at = uptime * 1_000_000;
        for byte in line.bytes() {
            let bits = (u16::from(byte) << 1) | 0x200;
            for bit in 0..10 {
                let next = ((bits >> bit) & 1) as u8;
                let t = at + bit * 1_000_000_000 / 115_200;
                if per_sample {
                    while now + SAMPLE_NS <= t && written < size {
                        now += SAMPLE_NS;
                        written += row(now, level)?;
                    }
                } else if next != level {
                    written += row(t, next)?;
                }
                level = next;
            }
            at += 10 * 1_000_000_000 / 115_200;
        }
    }
    file.flush()
}

/// Frames as `protocols/chassis/hazel.toml` draws them: a leaking keypad line, keys, menu and remote control, about one
/// event a frame.
fn frames(path: &Path, size: u64) -> std::io::Result<()> {
    let mut file = BufWriter::with_capacity(1 << 20, File::create(path)?);
    let (mut dice, mut written) = (Dice(3), 0u64);
    let mut plain = Vec::new();
    for uptime in (0u32..).step_by(10).take_while(|uptime| *uptime < u32::MAX - 10) {
        if written >= size {
            break;
        }
        let byte = |value: u64| value.to_le_bytes()[0];
        let down = uptime / 10 % 2;
        plain.clear();
        plain.extend_from_slice(&[0, 1]);
        plain.extend_from_slice(&uptime.to_le_bytes());
        match dice.throw(20) {
            0..=11 => {
                let key1 = 4_095 - dice.throw(12);
                plain.extend_from_slice(&[byte(key1 >> 4), byte(key1 << 4) | 0xf, 0xff]);
            }
            n @ 12..=14 => (plain[1], _) = (2, plain.extend([byte(100 + n), byte(u64::from(down))])),
            15..=17 => (plain[1], _) = (4, plain.extend([byte(6 + dice.throw(8)), byte(dice.throw(256))])),
            18 => (plain[1], _) = (3, plain.extend([4, 26, 0])),
            _ => (plain[1], _) = (5, plain.extend([4, byte(dice.throw(8))])),
        }
        plain[0] = byte(plain.len() as u64 - 1);
        let step = |crc: u16, _| crc << 1 ^ if crc >> 15 == 1 { 0x1021 } else { 0 };
        let check = plain.iter().fold(0xffff, |crc, byte| (0..8).fold(crc ^ u16::from(*byte) << 8, step));
        plain.extend_from_slice(&check.to_le_bytes());
        let mut frame = vec![0xa5, 0x5a];
        for byte in &plain {
            match byte {
                0xa5 | 0x7d => frame.extend([0x7d, byte ^ 0x20]),
                _ => frame.push(*byte),
            }
        }
        file.write_all(&frame)?;
        written += frame.len() as u64;
    }
    file.flush()
}

fn main() -> std::io::Result<()> {
    let mut arguments = std::env::args().skip(1);
    let folder = arguments.next().unwrap_or_else(|| "target/large".to_owned());
    let size = arguments.next().and_then(|m| m.parse::<u64>().ok()).unwrap_or(1000) * 1_000_000;
    let folder = Path::new(&folder);
    std::fs::create_dir_all(folder)?;
    text(&folder.join("alder.log"), size)?;
    logic(&folder.join("samples.csv"), size, true)?;
    logic(&folder.join("changes.csv"), size, false)?;
    frames(&folder.join("hazel.bin"), size)
}
