//! The simulated set: circuit, leak, infrared, firmware, menu and debug port on one simulated clock.

use crate::base::{Key, Nanoseconds};
use crate::simulator::circuit::{Faults, Instant, Ladder};
use crate::simulator::keypad::{Action, Keypad};
use crate::simulator::leak::{LeakState, Place};
use crate::simulator::menu::Menu;
use crate::simulator::print::{KeyState, Record, Style};
use crate::simulator::random::Random;
use crate::simulator::wedged::RemoteState;

/// One step of the simulated clock.
const TICK: Nanoseconds = Nanoseconds::from_millis(10);
/// Noise at the converter, counts, standard deviation.
const NOISE_COUNTS: f64 = 0.7;
/// From power on to the first line.
const BOOT: Nanoseconds = Nanoseconds::from_millis(12);
/// Nothing is scanned before this uptime.
const SCANS_FROM: Nanoseconds = Nanoseconds::from_millis(1500);

/// What the firmware registered: the truth, for tests.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Registered {
    /// Uptime.
    pub at: Nanoseconds,
    /// Keypad line; nothing for a code of a remote control.
    pub line: Option<&'static str>,
    /// Press, repeat or release, and the key.
    pub action: Action,
    /// Whether a hand was on a key of this line, or on the remote control.
    pub by_hand: bool,
}

struct LineState {
    ladder: Ladder,
    keypad: Keypad,
    /// Where a leak loads it, siemens.
    leak: Option<(Place, f64)>,
}

impl LineState {
    fn volts(&self, faults: &Faults, pressed: &[Key]) -> f64 {
        let mut now = Instant { pressed, ..Instant::default() };
        if let Some((place, siemens)) = self.leak {
            match place {
                Place::MainBoard => now.main_board = siemens,
                Place::Cable => now.cable = siemens,
                Place::KeyBoard => now.key_board = siemens,
            }
        }
        self.ladder.volts(faults, &now)
    }
}

/// A hand on a key, from one uptime to another.
struct Hand {
    key: Key,
    from: Nanoseconds,
    to: Nanoseconds,
}

/// A frame on its way to the infrared receiver.
#[derive(Clone, Copy)]
struct Frame {
    at: Nanoseconds,
    address: u8,
    command: u8,
    repeat: bool,
    by_hand: bool,
    /// The receiver's cover is lifted for it.
    cover_lifted: bool,
}

/// A television set with two keypad lines, in simulated time.
pub struct SimulatedSet {
    style: Style,
    faults: Faults,
    uptime: Nanoseconds,
    /// Time handed in that does not make a tick yet.
    owed: Nanoseconds,
    next_scan: Nanoseconds,
    booted: bool,
    lines: [LineState; 2],
    menu: Menu,
    leak: LeakState,
    remote: RemoteState,
    hands: Vec<Hand>,
    /// Changes that the software will print, with their time; the screen answers some 60 ms after the key.
    due: Vec<(Nanoseconds, crate::simulator::menu::Change)>,
    infrared: Vec<Frame>,
    messages: Vec<(Nanoseconds, Vec<u8>)>,
    converter: Random,
    software: Random,
    next_chatter: Nanoseconds,
    registered: Vec<Registered>,
}

impl SimulatedSet {
    /// A set that is switched on now. Equal arguments and calls give equal bytes.
    pub fn new(style: Style, faults: Faults, seed: u64) -> Self {
        let line = |ladder| LineState { ladder, keypad: Keypad::default(), leak: None };
        Self {
            style,
            faults,
            uptime: Nanoseconds::ZERO,
            owed: Nanoseconds::ZERO,
            next_scan: SCANS_FROM,
            booted: false,
            lines: style.ladders().map(line),
            menu: Menu::default(),
            leak: LeakState::new(seed, 1),
            remote: RemoteState::new(seed, 2),
            hands: Vec::new(),
            due: Vec::new(),
            infrared: Vec::new(),
            messages: Vec::new(),
            converter: Random::new(seed, 3),
            software: Random::new(seed, 4),
            next_chatter: Nanoseconds::from_millis(2_200),
            registered: Vec::new(),
        }
    }

    /// Name of the chassis whose lines the set prints.
    pub fn chassis(&self) -> &'static str {
        self.style.chassis()
    }

    /// The ladders of the two lines, as built.
    pub fn ladders(&self) -> [&Ladder; 2] {
        let [first, second] = &self.lines;
        [&first.ladder, &second.ladder]
    }

    /// Simulated time since the set was switched on.
    pub fn uptime(&self) -> Nanoseconds {
        self.uptime
    }

    /// What the firmware registered since the set was made or told last: the truth that straykey does not see.
    pub fn registered(&self) -> &[Registered] {
        &self.registered
    }

    /// The same, let go of: a set that runs for simulated months would only grow by it.
    pub fn take_registered(&mut self) -> Vec<Registered> {
        std::mem::take(&mut self.registered)
    }

    /// Off, work done, on again: new faults, uptime from zero, cold, software afresh. What is outside the
    /// set goes on.
    pub fn power_cycle(&mut self, faults: Faults) {
        self.faults = faults;
        self.uptime = Nanoseconds::ZERO;
        self.owed = Nanoseconds::ZERO;
        self.next_scan = SCANS_FROM;
        self.next_chatter = Nanoseconds::from_millis(2_200);
        self.booted = false;
        self.menu = Menu::default();
        for line in &mut self.lines {
            line.keypad = Keypad::default();
        }
        self.hands.clear();
        self.due.clear();
        self.infrared.clear();
        self.messages.clear();
    }

    /// A hand presses a key on the set `after` from now and lets go `hold` later. The hand does nothing while
    /// the key board is unplugged.
    pub fn press(&mut self, key: Key, after: Nanoseconds, hold: Nanoseconds) {
        let from = self.uptime + after;
        self.hands.push(Hand { key, from, to: from + hold });
    }

    /// A remote-control key `after` from now: one frame, then repeat frames every 108 ms for `hold`.
    ///
    /// # Source
    /// Repeat distance of the 32-bit pulse-distance format: 108 ms after the start of the frame.
    pub fn remote(&mut self, address: u8, command: u8, after: Nanoseconds, hold: Nanoseconds) {
        let frame = Frame {
            at: self.uptime + after,
            address,
            command,
            repeat: false,
            by_hand: true,
            cover_lifted: false,
        };
        self.send(frame, hold);
    }

    /// A technician does what is asked: presses the key on the set, where the set has it, else on its remote control, with
    /// the receiver's cover lifted meanwhile. The key is asked for at an instant that the set may have passed already.
    pub fn answer(&mut self, key: Key) {
        let (after, hold) = (Nanoseconds::from_millis(1_200), Nanoseconds::from_millis(250));
        if self.lines.iter().any(|line| line.ladder.keys.iter().any(|(known, _)| *known == key)) {
            self.press(key, after, hold);
        } else if let Some((command, _)) = REMOTE.iter().find(|(_, name)| *name == key.name()) {
            let at = self.uptime + after;
            let address = REMOTE_ADDRESS;
            self.send(
                Frame { at, address, command: *command, repeat: false, by_hand: true, cover_lifted: true },
                hold,
            );
        }
    }

    fn send(&mut self, first: Frame, hold: Nanoseconds) {
        let (start, end) = (first.at, first.at + hold);
        let mut frame = first;
        while frame.at == start || frame.at < end {
            self.infrared.push(Frame { repeat: frame.at > start, ..frame });
            frame.at = frame.at + Nanoseconds::from_millis(108);
        }
    }

    /// A message arrives on HDMI-CEC `after` from now, header first.
    pub fn cec(&mut self, bytes: &[u8], after: Nanoseconds) {
        self.messages.push((self.uptime + after, bytes.to_vec()));
    }

    /// Voltages at the two converter inputs now, without the converter's noise: what a probe there would show.
    pub fn volts(&self) -> [f64; 2] {
        let pressed: Vec<Key> = self
            .hands
            .iter()
            .filter(|hand| (hand.from..hand.to).contains(&self.uptime))
            .map(|hand| hand.key)
            .collect();
        self.lines.each_ref().map(|line| line.volts(&self.faults, &pressed))
    }

    /// Lets simulated time pass and gives what the debug port printed meanwhile.
    pub fn advance(&mut self, time: Nanoseconds) -> Vec<u8> {
        let mut out = Vec::new();
        self.owed = self.owed + time;
        // Whole ticks alone, so that the bytes do not depend on how the caller divides the time.
        while self.owed >= TICK {
            self.owed = self.owed - TICK;
            self.uptime = self.uptime + TICK;
            self.weather();
            if !self.booted && self.uptime >= BOOT {
                self.booted = true;
                self.style.write(BOOT, Record::Boot, &mut out);
            }
            self.listen(&mut out);
            self.scan(&mut out);
            self.print_due(&mut out);
            self.chat(&mut out);
        }
        out
    }

    fn weather(&mut self) {
        let (seconds, uptime) = (TICK.seconds(), self.uptime.seconds());
        let siemens = self.leak.advance(seconds, uptime, self.faults.leak.as_ref());
        for (number, line) in self.lines.iter_mut().enumerate() {
            line.leak = self.faults.leak.filter(|leak| leak.line == number).map(|leak| (leak.place, siemens));
        }
        if let Some(remote) = self.faults.remote {
            for pressed in self.remote.advance(seconds, &remote) {
                let (at, address, command) = (self.uptime + pressed.after, remote.address, remote.command);
                let frame =
                    Frame { at, address, command, repeat: false, by_hand: false, cover_lifted: false };
                self.send(frame, pressed.hold);
            }
        }
    }

    /// What reached the receiver up to now; before the scan, so that lines come in order of their stamps.
    fn listen(&mut self, out: &mut Vec<u8>) {
        let now = self.uptime;
        while let Some(i) = self.infrared.iter().position(|frame| frame.at <= now) {
            let frame = self.infrared.remove(i);
            if !self.faults.receiver_covered || frame.cover_lifted {
                self.hear(&frame, out);
            }
        }
    }

    fn scan(&mut self, out: &mut Vec<u8>) {
        if self.uptime < self.next_scan {
            return;
        }
        let now = self.uptime;
        self.next_scan = now + self.style.period();
        self.hands.retain(|hand| hand.to > now);
        let pressed: Vec<Key> =
            self.hands.iter().filter(|hand| hand.from <= now).map(|hand| hand.key).collect();
        let mut readings = [("", 0); 2];
        let mut actions = Vec::new();
        for (line, reading) in self.lines.iter_mut().zip(&mut readings) {
            let volts = line.volts(&self.faults, &pressed);
            let noise = NOISE_COUNTS * self.converter.normal() / (f64::from(line.ladder.full_scale) + 1.0);
            let counts = line.ladder.counts(volts + noise * line.ladder.supply_volts);
            *reading = (line.ladder.name, counts);
            let by_hand = line.ladder.keys.iter().any(|(key, _)| pressed.contains(key));
            let before = actions.len();
            line.keypad.scan(now, line.ladder.key_at(counts), &mut actions);
            for action in actions.iter().skip(before) {
                self.registered.push(Registered {
                    at: now,
                    line: Some(line.ladder.name),
                    action: *action,
                    by_hand,
                });
            }
        }
        self.style.write(now, Record::Readings(readings), out);
        for action in actions {
            let (what, repeat) = match action {
                Action::Press(_) => (KeyState::Down, false),
                Action::Repeat(_) => (KeyState::Repeat, true),
                Action::Release(_) => (KeyState::Up, false),
            };
            self.style.write(now, Record::Key(action.key(), what), out);
            if !matches!(action, Action::Release(_)) {
                self.obey(action.key(), repeat);
            }
        }
    }

    fn obey(&mut self, key: Key, repeat: bool) {
        if let Some(change) = self.menu.act(self.uptime, key, repeat) {
            let latency = 45.0 + 12.0 * self.software.uniform() + self.software.exponential(6.0);
            self.due.push((self.uptime + Nanoseconds::from_seconds(latency / 1e3), change));
        }
    }

    fn print_due(&mut self, out: &mut Vec<u8>) {
        let now = self.uptime;
        if let Some(change) = self.menu.tick(now) {
            self.due.push((now, change));
        }
        let mut i = 0;
        while let Some((at, _)) = self.due.get(i) {
            if *at <= now {
                let (_, change) = self.due.remove(i);
                self.style.write(now, Record::Change(change.item, &change.value), out);
            } else {
                i += 1;
            }
        }
        while let Some(i) = self.messages.iter().position(|(at, _)| *at <= now) {
            let (at, bytes) = self.messages.remove(i);
            self.style.write(at, Record::Cec(&bytes), out);
        }
    }

    /// A frame reached the receiver.
    fn hear(&mut self, frame: &Frame, out: &mut Vec<u8>) {
        self.style.write(frame.at, Record::Remote(frame.address, frame.command, frame.repeat), out);
        let known = REMOTE.iter().find(|(code, _)| *code == frame.command && frame.address == REMOTE_ADDRESS);
        let Some(key) = known.and_then(|(_, name)| Key::from_name(name)) else { return };
        let action = if frame.repeat { Action::Repeat(key) } else { Action::Press(key) };
        self.registered.push(Registered { at: frame.at, line: None, action, by_hand: frame.by_hand });
        self.obey(key, frame.repeat);
    }

    /// Lines that a decoder must pass over.
    fn chat(&mut self, out: &mut Vec<u8>) {
        if self.uptime < self.next_chatter {
            return;
        }
        let pause = 3.0 + self.software.exponential(6.0);
        self.next_chatter = self.uptime + Nanoseconds::from_seconds(pause);
        let number = self.software.below(8);
        let record = if self.software.below(2) == 0 {
            Record::Tuner(28 + number)
        } else {
            Record::Lamp(72 + 2 * number)
        };
        self.style.write(self.uptime, record, out);
    }
}

/// Address of the set's own remote control, and its commands: invented.
pub const REMOTE_ADDRESS: u8 = 0x35;
/// Its command for the info banner.
pub const REMOTE_INFO: u8 = 0x0f;
const REMOTE: [(u8, &str); 7] = [
    (0x02, "KEY_POWER"),
    (0x1a, "KEY_VOLUMEUP"),
    (0x1e, "KEY_VOLUMEDOWN"),
    (0x12, "KEY_CHANNELUP"),
    (0x16, "KEY_CHANNELDOWN"),
    (0x43, "KEY_MENU"),
    (REMOTE_INFO, "KEY_INFO"),
];
