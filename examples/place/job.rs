//! One job: what the technician did, what the set printed, and what a perfect observer saw.

use std::fmt::Write as _;
use std::fs;
use std::path::Path;

use crate::set::{Dialect, Dice, Electric, Kind, Ladder, Mechanism, State, electric};

/// What was so during a stage.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct About {
    pub(crate) remotes_out: bool,
    pub(crate) covered: bool,
    pub(crate) dark: bool,
    pub(crate) hdmi_off: bool,
    pub(crate) receiver_off: bool,
    pub(crate) line: State,
}

/// Inputs that nobody made: control path and when.
pub(crate) type Phantoms = Vec<(&'static str, f64)>;

/// One watched stage as it truly was.
#[derive(Clone, Debug)]
pub(crate) struct Watched {
    pub(crate) about: About,
    pub(crate) seconds: f64,
    /// How often the fault showed in it, on whatever path.
    pub(crate) shown: u32,
    /// Every input that nobody made, by its control path and when; none are listed where a resistor holds the line.
    pub(crate) phantoms: Option<Phantoms>,
}

/// All codes of line KEY1 in one state of it.
#[derive(Clone, Debug)]
pub(crate) struct Codes {
    pub(crate) state: State,
    pub(crate) shows: bool,
    pub(crate) n: f64,
    pub(crate) sum: f64,
    pub(crate) squares: f64,
}

/// A job with its truth.
pub(crate) struct Job {
    pub(crate) kind: Kind,
    pub(crate) dialect: Dialect,
    pub(crate) ladder: Ladder,
    pub(crate) electric: Option<Electric>,
    pub(crate) stages: Vec<Watched>,
    /// Every input that nobody made in the key checks, by capture.
    pub(crate) checks: Vec<(String, Phantoms)>,
    /// How many inputs of the key checks nobody could tell from the answer of a hand; they are not among `checks`.
    pub(crate) untold: u64,
    pub(crate) codes: Vec<Codes>,
    /// Codes of stray infrared keys: address and command.
    pub(crate) remote: Vec<(u32, u32)>,
    real: Ladder,
    noise: f64,
    per_minute: f64,
    lamp: bool,
    remote_key: u32,
}

/// How a job is to be drawn.
#[derive(Clone, Copy)]
pub(crate) struct Plan {
    pub(crate) noise: f64,
    /// The fault shows all the time, and the steps are those that readings need.
    pub(crate) steady: bool,
    /// The file states input and contact resistance.
    pub(crate) sheet: bool,
}

/// Commands of the remote control that alder and birch both know, and what the set does.
const COMMANDS: [u32; 5] = [0x1a, 0x1e, 0x12, 0x16, 0x43];
const OWN: u32 = 0x04;

/// What the set does on a command.
const REMOTE: [(u32, &str); 6] = [
    (0x02, "KEY_POWER"),
    (0x1a, "KEY_VOLUMEUP"),
    (0x1e, "KEY_VOLUMEDOWN"),
    (0x12, "KEY_CHANNELUP"),
    (0x16, "KEY_CHANNELDOWN"),
    (0x43, "KEY_MENU"),
];

/// What the technician may part, and its words.
const STEPS: [(&str, &str, &str); 8] = [
    ("remotes taken out of the room", "remotes back in the room", "remote"),
    ("infrared window covered with tape", "tape off the infrared window", "infrared-window"),
    ("lamps off and curtains closed", "lamps on again", "room-light"),
    ("HDMI cables unplugged", "HDMI cables back", "hdmi"),
    ("infrared receiver unplugged", "infrared receiver plugged in", "infrared-receiver"),
    ("key board unplugged at the main board", "key board plugged in", "key-board"),
    ("key cable unplugged at the key board", "key cable plugged in", "key-cable"),
    ("4.7k resistor in place of the key board", "key board in its place again", "key-board"),
];

/// How long after a prompt the hand presses, seconds.
const REACHES: (f64, f64) = (0.5, 1.2);

/// When a key check asks for a key, seconds.
fn prompt_at(turn: usize) -> f64 {
    2.0 + 3.0 * turn as f64
}

impl Job {
    /// Draws a job and writes it into a folder: manifest, captures, prompts.
    pub(crate) fn draw(kind: Kind, plan: Plan, dice: &mut Dice, folder: &Path) -> Self {
        let dialect = match kind {
            Kind::Box => Dialect::Birch,
            Kind::Software if dice.chance(0.3) => Dialect::Rowan,
            Kind::Light | Kind::Receiver | Kind::Remote | Kind::Software if dice.chance(0.5) => {
                Dialect::Birch
            }
            _ if (kind.is_electrical() || kind == Kind::Sound) && dice.chance(0.4) => Dialect::Rowan,
            _ => Dialect::Alder,
        };
        let mut ladder = Ladder::of(dialect);
        if kind == Kind::Sound {
            ladder.input = dice.log(3e6, 3e7);
            ladder.contact = dice.between(0.05, 30.0);
        }
        let mut electric = electric(kind, &ladder, dice, plan.steady);
        let real = ladder.built(dice);
        if let Some(electric) = electric.as_mut().filter(|e| e.mechanism == Mechanism::PullUp) {
            electric.value *= real.pull_up / ladder.pull_up;
        }
        let mut job = Self {
            kind,
            dialect,
            real,
            ladder,
            electric,
            stages: Vec::new(),
            checks: Vec::new(),
            untold: 0,
            codes: Vec::new(),
            remote: Vec::new(),
            noise: plan.noise,
            per_minute: dice.log(1.0, 6.0),
            lamp: dice.chance(0.8),
            remote_key: COMMANDS[dice.pick(COMMANDS.len())],
        };
        job.write(plan, dice, folder);
        job
    }

    /// The parts of the job's file that a data sheet gives, when they are stated.
    pub(crate) fn sheet(&self) -> (f64, f64) {
        (self.ladder.input, self.ladder.contact)
    }

    fn write(&mut self, plan: Plan, dice: &mut Dice, folder: &Path) {
        let mut manifest = format!("set = \"invented\"\nchassis = \"{}\"\n", self.dialect.name());
        let mut about = About {
            remotes_out: false,
            covered: false,
            dark: false,
            hdmi_off: false,
            receiver_off: false,
            line: State::Rest,
        };
        let mut file = 0;
        let mut stage =
            |job: &mut Self, dice: &mut Dice, head: String, about: About, check: bool, soak: f64| {
                let _ = write!(manifest, "[[stage]]\n{head}");
                for checks in [false, true] {
                    if (checks && !check) || (!checks && soak <= 0.0) {
                        continue;
                    }
                    file += 1;
                    let (text, prompts) = job.capture(file, about, (!checks).then_some(soak), dice);
                    let hands = if checks { "on" } else { "off" };
                    let _ = fs::write(folder.join(format!("{file}.log")), text);
                    let _ = write!(
                        manifest,
                        "[[stage.capture]]\nfile = \"{file}.log\"\nname = \"c{file}\"\nhands = \"{hands}\"\n"
                    );
                    if !prompts.is_empty() {
                        let _ = fs::write(folder.join(format!("{file}.jsonl")), prompts);
                        let _ = writeln!(manifest, "prompts = \"{file}.jsonl\"");
                    }
                }
            };
        let wired = self.dialect != Dialect::Birch;
        let first = 60.0 * dice.between(4.0, 8.0);
        let check = wired && (plan.steady || self.kind == Kind::Sound || dice.chance(0.8))
            || !wired && dice.chance(0.5)
            || matches!(self.kind, Kind::PullUp | Kind::Ground | Kind::Cable);
        stage(self, dice, "step = \"as received\"\n".to_owned(), about, check, first);
        let steps = if plan.steady || self.kind == Kind::Sound { 1 } else { 1 + dice.pick(4) };
        let mut done: Vec<usize> = Vec::new();
        for _ in 0..steps {
            let line = [5, 5, 6, 7];
            let light = [0, 1, 2, 4];
            let step = match self.kind {
                _ if plan.steady || self.kind == Kind::Sound => line[dice.pick(2)],
                _ if self.kind.is_electrical() && dice.chance(0.75) => line[dice.pick(4)],
                Kind::Light | Kind::Receiver | Kind::Remote if dice.chance(0.8) => light[dice.pick(4)],
                Kind::Box if dice.chance(0.5) => 3,
                _ => dice.pick(5),
            };
            if done.contains(&step) || (step > 4 && !wired) {
                continue;
            }
            done.push(step);
            let before = about;
            match step {
                0 => about.remotes_out = true,
                1 => about.covered = true,
                2 => about.dark = true,
                3 => about.hdmi_off = true,
                4 => about.receiver_off = true,
                5 => about.line = State::Off,
                6 => about.line = State::CableOnly,
                _ => about.line = State::Resistor(4_700.0),
            }
            let (text, undo, part) = STEPS[step];
            let head = |text: &str, kind: &str| {
                format!("step = \"{text}\"\nkind = \"{kind}\"\nparts = [\"{part}\"]\n")
            };
            let soak = 60.0 * dice.between(2.0, 8.0);
            stage(self, dice, head(text, "isolate"), about, false, soak);
            if step > 4 || dice.chance(0.5) {
                about = before;
                about.line = State::Rest;
                let soak = if dice.chance(0.6) { 60.0 * dice.between(2.0, 5.0) } else { 0.0 };
                stage(self, dice, head(undo, "restore"), about, false, soak);
            }
        }
        let _ = fs::write(folder.join("ticket.toml"), manifest);
    }

    /// Whether the fault can show in these circumstances; of an electrical one the level tells.
    pub(crate) fn can_show(kind: Kind, lamp: bool, about: &About) -> bool {
        match kind {
            Kind::Light => !(about.covered || about.receiver_off || about.dark && lamp),
            Kind::Receiver => !about.receiver_off,
            Kind::Remote => !(about.covered || about.receiver_off || about.remotes_out),
            Kind::Box => !about.hdmi_off,
            Kind::Sound => false,
            _ => true,
        }
    }

    fn count(&mut self, state: State, shows: bool, code: f64) {
        let known = self.codes.iter_mut().find(|c| c.state == state && c.shows == shows);
        match known {
            Some(codes) => {
                codes.n += 1.0;
                codes.sum += code;
                codes.squares += code * code;
            }
            None => self.codes.push(Codes { state, shows, n: 1.0, sum: code, squares: code * code }),
        }
    }

    /// When the fault shows: start and end, seconds.
    fn showings(&self, about: &About, seconds: f64, dice: &mut Dice) -> Vec<(f64, f64)> {
        let steady = self.electric.is_some_and(|electric| electric.steady);
        if steady || !Self::can_show(self.kind, self.lamp, about) {
            return Vec::new();
        }
        let mut list = Vec::new();
        let mut t = 3.0 + dice.wait(60.0 / self.per_minute);
        while t < seconds - 3.0 {
            let length = dice.log(0.2, 2.5);
            list.push((t, t + length));
            t += length + 1.0 + dice.wait(60.0 / self.per_minute);
        }
        list
    }

    /// A soak of so many seconds, or a key check; with its prompts.
    fn capture(&mut self, number: u32, about: About, soak: Option<f64>, dice: &mut Dice) -> (String, String) {
        let keys = self.ladder.keys.clone();
        let seconds = soak.unwrap_or(4.0 + 9.0 * keys.len() as f64);
        let showings = self.showings(&about, seconds, dice);
        let mut prompts = String::new();
        let mut lines: Vec<(f64, String)> = Vec::new();
        // Presses of a hand in a key check.
        let mut hand: Vec<(f64, f64, usize)> = Vec::new();
        if soak.is_none() {
            for turn in 0..3 * keys.len() {
                let (t, key) = (prompt_at(turn), turn % keys.len());
                let start = t + dice.between(REACHES.0, REACHES.1);
                hand.push((start, start + dice.between(0.4, 1.0), key));
                let _ = writeln!(prompts, "{{\"t\": {t}, \"key\": \"{}\"}}", keys[key].0);
                // Of a set that prints no readings the remote control's keys are asked for.
                let code = REMOTE
                    .iter()
                    .find(|code| code.1 == keys[key].0)
                    .filter(|_| self.dialect == Dialect::Birch);
                if let Some((command, _)) = code {
                    self.remote_press(start, OWN, *command, 1 + dice.pick(5) as u32, &mut lines);
                }
            }
        } else if self.dialect != Dialect::Rowan
            && !(about.covered || about.receiver_off || about.remotes_out)
        {
            // The technician presses volume up at both ends: the set still prints what comes.
            for t in [0.5, seconds - 2.0] {
                let _ = writeln!(prompts, "{{\"t\": {t}, \"key\": \"KEY_VOLUMEUP\"}}");
                self.remote_press(t + 0.8, OWN, 0x1a, 1, &mut lines);
            }
        }
        let mut shown = 0;
        let mut phantoms = Vec::new();
        if self.electric.is_none() {
            for (t, _) in &showings {
                shown += 1;
                phantoms.push(self.show(*t, &mut lines, dice));
            }
        }
        if self.dialect == Dialect::Birch {
            // A line of something else, which shows that the cable lives.
            lines.extend(
                (0..=(seconds / 10.0) as usize).map(|i| (10.0 * i as f64, "mem: free 4711".to_owned())),
            );
        }
        if self.dialect == Dialect::Birch && !about.hdmi_off {
            // A box that asks for the power state now and then; nothing comes of it. It asks at once: the capture's time
            // begins with the first line described, and a prompt before that would stand at the hand's own press.
            let mut t = 0.0;
            while t < seconds {
                lines.push((t, "cec: rx 40 8f".to_owned()));
                t += dice.between(5.0, 15.0);
            }
        }
        if self.dialect != Dialect::Birch {
            shown += self.scan(about, seconds, &showings, &hand, (&mut lines, &mut phantoms), dice);
        }
        lines.sort_by(|a, b| a.0.total_cmp(&b.0));
        // The capture's time begins with the first line that the chassis's file describes.
        let described = lines.iter().find(|line| !line.1.starts_with("mem:"));
        let start = described.map_or(0.0, |line| line.0);
        let seen = phantoms.into_iter().map(|(path, t)| (path, t - start)).collect();
        if soak.is_none() {
            self.checks.push((format!("{number:04}-c{number}"), seen));
        } else {
            let phantoms = (!matches!(about.line, State::Resistor(_))).then_some(seen);
            self.stages.push(Watched { about, seconds, shown, phantoms });
        }
        let mut text = String::with_capacity(lines.len() * 40);
        for (t, line) in &lines {
            let _ = match self.dialect {
                Dialect::Alder => writeln!(text, "[{:.3}] {line}", 100.0 + t),
                Dialect::Birch => writeln!(text, "[{:12.6}][  T103] {line}", 100.0 + t),
                Dialect::Rowan => writeln!(text, "{line}"),
            };
        }
        // Prompts count from there too.
        let moved = prompts
            .lines()
            .filter_map(|line| {
                let (t, rest) = line.trim_start_matches("{\"t\": ").split_once(',')?;
                let t: f64 = t.parse().ok()?;
                Some(format!("{{\"t\": {:.3},{rest}\n", (t - start).max(0.0)))
            })
            .collect();
        (text, moved)
    }

    /// Every reading of a capture, and what the firmware makes of it; how often the fault was to be seen.
    fn scan(
        &mut self,
        about: About,
        seconds: f64,
        showings: &[(f64, f64)],
        hand: &[(f64, f64, usize)],
        (lines, phantoms): (&mut Vec<(f64, String)>, &mut Phantoms),
        dice: &mut Dice,
    ) -> u32 {
        let period = if self.dialect == Dialect::Rowan { 0.04 } else { 0.05 };
        let full = self.ladder.full;
        let (real, noise) = (self.real.clone(), self.noise);
        let levels: Vec<(State, f64, f64)> = (0..self.ladder.keys.len())
            .map(State::Key)
            .chain([about.line])
            .map(|state| {
                let of = |wrong| real.level(state, &wrong);
                let rests = of(self.electric.map(|e| e.rests).unwrap_or_default());
                (state, rests, of(self.electric.map(|e| e.shows).unwrap_or_default()))
            })
            .collect();
        let rest = levels.iter().find(|l| l.0 == about.line).map_or((full, full), |l| (l.1, l.2));
        // The other line has the same pull-up and the same converter, and no key of it is pressed.
        let other_rest = (full + 1.0) * self.ladder.input / (self.ladder.input + self.ladder.pull_up);
        let mut shown = 0;
        let is_visible = (rest.0.min(full) - rest.1.min(full)).abs() > 3.0;
        if self.electric.is_some() && is_visible {
            shown = showings.len() as u32;
        }
        let (mut candidate, mut run, mut down) = (None, 0, None);
        let (mut next, mut press) = (0, 0);
        let mut volume = 10;
        // What the set made of each press of a hand: which, when, and the key.
        let mut held: Vec<(usize, f64, usize)> = Vec::new();
        for i in 0..(seconds / period) as usize {
            let t = i as f64 * period;
            while showings.get(next).is_some_and(|s| s.1 < t) {
                next += 1;
            }
            while hand.get(press).is_some_and(|h| h.1 < t) {
                press += 1;
            }
            let shows = self.electric.is_some() && showings.get(next).is_some_and(|s| s.0 <= t);
            let pressed = hand.get(press).filter(|h| h.0 <= t).map(|h| State::Key(h.2));
            let state = pressed.unwrap_or(about.line);
            let level = levels.iter().find(|l| l.0 == state).map_or(full, |l| if shows { l.2 } else { l.1 });
            let code = (level + noise * dice.normal()).floor().clamp(0.0, full);
            let other = (other_rest + noise * dice.normal()).floor().clamp(0.0, full);
            self.count(state, shows, code);
            let (code, other) = (code as u32, other as u32);
            if self.dialect == Dialect::Rowan {
                lines.push((t, format!("{code:03} {other:03}")));
            } else {
                lines.push((t, format!("keyscan: line=KEY1 adc=0x{code:03x}")));
                lines.push((t, format!("keyscan: line=KEY2 adc=0x{other:03x}")));
            }
            let key = self.ladder.key(f64::from(code));
            run = if key == candidate { run + 1 } else { 1 };
            candidate = key;
            if run >= 2 && key != down {
                down = key;
                if let Some(key) = key {
                    match pressed {
                        Some(_) => held.push((press, t, key)),
                        None => phantoms.push(("keypad", t)),
                    }
                    volume = self.acts(self.ladder.keys[key].0, t + 0.011, volume, lines);
                }
            }
        }
        // A hand makes one input: the key that it presses, else the first that the set takes it for.
        for (at, own) in hand.iter().enumerate() {
            let of = || held.iter().filter(|seen| seen.0 == at);
            // Of a press in which the set saw no change nothing is to be seen; an input that nobody made at a time when this
            // hand presses is then the only one, and whoever sees no more than that takes it for the answer.
            let prompt = prompt_at(at);
            let may_be = |t: f64| (prompt + REACHES.0..=prompt + REACHES.1 + 2.0 * period).contains(&t);
            if of().next().is_none()
                && let Some(only) = phantoms.iter().rposition(|(path, t)| *path == "keypad" && may_be(*t))
            {
                phantoms.remove(only);
                self.untold += 1;
            }
            let made = of().find(|seen| seen.2 == own.2).or(of().next());
            let others = of().filter(|seen| made.is_none_or(|made| made.1 < seen.1 || seen.1 < made.1));
            phantoms.extend(others.map(|seen| ("keypad", seen.1)));
        }
        shown
    }

    /// What the set does on a key.
    fn acts(&self, key: &str, t: f64, mut volume: i32, lines: &mut Vec<(f64, String)>) -> i32 {
        let t = t + 0.06;
        let item = match key {
            "KEY_VOLUMEUP" | "KEY_VOLUMEDOWN" => {
                volume += if key == "KEY_VOLUMEUP" { 1 } else { -1 };
                ["osd: set item=volume value=", "07=", "menu: Sound/Volume = "]
            }
            "KEY_MENU" => {
                let text = ["osd: show main", "01=1", "menu: open main"][self.dialect as usize];
                lines.push((t, text.to_owned()));
                return volume;
            }
            "KEY_POWER" => return volume,
            _ => ["osd: set item=channel value=", "08=", "menu: Channel = "],
        };
        lines.push((t, format!("{}{}", item[self.dialect as usize], volume.rem_euclid(40))));
        volume
    }

    fn remote_press(&self, t: f64, address: u32, command: u32, frames: u32, lines: &mut Vec<(f64, String)>) {
        for i in 0..frames {
            let at = t + 0.108 * f64::from(i);
            lines.push((
                at,
                match self.dialect {
                    Dialect::Alder => {
                        let state = if i == 0 { "new" } else { "again" };
                        format!("irrx: from=0x{address:02x} code=0x{command:02x} {state}")
                    }
                    _ => format!("ir: addr={address:02x} cmd={command:02x} rpt={}", u32::from(i > 0)),
                },
            ));
        }
        if let Some((_, key)) = REMOTE.iter().find(|code| code.0 == command && address == OWN) {
            self.acts(key, t + 0.02, 10 + (t as i32) % 7, lines);
        }
    }

    /// The fault shows once, on another path than the keypad: which, and when.
    fn show(&mut self, t: f64, lines: &mut Vec<(f64, String)>, dice: &mut Dice) -> (&'static str, f64) {
        match self.kind {
            Kind::Remote => {
                self.remote.push((OWN, self.remote_key));
                self.remote_press(t, OWN, self.remote_key, 2 + dice.pick(12) as u32, lines);
                ("infrared", t)
            }
            Kind::Light | Kind::Receiver => {
                let (address, command) = match dice.pick(5) {
                    0 | 1 => (OWN, COMMANDS[dice.pick(COMMANDS.len())]),
                    2 | 3 => (dice.pick(256) as u32, dice.pick(256) as u32),
                    _ => {
                        if self.dialect == Dialect::Birch {
                            lines.push((t, format!("ir: no frame, {} edges", 5 + dice.pick(30))));
                        }
                        (OWN, dice.pick(256) as u32)
                    }
                };
                self.remote.push((address, command));
                self.remote_press(t + 0.2, address, command, 1, lines);
                ("infrared", t + 0.2)
            }
            Kind::Box => {
                let (code, key) = [(0x41, "KEY_VOLUMEUP"), (0x09, "KEY_MENU"), (0x01, "")][dice.pick(3)];
                lines.push((t, format!("cec: rx 40 44 {code:02x}")));
                lines.push((t + 0.15, "cec: rx 40 45".to_owned()));
                if !key.is_empty() {
                    self.acts(key, t + 0.02, 10, lines);
                }
                ("cec", t)
            }
            Kind::Software => {
                let value = dice.pick(50);
                lines.push((
                    t,
                    match self.dialect {
                        Dialect::Alder => format!("osd: set item=brightness value={value}"),
                        Dialect::Rowan => format!("12={value}"),
                        Dialect::Birch => format!("menu: Picture/Brightness = {value}"),
                    },
                ));
                ("menu", t)
            }
            _ => ("", t),
        }
    }
}
