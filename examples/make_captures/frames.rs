//! A debug port that speaks binary frames: the layout at the head of `protocols/chassis/hazel.toml`, made apart from
//! the decoder.

use super::Sample;

/// CRC-16/IBM-3740 bit by bit: polynomial 0x1021, initial value 0xffff.
fn check(bytes: &[u8]) -> u16 {
    let mut crc = 0xffff_u16;
    for byte in bytes {
        crc ^= u16::from(*byte) << 8;
        for _ in 0..8 {
            crc = if crc & 0x8000 == 0 { crc << 1 } else { (crc << 1) ^ 0x1021 };
        }
    }
    crc
}

fn frame(kind: u8, ms: u32, body: &[u8], out: &mut Vec<u8>) {
    let length = u8::try_from(5 + body.len()).unwrap_or(u8::MAX);
    let mut raw = vec![length, kind];
    raw.extend_from_slice(&ms.to_le_bytes());
    raw.extend_from_slice(body);
    raw.extend_from_slice(&check(&raw).to_le_bytes());
    out.extend_from_slice(&[0xa5, 0x5a]);
    for byte in raw {
        if matches!(byte, 0xa5 | 0x7d) {
            out.extend_from_slice(&[0x7d, byte ^ 0x20]);
        } else {
            out.push(byte);
        }
    }
}

/// Both lines, 12 bits each.
fn readings(ms: u32, key1: u16, key2: u16, out: &mut Vec<u8>) {
    let both = (u32::from(key1) << 12 | u32::from(key2)).to_be_bytes();
    frame(1, ms, &both[1..], out);
}

fn hazel() -> Vec<u8> {
    let mut out = Vec::new();
    frame(5, 0, &[3, 4], &mut out);
    for n in 1..=120_u32 {
        let ms = 50 * n;
        // Volume up from 1 s on, power (0 ohm) from 4 s on: 4096 * 5600 / 15600 = 1470.
        let key1 = match ms {
            1_000..=1_300 => 1_470,
            4_000..=4_200 => 0,
            _ => 4_095,
        };
        readings(ms, key1, 4_095, &mut out);
        match ms {
            1_050 => {
                frame(4, ms, &[7, 26], &mut out);
                frame(4, ms, &[1, 2], &mut out);
            }
            2_000 => frame(4, ms, &[1, 0], &mut out),
            2_500 => frame(3, ms, &[4, 26, 0], &mut out),
            2_600 => frame(3, ms, &[4, 26, 0x01], &mut out),
            3_000 => frame(6, ms, &[0x40, 0x44, 0x41], &mut out),
            3_150 => frame(6, ms, &[0x40, 0x45], &mut out),
            3_500 => {
                frame(5, ms, &[4, 2], &mut out);
                // One bit of this frame is wrong.
                let at = out.len() + 8;
                frame(4, ms, &[7, 28], &mut out);
                out[at] ^= 0x10;
            }
            4_100 => frame(5, ms, &[1], &mut out),
            5_000 => frame(5, ms, &[2], &mut out),
            _ => {}
        }
    }
    out
}

pub(super) fn samples() -> Vec<Sample> {
    vec![Sample {
        folder: "hazel",
        file: "frames.bin",
        bytes: hazel(),
        made: "6 s of a set with binary frames: start with its cause, two keys, a menu item, on-screen display, a key of the remote control, one over CEC, a mode step, a frame with a wrong bit, standby and back",
        chassis: Some("hazel"),
        wire: &[],
        rate_hz: None,
    }]
}
