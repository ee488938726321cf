//! Rate and framing of an unknown port, by trying them.
//!
//! A UART that listens at a wrong rate still delivers bytes, but they look like chance. Each try is scored by
//! how much likelier its bytes are as text than as bytes drawn at random; `certainty` is the share of the best
//! in all tries by that measure. A binary protocol has no such look: there the caller's `judge` (a chassis that
//! knows its checksums) decides.

use std::time::{Duration, Instant};

use serde::Serialize;

use crate::base::{Error, Result};
use crate::source::serial::port::SerialPort;
use crate::source::serial::spec::PortSpec;
use crate::source::{ByteSource, Pulled};

/// Rates in the order in which they are tried: common on debug ports first (common practice, no source).
pub const RATES: [u32; 12] =
    [115_200, 9_600, 57_600, 38_400, 19_200, 230_400, 921_600, 460_800, 1_000_000, 1_500_000, 4_800, 2_400];

/// Framings that are tried at the best rate.
const FRAMINGS: [&str; 3] = ["8N1", "7E1", "8E1"];

/// Bytes that are enough for one try.
const ENOUGH: usize = 2048;

/// Log-likelihood that one byte of surprise weighs at most in all: beyond it more bytes prove nothing new.
const MOST: f64 = 60.0;

/// One try.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Try {
    /// Bits a second.
    pub baud: u32,
    /// Framing in the trade's short form.
    pub framing: String,
    /// Bytes that came.
    pub bytes: u64,
    /// Share of them that is printable text or a line end, 0 to 1.
    pub printable: f64,
    /// Chassis that recognises them.
    pub chassis: Option<String>,
    /// How likely it is that this try, of all, is the right one, 0 to 1.
    pub certainty: f64,
    #[serde(skip)]
    weight: f64,
}

/// Says which chassis wrote these bytes.
pub type Judge<'a> = dyn Fn(&[u8]) -> Option<String> + 'a;

/// Tries all rates at 8N1, `time` each, then the framings at the best; best first. Empty when nothing came at all.
///
/// # Errors
/// `System` when the port cannot be opened, `Usage` for a serial server. A rate or framing that the adapter cannot make is passed over.
pub fn find(spec: &PortSpec, time: Duration, judge: &Judge<'_>) -> Result<Vec<Try>> {
    if spec.server().is_some() {
        return Err(Error::usage("a serial server has its own rate").at(&spec.path).help("set it there"));
    }
    let mut tries = Vec::new();
    let mut refused = None;
    for baud in RATES {
        match listen(&PortSpec { baud, reconnect: false, ..spec.clone() }.framing("8N1")?, time) {
            Ok(bytes) => tries.push(score(baud, "8N1", &bytes, judge)),
            Err(error) => refused = Some(error),
        }
    }
    if tries.is_empty()
        && let Some(error) = refused
    {
        return Err(error);
    }
    rank(&mut tries);
    if let Some(best) = tries.first().filter(|best| best.bytes > 0).map(|best| best.baud) {
        for framing in FRAMINGS.iter().skip(1) {
            // One that the adapter cannot make tells nothing.
            let asked = PortSpec { baud: best, reconnect: false, ..spec.clone() }.framing(framing)?;
            if let Ok(bytes) = listen(&asked, time) {
                tries.push(score(best, framing, &bytes, judge));
            }
        }
        rank(&mut tries);
    }
    Ok(tries)
}

/// What comes at one rate.
fn listen(spec: &PortSpec, time: Duration) -> Result<Vec<u8>> {
    let mut port = SerialPort::open(spec)?;
    let begun = Instant::now();
    let mut bytes = Vec::new();
    while begun.elapsed() < time && bytes.len() < ENOUGH {
        match port.pull()? {
            Pulled::Chunk(chunk) => bytes.extend_from_slice(chunk.bytes),
            Pulled::End => break,
            _ => {}
        }
    }
    Ok(bytes)
}

/// Natural logarithm of how much likelier the bytes are as text than as chance.
///
/// Text: 98 % printable ASCII, tab, CR, LF or ESC (98 values), the rest anything else (158 values); chance: all
/// 256 alike. The shares are a choice, not a measurement.
#[allow(clippy::cast_precision_loss)]
fn log_odds(bytes: &[u8]) -> (f64, f64) {
    let good = bytes.iter().filter(|b| matches!(b, 0x20..=0x7e | b'\t' | b'\r' | b'\n' | 0x1b)).count();
    let (good, all) = (good as f64, bytes.len() as f64);
    let odds = good * (0.98 / 98.0 * 256.0f64).ln() + (all - good) * (0.02 / 158.0 * 256.0f64).ln();
    (odds.clamp(-MOST, MOST), if all > 0.0 { good / all } else { 0.0 })
}

fn score(baud: u32, framing: &str, bytes: &[u8], judge: &Judge<'_>) -> Try {
    let (odds, printable) = log_odds(bytes);
    let chassis = if bytes.is_empty() { None } else { judge(bytes) };
    // Parity without a reason is the unlikelier reading of the same bytes.
    let plain = if framing == "8N1" { 0.0 } else { -3.0 };
    let known = if chassis.is_some() { MOST } else { 0.0 };
    Try {
        baud,
        framing: framing.to_owned(),
        bytes: bytes.len() as u64,
        printable: (printable * 1e4).round() / 1e4,
        chassis,
        certainty: 0.0,
        weight: odds + plain + known,
    }
}

/// Sorts and shares out the certainty; where all look like chance, nobody has any.
fn rank(tries: &mut [Try]) {
    tries.sort_by(|a, b| b.weight.total_cmp(&a.weight).then(b.bytes.cmp(&a.bytes)));
    let best = tries.first().map_or(0.0, |best| best.weight);
    // "None of these" takes part with the weight of chance.
    let sum: f64 = tries.iter().map(|one| (one.weight - best).exp()).sum::<f64>() + (-best).exp();
    for one in tries.iter_mut() {
        let share = (one.weight - best).exp() / sum;
        one.certainty = if one.bytes == 0 { 0.0 } else { (share * 1e4).round() / 1e4 };
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// What a UART makes of text at a wrong rate is not text; chance stands for it here (fixed seed).
    #[test]
    fn text_is_told_from_chance_and_silence_is_no_answer() {
        let mut seed = 7u64;
        let mut chance = || {
            seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
            (seed >> 56) as u8
        };
        let noise: Vec<u8> = (0..200).map(|_| chance()).collect();
        let text = b"[0.040] keyscan: line=KEY1 adc=0x3ff\r\n[0.080] keyscan: line=KEY1 adc=0x3fe\r\n";
        let nobody = |_: &[u8]| None;
        let mut tries = vec![
            score(9_600, "8N1", &noise, &nobody),
            score(115_200, "8N1", text, &nobody),
            score(2_400, "8N1", b"", &nobody),
        ];
        rank(&mut tries);
        assert_eq!(tries[0].baud, 115_200);
        assert!(tries[0].certainty > 0.99, "{tries:?}");
        let mut noise_only = vec![score(9_600, "8N1", &noise, &nobody), score(2_400, "8N1", b"", &nobody)];
        rank(&mut noise_only);
        assert!(noise_only.iter().all(|one| one.certainty < 0.5), "{noise_only:?}");
    }
}
