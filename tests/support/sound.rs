//! Sound sets: what five invented or open dialects print while nothing is wrong with the cable, with the truth of when they
//! would have printed a stray. Shares nothing with the simulator of the demo.
//!
//! A set scans its keypad at its period, late by a few milliseconds; a slow menu or a busy processor holds its printing up for
//! less than half a second. It goes to standby, restarts, drifts against the host's clock, and the adapter hands its bytes on
//! in lumps.

use std::collections::VecDeque;
use std::fmt::Write as _;
use std::sync::{Arc, Mutex};

use super::random::Random;

/// What a set speaks.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Dialect {
    Alder,
    Birch,
    Rowan,
    Hazel,
    LinuxInput,
}

impl Dialect {
    pub(crate) const ALL: [Self; 5] = [Self::Alder, Self::Birch, Self::Rowan, Self::Hazel, Self::LinuxInput];

    pub(crate) fn name(self) -> &'static str {
        match self {
            Self::Alder => "alder",
            Self::Birch => "birch",
            Self::Rowan => "rowan",
            Self::Hazel => "hazel",
            Self::LinuxInput => "linux-input",
        }
    }

    /// Whether it prints its keypad readings all the time.
    pub(crate) fn reads(self) -> bool {
        matches!(self, Self::Alder | Self::Rowan | Self::Hazel)
    }

    fn period(self) -> f64 {
        if self == Self::Rowan { 0.04 } else { 0.05 }
    }
}

/// What happens in a capture; all times in seconds of the host.
#[derive(Clone, Debug)]
pub(crate) struct Plan {
    pub(crate) dialect: Dialect,
    pub(crate) seconds: f64,
    /// From the record of standby to that of being on again.
    pub(crate) standby: Vec<(f64, f64)>,
    /// From the last record before a restart to the first after it.
    pub(crate) restarts: Vec<(f64, f64)>,
    /// When the menu is drawn: printing stands still for so long.
    pub(crate) slow: Vec<(f64, f64)>,
    /// Presses of a tenth to a fifth of a second.
    pub(crate) presses: Vec<f64>,
    /// The adapter hands bytes on so often.
    pub(crate) lump: f64,
    /// A scan is late by so much at most.
    pub(crate) jitter: f64,
    /// Spread of the readings in counts.
    pub(crate) noise: f64,
    /// The set's clock runs so much faster.
    pub(crate) drift: f64,
}

fn unit(random: &mut Random) -> f64 {
    (random.next() >> 11) as f64 / (1u64 << 53) as f64
}

fn between(random: &mut Random, low: f64, high: f64) -> f64 {
    low + (high - low) * unit(random)
}

/// Nearly normal: the sum of twelve even numbers (Irwin and Hall).
fn normal(random: &mut Random) -> f64 {
    (0..12).map(|_| unit(random)).sum::<f64>() - 6.0
}

impl Plan {
    /// A capture of this length; presses come about each two minutes, a slow menu each five.
    pub(crate) fn new(dialect: Dialect, seconds: f64, seed: u64) -> Self {
        let mut random = Random(seed);
        let mut plan = Self {
            dialect,
            seconds,
            standby: Vec::new(),
            restarts: Vec::new(),
            slow: Vec::new(),
            presses: Vec::new(),
            lump: [0.001, 0.004, 0.016][random.below(3)],
            jitter: between(&mut random, 0.0, 0.012),
            noise: between(&mut random, 0.3, if dialect == Dialect::Hazel { 3.0 } else { 1.5 }),
            drift: between(&mut random, -1e-4, 1e-4),
        };
        let mut t = between(&mut random, 1.0, 3.0);
        while t < seconds - 1.0 {
            plan.presses.push(t);
            t += 1.0 - 120.0 * (1.0 - unit(&mut random)).ln();
        }
        // The last one is near the end, so that a set that prints only then is seen up to there.
        plan.presses.retain(|press| *press < seconds - 6.0);
        plan.presses.push(seconds - between(&mut random, 1.0, 3.0));
        let mut t = between(&mut random, 5.0, 300.0);
        while t < seconds - 5.0 {
            // A menu that is gone through: a few pictures, each drawn in less than half a second.
            for _ in 0..1 + random.below(6) {
                let takes = between(&mut random, 0.1, 0.45);
                plan.slow.push((t, t + takes));
                t += takes + between(&mut random, 0.3, 1.5);
            }
            t += between(&mut random, 100.0, 500.0);
        }
        plan
    }

    /// With hours of standby and a restart in it.
    pub(crate) fn with_breaks(mut self, standby: &[(f64, f64)], restarts: &[(f64, f64)]) -> Self {
        self.standby = standby.to_vec();
        self.restarts = restarts.to_vec();
        let breaks: Vec<(f64, f64)> = [standby, restarts].concat();
        let inside = |t: f64| breaks.iter().any(|(from, to)| (from - 2.0..to + 2.0).contains(&t));
        self.presses.retain(|press| !inside(*press));
        self.slow.retain(|(from, to)| !inside(*from) && !inside(*to));
        self
    }

    /// When a stray would have left an event: the set was on and printed, or held its printing up for a moment.
    pub(crate) fn truth(&self) -> Vec<(f64, f64)> {
        let (first, last) = match self.dialect.reads() {
            true => (0.0, self.seconds),
            false => (self.presses[0], self.presses[self.presses.len() - 1]),
        };
        let mut breaks = [self.standby.as_slice(), self.restarts.as_slice()].concat();
        breaks.sort_by(|one, two| one.0.total_cmp(&two.0));
        let mut from = first;
        let mut truth = Vec::new();
        for (start, end) in breaks {
            truth.push((from, start));
            from = end;
        }
        truth.push((from, last));
        truth
    }
}

/// Bytes and when the host has them, seconds.
#[derive(Clone, Debug)]
pub(crate) struct Piece {
    pub(crate) at: f64,
    pub(crate) bytes: Vec<u8>,
}

/// Presses that a technician makes while the set runs, seconds.
pub(crate) type Hand = Arc<Mutex<Vec<f64>>>;

/// A set that prints.
pub(crate) struct Set {
    plan: Plan,
    random: Random,
    hand: Hand,
    scan: f64,
    free: f64,
    chatter: f64,
    /// Uptime began then, and whether the set is off.
    born: f64,
    quiet: Option<(f64, &'static str)>,
    down: Option<(f64, bool)>,
    waiting: VecDeque<Piece>,
    last: f64,
    menu: u32,
}

impl Set {
    pub(crate) fn new(plan: Plan, seed: u64, hand: Hand) -> Self {
        let mut random = Random(seed ^ 0x5eed);
        let born = -between(&mut random, 10.0, 5000.0);
        let chatter = between(&mut random, 0.5, 10.0);
        Self {
            plan,
            random,
            hand,
            scan: 0.0,
            free: 0.0,
            chatter,
            born,
            quiet: None,
            down: None,
            waiting: VecDeque::new(),
            last: 0.0,
            menu: 0,
        }
    }

    /// Puts what was printed at `t` on its way.
    fn print(&mut self, t: f64, bytes: Vec<u8>) {
        let lump = self.plan.lump;
        let arrives = |at: f64| ((at + 0.0005) / lump).ceil() * lump;
        // 115200 baud: 87 µs a byte.
        let at = arrives(t + 8.7e-5 * bytes.len() as f64).max(self.last);
        let split = 1 + self.random.below(bytes.len().max(2) - 1);
        let parts = if self.random.below(10) == 0 && split < bytes.len() {
            vec![(at, bytes[..split].to_vec()), (at + lump, bytes[split..].to_vec())]
        } else {
            vec![(at, bytes)]
        };
        for (at, bytes) in parts {
            self.last = self.last.max(at);
            self.waiting.push_back(Piece { at, bytes });
        }
    }

    fn uptime(&self, t: f64) -> f64 {
        (t - self.born) * (1.0 + self.plan.drift)
    }

    fn text(&mut self, t: f64, line: &str) {
        let up = self.uptime(t);
        let whole = match self.plan.dialect {
            Dialect::Alder => format!("[{up:.3}] {line}\r\n"),
            Dialect::Birch => format!("[{up:>12.6}][  T103] {line}\n"),
            Dialect::LinuxInput => format!("[{up:>12.6}] {line}\n"),
            Dialect::Rowan | Dialect::Hazel => format!("{line}\n"),
        };
        self.print(t, whole.into_bytes());
    }

    /// A frame of a hazel: see its chassis file.
    fn frame(&mut self, t: f64, kind: u8, body: &[u8]) {
        let up = (self.uptime(t) * 1000.0) as u32;
        let mut plain = vec![body.len() as u8 + 5, kind];
        plain.extend(up.to_le_bytes());
        plain.extend(body);
        let mut crc = 0xffff_u16;
        for byte in &plain {
            crc ^= u16::from(*byte) << 8;
            for _ in 0..8 {
                crc = if crc & 0x8000 != 0 { crc << 1 ^ 0x1021 } else { crc << 1 };
            }
        }
        plain.extend(crc.to_le_bytes());
        let mut sent = vec![0xa5, 0x5a];
        for byte in plain {
            match byte {
                0xa5 | 0x7d => sent.extend([0x7d, byte ^ 0x20]),
                byte => sent.push(byte),
            }
        }
        self.print(t, sent);
    }

    fn level(&mut self, rest: f64, full: f64) -> u32 {
        (rest + self.plan.noise * normal(&mut self.random)).round().clamp(0.0, full) as u32
    }

    fn readings(&mut self, t: f64, pressed: bool) {
        match self.plan.dialect {
            Dialect::Alder => {
                let one = if pressed { 156.0 } else { 1021.0 };
                for (name, rest) in [("KEY1", one), ("KEY2", 1021.0)] {
                    let counts = self.level(rest, 1023.0);
                    self.text(t, &format!("keyscan: line={name} adc=0x{counts:03x}"));
                }
            }
            Dialect::Rowan => {
                let one = self.level(if pressed { 45.0 } else { 253.0 }, 255.0);
                let two = self.level(253.0, 255.0);
                self.text(t, &format!("{one:03} {two:03}"));
            }
            Dialect::Hazel => {
                let one = self.level(if pressed { 1470.0 } else { 4080.0 }, 4095.0);
                let two = self.level(4080.0, 4095.0);
                let body = [(one >> 4) as u8, (one << 4) as u8 | (two >> 8) as u8, two as u8];
                self.frame(t, 1, &body);
            }
            Dialect::Birch | Dialect::LinuxInput => {}
        }
    }

    fn key(&mut self, t: f64, down: bool) {
        match self.plan.dialect {
            Dialect::Birch if down => self.text(t, "keypad: key VOL+"),
            Dialect::LinuxInput => {
                let state = if down { "DOWN" } else { "UP" };
                self.text(t, &format!("EV_KEY       KEY_VOLUMEUP         {state:<20}"));
                self.text(t, "EV_SYN       SYN_REPORT           00000000            ");
            }
            _ => {}
        }
    }

    fn power(&mut self, t: f64, on: bool) {
        match self.plan.dialect {
            Dialect::Alder => self.text(t, if on { "power: state=on" } else { "power: state=standby" }),
            Dialect::Birch if on => self.text(t, "power: wake (keypad)"),
            Dialect::Birch => self.text(t, "power: entering standby (sleep timer)"),
            Dialect::Rowan => self.text(t, if on { "90=1" } else { "90=0" }),
            Dialect::Hazel => self.frame(t, 5, &[if on { 2 } else { 1 }]),
            Dialect::LinuxInput => {}
        }
    }

    fn boot(&mut self, t: f64) {
        match self.plan.dialect {
            Dialect::Alder => self.text(t, "boot: alder firmware 1.4 reset=watchdog"),
            Dialect::Birch => self.text(t, "birch: starting, reset cause watchdog"),
            Dialect::Rowan => self.text(t, "99=3"),
            Dialect::Hazel => self.frame(t, 5, &[3, 4]),
            Dialect::LinuxInput => self.text(t, "Booting Linux on physical CPU 0x0"),
        }
    }

    fn change(&mut self, t: f64) {
        self.menu += 1;
        let value = self.menu % 60;
        match self.plan.dialect {
            Dialect::Alder => self.text(t, &format!("osd: set item=brightness value={value}")),
            Dialect::Birch => self.text(t, &format!("menu: Picture/Brightness = {value}")),
            Dialect::Rowan => self.text(t, &format!("12={value}")),
            Dialect::Hazel => self.frame(t, 4, &[12, value as u8]),
            Dialect::LinuxInput => {}
        }
    }

    fn chat(&mut self, t: f64) {
        let dialect = self.plan.dialect;
        if !matches!(dialect, Dialect::Rowan | Dialect::Hazel) {
            let mut line = String::new();
            let _ =
                write!(line, "tuner: locked at {} MHz, level {}", 474 + 8 * self.random.below(40), self.menu);
            self.text(t, &line);
        }
        self.chatter = t + between(&mut self.random, 0.2, 20.0);
    }

    /// One scan of the keypad, and what the set does beside it; `false` at the end.
    fn step(&mut self) -> bool {
        let period = self.plan.dialect.period();
        let due = self.scan;
        self.scan += period;
        if due > self.plan.seconds {
            return false;
        }
        let late = self.plan.jitter * unit(&mut self.random);
        let t = (due + late).max(self.free);
        if let Some((until, how)) = self.quiet {
            if t < until {
                return true;
            }
            self.quiet = None;
            if how == "restart" {
                self.born = t - between(&mut self.random, 0.2, 3.0);
                self.boot(t);
            } else {
                self.power(t, true);
            }
        }
        if let Some(at) = self.plan.standby.iter().position(|(from, _)| *from <= t) {
            let (_, until) = self.plan.standby.remove(at);
            self.power(t, false);
            self.quiet = Some((until, "standby"));
            return true;
        }
        if let Some(at) = self.plan.restarts.iter().position(|(from, _)| *from <= t) {
            self.quiet = Some((self.plan.restarts.remove(at).1, "restart"));
            return true;
        }
        if let Some(at) = self.plan.slow.iter().position(|(from, _)| *from <= t) {
            let (from, until) = self.plan.slow.remove(at);
            self.change(t);
            self.free = t + (until - from);
            return true;
        }
        let mut hand = self.hand.lock().unwrap();
        let asked = hand.iter().position(|at| *at <= t);
        asked.map(|at| hand.remove(at));
        drop(hand);
        let due = self.plan.presses.iter().position(|at| *at <= t);
        due.map(|at| self.plan.presses.remove(at));
        if asked.or(due).is_some() {
            self.down = Some((t + between(&mut self.random, 0.1, 0.2), false));
        }
        if let Some((until, told)) = self.down {
            if !told {
                self.key(t, true);
                self.down = Some((until, true));
            }
            if t > until {
                self.key(t, false);
                self.down = None;
            }
        }
        if t >= self.chatter {
            self.chat(t);
        }
        self.readings(t, self.down.is_some());
        true
    }
}

impl Iterator for Set {
    type Item = Piece;

    fn next(&mut self) -> Option<Piece> {
        while self.waiting.is_empty() {
            if !self.step() {
                return None;
            }
        }
        self.waiting.pop_front()
    }
}
