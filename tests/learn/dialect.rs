//! Simulated chassis with random dialects: how they stamp, how they speak of keys, what else they say. The truth is
//! what the generator pressed. Invented; no real set speaks one of these on purpose.

use std::fmt::Write as _;

use straykey::analysis::keycheck::Prompt;
use straykey::base::{Key, Nanoseconds};
use straykey::learn::Capture;

use crate::support::random::Random;

#[derive(Clone, Copy, Debug)]
pub(super) enum Stamp {
    Seconds,
    Padded,
    Milliseconds,
    HexMilliseconds,
    Angle,
    /// The set prints none; the host stamps the lines.
    Host,
    /// Both: units of 10 ms, which the host's stamps give away.
    Ticks,
}

#[derive(Clone, Copy, Debug)]
pub(super) enum Speech {
    KeyState,
    KeyPress,
    KeyCode,
    TwoLines,
    Infrared,
    Counts,
    HexCounts,
    NamedLines,
    Columns,
    /// Readings every 0.4 s, and at each scan while a key is down.
    Slow,
    /// Readings that differ from the last printed one.
    Changes,
    /// Readings while a key is down, and none else.
    Silent,
    /// One reading for a press, none for its end.
    Once,
    /// A code on each change, one of them for no key.
    NoneCode,
    /// The same again and again.
    PolledCode,
}

const STAMPS: [Stamp; 7] = [
    Stamp::Seconds,
    Stamp::Padded,
    Stamp::Milliseconds,
    Stamp::HexMilliseconds,
    Stamp::Angle,
    Stamp::Host,
    Stamp::Ticks,
];
const SPEECHES: [Speech; 15] = [
    Speech::KeyState,
    Speech::KeyPress,
    Speech::KeyCode,
    Speech::TwoLines,
    Speech::Infrared,
    Speech::Counts,
    Speech::HexCounts,
    Speech::NamedLines,
    Speech::Columns,
    Speech::Slow,
    Speech::Changes,
    Speech::Silent,
    Speech::Once,
    Speech::NoneCode,
    Speech::PolledCode,
];

const KEYS: [(&str, [&str; 3]); 8] = [
    ("KEY_POWER", ["POWER", "pwr", "KB_POWER"]),
    ("KEY_VOLUMEDOWN", ["VOL-", "vol_dn", "KB_VOLDN"]),
    ("KEY_VOLUMEUP", ["VOL+", "vol_up", "KB_VOLUP"]),
    ("KEY_CHANNELDOWN", ["CH-", "prog_dn", "KB_CHDN"]),
    ("KEY_CHANNELUP", ["CH+", "prog_up", "KB_CHUP"]),
    ("KEY_MENU", ["MENU", "menu", "KB_MENU"]),
    ("KEY_SWITCHVIDEOMODE", ["INPUT", "source", "KB_SRC"]),
    ("KEY_OK", ["OK", "enter", "KB_OK"]),
];

/// E12 values in ohm: IEC 60063, 1.0 to 8.2 a decade.
const E12: [f64; 12] = [1.0, 1.2, 1.5, 1.8, 2.2, 2.7, 3.3, 3.9, 4.7, 5.6, 6.8, 8.2];

/// One invented chassis.
#[derive(Debug)]
pub(super) struct Dialect {
    pub(super) stamp: Stamp,
    pub(super) speech: Speech,
    tag: &'static str,
    keys: usize,
    words: usize,
    states: [&'static str; 3],
    codes: Vec<u64>,
    counts: Vec<f64>,
    full: f64,
    idle: f64,
    noise: f64,
    period: f64,
    chatter: Vec<usize>,
    chatter_rate: f64,
    glitches: f64,
    menu: usize,
    damage: f64,
}

/// A capture with the truth beside it.
pub(super) struct Heard {
    /// `(arrival, line)`.
    pub(super) lines: Vec<(Option<f64>, String)>,
    pub(super) prompts: Vec<(f64, Key)>,
    /// `(when, key)` of each press.
    pub(super) presses: Vec<(f64, Key)>,
    /// The set's uptime on the first line.
    pub(super) origin: f64,
}

impl Heard {
    pub(super) fn capture(&self, name: &str) -> Capture {
        let mut capture = Capture::new(name);
        for (arrival, line) in &self.lines {
            capture.push(arrival.map(Nanoseconds::from_seconds), line.as_bytes());
        }
        capture.prompts = self
            .prompts
            .iter()
            .map(|(t, key)| Prompt { t: Nanoseconds::from_seconds(*t), key: *key })
            .collect();
        capture
    }
}

fn unit(random: &mut Random) -> f64 {
    (random.next() >> 11) as f64 / (1u64 << 53) as f64
}

/// Sum of twelve uniform numbers less six: nearly normal (central limit theorem).
fn normal(random: &mut Random) -> f64 {
    (0..12).map(|_| unit(random)).sum::<f64>() - 6.0
}

impl Dialect {
    pub(super) fn new(seed: u64) -> Self {
        let mut random = Random(seed.wrapping_mul(0x9e37_79b9_7f4a_7c15));
        let r = &mut random;
        let full = [255.0, 1023.0, 4095.0][r.below(3)];
        let keys = 4 + r.below(5);
        let pull_up = [4_700.0, 10_000.0][r.below(2)];
        // A coarse converter on a steady supply often gives the same number each time.
        let noise = if r.below(4) == 0 { 0.0 } else { full / 1023.0 * 2.0 * unit(r) };
        let mut counts: Vec<f64> = Vec::new();
        while counts.len() < keys {
            let ohm = if counts.is_empty() { 0.0 } else { E12[r.below(12)] * [100.0, 1e3, 1e4][r.below(3)] };
            let reading = ((full + 1.0) * ohm / (ohm + pull_up)).floor();
            // A ladder that a designer would not build is not simulated: windows at least 5 % of full scale apart.
            if counts.iter().all(|other| (other - reading).abs() > 0.05 * full) && reading < 0.9 * full {
                counts.push(reading);
            }
        }
        let states = [
            ["pressed", "released", "repeat"],
            ["down", "up", "hold"],
            ["1", "0", "2"],
            ["make", "break", "rpt"],
        ];
        Self {
            stamp: STAMPS[r.below(STAMPS.len())],
            speech: SPEECHES[(seed % SPEECHES.len() as u64) as usize],
            tag: ["keypad", "kpd", "input", "fp_key", "KB", "frontend"][r.below(6)],
            keys,
            words: r.below(3),
            states: states[r.below(4)],
            codes: (0..8).map(|i| 0x10 + 7 * i + r.below(6) as u64).collect(),
            counts,
            full,
            idle: full - (full * 0.02 * unit(r)).floor(),
            noise,
            period: [0.02, 0.04, 0.05, 0.1][r.below(4)],
            chatter: (0..3 + r.below(4)).map(|_| r.below(CHATTER)).collect(),
            chatter_rate: 0.5 + 4.0 * unit(r),
            glitches: if r.below(3) == 0 { 0.002 } else { 0.0 },
            menu: r.below(4),
            damage: if r.below(4) == 0 { 0.002 } else { 0.0 },
        }
    }

    fn key(&self, i: usize) -> Key {
        Key::from_name(KEYS[i].0).unwrap()
    }

    fn word(&self, i: usize) -> &'static str {
        KEYS[i].1[self.words]
    }

    /// What the set printed while each key was asked for `rounds` times, in random order.
    pub(super) fn hear(&self, seed: u64, rounds: usize) -> Heard {
        let mut random = Random(seed);
        let r = &mut random;
        let mut t = 2.0;
        let (mut prompts, mut held) = (Vec::new(), Vec::new());
        for _ in 0..rounds {
            let mut order: Vec<usize> = (0..self.keys).collect();
            for i in (1..order.len()).rev() {
                order.swap(i, r.below(i + 1));
            }
            for key in order {
                prompts.push((t, self.key(key)));
                let down = t + 0.4 + 0.8 * unit(r);
                let long = r.below(6) == 0;
                held.push((down, down + if long { 0.8 + 0.5 * unit(r) } else { 0.25 + 0.3 * unit(r) }, key));
                t += 3.0 + unit(r);
            }
        }
        let end = t + 1.0;
        let mut events: Vec<(f64, String)> = Vec::new();
        self.key_lines(&held, end, r, &mut events);
        self.menu_lines(&held, r, &mut events);
        let mut at = 0.0;
        while at < end {
            at += -(1.0 - unit(r)).ln() / self.chatter_rate;
            let line = chatter(self.chatter[r.below(self.chatter.len())], at, r);
            events.push((at, line));
        }
        events.sort_by(|a, b| a.0.total_cmp(&b.0));
        let start = 3.0 + 100.0 * unit(r);
        let first = events[0].0;
        let lines = events
            .into_iter()
            .map(|(at, line)| {
                let mut line = self.stamped(start + at, &line);
                if unit(r) < self.damage {
                    let place = r.below(line.len().max(1));
                    line.truncate(place);
                }
                let host = matches!(self.stamp, Stamp::Host | Stamp::Ticks);
                // Host stamps carry the lumps of an adapter: up to 4 ms late.
                (host.then(|| at - first + 0.004 * unit(r)), line)
            })
            .collect();
        // The capture clock starts at the first line.
        let prompts = prompts.into_iter().map(|(t, key)| (t - first, key)).collect();
        let presses = held.iter().map(|(down, _, key)| (down - first, self.key(*key))).collect();
        Heard { lines, prompts, presses, origin: start + first }
    }

    fn stamped(&self, t: f64, line: &str) -> String {
        match self.stamp {
            Stamp::Seconds => format!("[{t:.3}] {line}"),
            Stamp::Padded => format!("[{t:12.6}] {line}"),
            Stamp::Milliseconds => format!("{:.0} {line}", t * 1e3),
            Stamp::HexMilliseconds => format!("{:08x}: {line}", (t * 1e3) as u64),
            Stamp::Angle => format!("<{:.0}> {line}", t * 1e3),
            Stamp::Host => line.to_owned(),
            Stamp::Ticks => format!("{:.0}| {line}", t * 100.0),
        }
    }

    fn key_lines(&self, held: &[(f64, f64, usize)], end: f64, r: &mut Random, out: &mut Vec<(f64, String)>) {
        let tag = self.tag;
        let [press, release, repeat] = self.states;
        match self.speech {
            Speech::Counts | Speech::HexCounts | Speech::NamedLines | Speech::Columns => {
                return self.readings(held, end, r, out);
            }
            Speech::Slow
            | Speech::Changes
            | Speech::Silent
            | Speech::Once
            | Speech::NoneCode
            | Speech::PolledCode => return self.sparing(held, end, r, out),
            _ => {}
        }
        for (down, up, key) in held {
            let (word, code) = (self.word(*key), self.codes[*key]);
            let mut times = vec![*down];
            let mut at = down + 0.5;
            while at < *up {
                times.push(at);
                at += 0.1;
            }
            for (i, at) in times.iter().enumerate() {
                let state = if i == 0 { press } else { repeat };
                let line = match self.speech {
                    Speech::KeyState => format!("{tag}: key {word} {state}"),
                    Speech::KeyPress => format!("{tag}: got {word}"),
                    Speech::KeyCode => format!("{tag}: scancode=0x{code:02x} state={state}"),
                    Speech::TwoLines if i == 0 => format!("{tag}: onKeyDown({word})"),
                    Speech::TwoLines => continue,
                    _ => format!("ir: addr={:02x} cmd={code:02x} rpt={}", 4, u8::from(i > 0)),
                };
                out.push((*at, line));
            }
            match self.speech {
                Speech::KeyState => out.push((*up, format!("{tag}: key {word} {release}"))),
                Speech::KeyCode => out.push((*up, format!("{tag}: scancode=0x{code:02x} state={release}"))),
                Speech::TwoLines => out.push((*up, format!("{tag}: onKeyUp({word})"))),
                _ => {}
            }
        }
    }

    fn readings(&self, held: &[(f64, f64, usize)], end: f64, r: &mut Random, out: &mut Vec<(f64, String)>) {
        let tag = self.tag;
        let two = matches!(self.speech, Speech::NamedLines | Speech::Columns);
        let mut at = 0.001;
        while at < end {
            let down = held.iter().find(|(from, to, _)| (*from..*to).contains(&at));
            let reading = |line: usize, r: &mut Random| {
                let key = down.map(|(_, _, key)| *key).filter(|key| !two || key % 2 == line);
                let mut value = key.map_or(self.idle, |key| self.counts[key]) + self.noise * normal(r);
                if unit(r) < self.glitches {
                    value = self.full * unit(r);
                }
                value.round().clamp(0.0, self.full) as u32
            };
            let (a, b) = (reading(0, r), reading(1, r));
            match self.speech {
                Speech::Counts => out.push((at, format!("{tag}: adc={a}"))),
                Speech::HexCounts => out.push((at, format!("{tag}: raw 0x{a:03x} ok"))),
                Speech::NamedLines => {
                    out.push((at, format!("{tag}: ch=SAR{} val={a}", 0)));
                    out.push((at + 0.001, format!("{tag}: ch=SAR{} val={b}", 1)));
                }
                _ => out.push((at, format!("{tag} {a:4} {b:4}"))),
            }
            at += self.period;
        }
    }

    /// Sets that do not print every scan.
    fn sparing(&self, held: &[(f64, f64, usize)], end: f64, r: &mut Random, out: &mut Vec<(f64, String)>) {
        let tag = self.tag;
        let (mut at, mut before, mut printed, mut when) = (0.001, None, f64::NEG_INFINITY, f64::NEG_INFINITY);
        while at < end {
            let key = held.iter().find(|(from, to, _)| (*from..*to).contains(&at)).map(|(_, _, key)| *key);
            let level = key.map_or(self.idle, |key| self.counts[key]) + self.noise * normal(r);
            let value = level.round().clamp(0.0, self.full);
            let code = key.map(|key| self.codes[key]);
            let down = key.is_some();
            let turned = key != before;
            let line = match self.speech {
                Speech::Slow if down || turned || at - when > 0.4 => Some(format!("{tag}: level {value}")),
                Speech::Changes if (value - printed).abs() > (4.0 * self.noise).max(1.0) => {
                    Some(format!("{tag}: now {value} of {}", self.full))
                }
                Speech::Silent if down => Some(format!("{tag}: scan val {value}")),
                Speech::Once if down && turned => Some(format!("{tag}: hit 0x{:03x}", value as u32)),
                Speech::NoneCode if turned => Some(format!("{tag}: code {:02x}", code.unwrap_or(0))),
                Speech::PolledCode if down || turned || at - when > 0.4 => {
                    Some(format!("{tag}: at=0x{:02X}", code.unwrap_or(0xff)))
                }
                _ => None,
            };
            if let Some(line) = line {
                out.push((at, line));
                (printed, when) = (value, at);
            }
            before = key;
            at += self.period;
        }
    }

    fn menu_lines(&self, held: &[(f64, f64, usize)], r: &mut Random, out: &mut Vec<(f64, String)>) {
        let mut volume = 12;
        for (down, _, key) in held {
            let at = down + 0.05 + 0.1 * unit(r);
            let name = KEYS[*key].0;
            volume += i32::from(name == "KEY_VOLUMEUP") - i32::from(name == "KEY_VOLUMEDOWN");
            let line = match (self.menu, name) {
                (1, "KEY_VOLUMEUP" | "KEY_VOLUMEDOWN") => format!("osd: set item=volume value={volume}"),
                (1, "KEY_CHANNELUP" | "KEY_CHANNELDOWN") => {
                    format!("osd: set item=channel value={}", r.below(40))
                }
                (2, "KEY_VOLUMEUP" | "KEY_VOLUMEDOWN") => format!("audio: volume {volume}"),
                (2, "KEY_MENU") => "gui: menu toggled".to_owned(),
                (3, _) => format!("gui: overlay {} shown", ["bar", "list", "toast"][key % 3]),
                _ => continue,
            };
            out.push((at, line));
        }
    }
}

const CHATTER: usize = 10;

/// A line that has nothing to do with keys.
fn chatter(which: usize, t: f64, r: &mut Random) -> String {
    let mut line = String::new();
    let n = r.below(1_000);
    let _ = match which {
        0 => write!(
            line,
            "tuner: locked at {} kHz snr {}.{} dB",
            474_000 + 8_000 * (n % 20),
            20 + n % 10,
            n % 10
        ),
        1 => write!(line, "heap: {} bytes free, {} blocks", 100_000 + n * 17, n),
        2 => write!(line, "dec0: pts 0x{:08x} drop {}", r.next() as u32, n % 3),
        3 => write!(line, "therm: die {} C fan {}", 40 + n % 12, ["off", "slow", "fast"][n % 3]),
        4 => write!(line, "i2c: bus {} addr 0x{:02x} nak", n % 3, 0x20 + n % 64),
        5 => write!(line, "sched: idle {} us", n * 10),
        6 => write!(line, "hdmi{}: hpd {}", n % 3, n % 2),
        7 => write!(line, "wdt: kick {}", (t * 10.0) as u64),
        8 => write!(line, "net: link {} mbps rx {} tx {}", [10, 100][n % 2], n, n / 2),
        _ => write!(line, "panel: backlight {}% temp {}", n % 101, 30 + n % 20),
    };
    line
}
