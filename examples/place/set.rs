//! Invented sets with a fault in them: their circuit, solved by nodal analysis of this file's own, and what is wrong.

use rand_pcg::Pcg64;
use rand_pcg::rand_core::Rng;

/// Random numbers of one run.
pub(crate) struct Dice(Pcg64);

impl Dice {
    pub(crate) fn new(seed: u64) -> Self {
        Self(Pcg64::new(u128::from(seed), 77))
    }

    pub(crate) fn unit(&mut self) -> f64 {
        (self.0.next_u64() >> 11) as f64 / (1u64 << 53) as f64
    }

    pub(crate) fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.unit()
    }

    pub(crate) fn log(&mut self, low: f64, high: f64) -> f64 {
        self.between(low.ln(), high.ln()).exp()
    }

    pub(crate) fn chance(&mut self, p: f64) -> bool {
        self.unit() < p
    }

    pub(crate) fn pick(&mut self, count: usize) -> usize {
        ((self.unit() * count as f64) as usize).min(count - 1)
    }

    pub(crate) fn wait(&mut self, mean: f64) -> f64 {
        -mean * (1.0 - self.unit()).ln()
    }

    pub(crate) fn normal(&mut self) -> f64 {
        (-2.0 * (1.0 - self.unit()).ln()).sqrt() * (std::f64::consts::TAU * self.unit()).cos()
    }
}

/// How a set prints.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Dialect {
    Alder,
    Rowan,
    Birch,
}

impl Dialect {
    pub(crate) fn name(self) -> &'static str {
        ["alder", "rowan", "birch"][self as usize]
    }
}

/// The parts of line KEY1.
#[derive(Clone, Debug)]
pub(crate) struct Ladder {
    pub(crate) full: f64,
    pub(crate) pull_up: f64,
    /// Key and its own resistor: branch of a parallel ladder, piece of a chain.
    pub(crate) keys: Vec<(&'static str, f64)>,
    pub(crate) chain: bool,
    pub(crate) tolerance: f64,
    /// Input resistance of the converter, ohms.
    pub(crate) input: f64,
    /// Of a closed switch, ohms.
    pub(crate) contact: f64,
}

/// Supply of the ladders, volts; also the converter's reference.
const SUPPLY: f64 = 3.3;

impl Ladder {
    pub(crate) fn of(dialect: Dialect) -> Self {
        let (full, pull_up, chain, tolerance) = match dialect {
            Dialect::Rowan => (255.0, 4_700.0, true, 0.05),
            _ => (1023.0, 10_000.0, false, 0.01),
        };
        let keys: &[(&str, f64)] = if chain {
            &[
                ("KEY_CHANNELUP", 0.0),
                ("KEY_CHANNELDOWN", 1_000.0),
                ("KEY_VOLUMEUP", 1_500.0),
                ("KEY_VOLUMEDOWN", 2_500.0),
                ("KEY_MENU", 5_000.0),
            ]
        } else {
            &[
                ("KEY_POWER", 0.0),
                ("KEY_VOLUMEDOWN", 1_800.0),
                ("KEY_VOLUMEUP", 3_900.0),
                ("KEY_CHANNELDOWN", 7_500.0),
                ("KEY_CHANNELUP", 13_000.0),
                ("KEY_MENU", 27_000.0),
            ]
        };
        Self { full, pull_up, keys: keys.to_vec(), chain, tolerance, input: 1e12, contact: 0.05 }
    }

    /// As it was built: every part uniform within its tolerance.
    pub(crate) fn built(&self, dice: &mut Dice) -> Self {
        let mut real = self.clone();
        let t = self.tolerance;
        real.pull_up *= dice.between(1.0 - t, 1.0 + t);
        real.keys.iter_mut().for_each(|key| key.1 *= dice.between(1.0 - t, 1.0 + t));
        real
    }

    /// The key that the firmware takes a code for: the nearest nominal level, and of two as near the upper one, as the rule
    /// `midpoint` of the chassis's file says. With the lower one a steady level on a border was another key to the set.
    pub(crate) fn key(&self, code: f64) -> Option<usize> {
        let nominal = |state| (self.level(state, &Wrong::default())).floor().min(self.full);
        let keys = (0..self.keys.len()).map(|k| (Some(k), nominal(State::Key(k))));
        let all = keys.chain([(None, nominal(State::Rest))]).rev();
        all.min_by(|a, b| (a.1 - code).abs().total_cmp(&(b.1 - code).abs())).and_then(|best| best.0)
    }

    /// Level at the converter in codes, not rounded.
    pub(crate) fn level(&self, state: State, wrong: &Wrong) -> f64 {
        (self.full + 1.0) * self.volts(state, wrong) / SUPPLY
    }

    fn volts(&self, state: State, wrong: &Wrong) -> f64 {
        let mut net = Net::default();
        let (main, board) = (0, 1);
        net.source(main, self.pull_up * wrong.pull_up, SUPPLY * wrong.supply);
        net.source(main, self.input, 0.0);
        net.source(main, wrong.main_leak, 0.0);
        match state {
            State::Off => {}
            State::Resistor(ohm) => net.source(main, ohm, 0.0),
            State::CableOnly => net.source(main, wrong.cable_leak, 0.0),
            State::Rest | State::Key(_) => {
                net.source(main, wrong.cable_leak, 0.0);
                net.join(main, board, wrong.joint.max(1e-3));
                net.source(board, wrong.board_leak, wrong.offset);
                let across = |key: usize| {
                    let leak = wrong.switch.filter(|(k, _)| *k == key).map_or(0.0, |(_, ohm)| 1.0 / ohm);
                    let closed = if state == State::Key(key) { 1.0 / self.contact.max(1e-3) } else { 0.0 };
                    leak + closed
                };
                let mut before = board;
                for (key, (_, ohm)) in self.keys.iter().enumerate() {
                    let conducts = across(key);
                    if self.chain {
                        let tap = 2 + key;
                        net.join(before, tap, ohm.max(1e-3));
                        if conducts > 0.0 {
                            net.source(tap, 1.0 / conducts, wrong.offset);
                        }
                        before = tap;
                    } else if conducts > 0.0 {
                        net.source(board, ohm + 1.0 / conducts, wrong.offset);
                    }
                }
            }
        }
        net.solve(main)
    }
}

/// How the line stands.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum State {
    Rest,
    Key(usize),
    /// Key board unplugged at the main board.
    Off,
    /// Cable unplugged at the key board.
    CableOnly,
    /// A known resistor in place of the key board.
    Resistor(f64),
}

/// What is wrong with the line; ohms unless said otherwise.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Wrong {
    pub(crate) main_leak: f64,
    pub(crate) cable_leak: f64,
    pub(crate) board_leak: f64,
    pub(crate) switch: Option<(usize, f64)>,
    pub(crate) joint: f64,
    /// Volts of the key board's ground.
    pub(crate) offset: f64,
    /// True over nominal.
    pub(crate) pull_up: f64,
    pub(crate) supply: f64,
}

impl Default for Wrong {
    fn default() -> Self {
        let none = f64::INFINITY;
        Self {
            main_leak: none,
            cable_leak: none,
            board_leak: none,
            switch: None,
            joint: 0.0,
            offset: 0.0,
            pull_up: 1.0,
            supply: 1.0,
        }
    }
}

/// Nodal matrix, solved by elimination with pivots.
#[derive(Default)]
struct Net {
    g: [[f64; 8]; 8],
    i: [f64; 8],
}

impl Net {
    fn source(&mut self, node: usize, ohm: f64, volts: f64) {
        self.g[node][node] += 1.0 / ohm;
        self.i[node] += volts / ohm;
    }

    fn join(&mut self, a: usize, b: usize, ohm: f64) {
        self.g[a][a] += 1.0 / ohm;
        self.g[b][b] += 1.0 / ohm;
        self.g[a][b] -= 1.0 / ohm;
        self.g[b][a] -= 1.0 / ohm;
    }

    fn solve(mut self, node: usize) -> f64 {
        for i in 0..8 {
            if self.g[i][i] == 0.0 {
                self.g[i][i] = 1.0;
            }
        }
        for column in 0..8 {
            let pivot = (column..8)
                .max_by(|a, b| self.g[*a][column].abs().total_cmp(&self.g[*b][column].abs()))
                .unwrap_or(column);
            self.g.swap(column, pivot);
            self.i.swap(column, pivot);
            for row in 0..8 {
                if row != column && self.g[row][column] != 0.0 {
                    let factor = self.g[row][column] / self.g[column][column];
                    for k in column..8 {
                        self.g[row][k] -= factor * self.g[column][k];
                    }
                    self.i[row] -= factor * self.i[column];
                }
            }
        }
        self.i[node] / self.g[node][node]
    }
}

/// The twelve kinds of fault, and none.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Kind {
    Switch,
    Board,
    Cable,
    MainLeak,
    PullUp,
    Ground,
    Supply,
    Light,
    Receiver,
    Remote,
    Box,
    Software,
    Sound,
}

pub(crate) const KINDS: [Kind; 12] = [
    Kind::Switch,
    Kind::Board,
    Kind::Cable,
    Kind::MainLeak,
    Kind::PullUp,
    Kind::Ground,
    Kind::Supply,
    Kind::Light,
    Kind::Receiver,
    Kind::Remote,
    Kind::Box,
    Kind::Software,
];

impl Kind {
    pub(crate) fn name(self) -> &'static str {
        [
            "leaky or stuck switch",
            "leak on the key board",
            "key cable: leak or bad joint",
            "leak on the main board",
            "pull-up high or open",
            "ground offset",
            "supply low",
            "light in the room",
            "infrared receiver",
            "remote with a stuck key",
            "box on HDMI",
            "the set's software",
            "sound",
        ][self as usize]
    }

    /// The location's word in the program's answer.
    pub(crate) fn location(self) -> &'static str {
        [
            "key-switch",
            "key-board",
            "key-cable",
            "main-board-input",
            "main-board-input",
            "ground-bond",
            "supply-reference",
            "infrared-ambient",
            "infrared-receiver",
            "remote",
            "cec-peer",
            "software",
            "none",
        ][self as usize]
    }

    pub(crate) fn is_electrical(self) -> bool {
        (self as usize) < Kind::Light as usize
    }
}

/// What one number describes.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Mechanism {
    Switch(usize),
    Board,
    CableLeak,
    Joint,
    Main,
    PullUp,
    Offset,
    Supply,
}

impl Mechanism {
    /// The line with this mechanism; ohms, volts for an offset, true over nominal for pull-up and supply.
    pub(crate) fn wrong(self, value: f64) -> Wrong {
        let mut wrong = Wrong::default();
        match self {
            Self::Switch(key) => wrong.switch = Some((key, value)),
            Self::Board => wrong.board_leak = value,
            Self::CableLeak => wrong.cable_leak = value,
            Self::Joint => wrong.joint = value,
            Self::Main => wrong.main_leak = value,
            Self::PullUp => wrong.pull_up = value,
            Self::Offset => wrong.offset = value,
            Self::Supply => wrong.supply = value,
        }
        wrong
    }

    /// The program's word, without a key.
    pub(crate) fn word(self) -> &'static str {
        match self {
            Self::Switch(_) => "switch-leak",
            Self::Board => "key-board-leak-to-ground",
            Self::CableLeak => "cable-leak-to-ground",
            Self::Joint => "series-resistance",
            Self::Main => "main-board-leak-to-ground",
            Self::PullUp => "pull-up-value",
            Self::Offset => "ground-offset",
            Self::Supply => "supply-or-reference",
        }
    }

    /// Kinds that readings without further steps do not part count as one.
    pub(crate) fn class(self) -> &'static str {
        match self {
            Self::Board | Self::CableLeak | Self::Main => "leak",
            other => other.word(),
        }
    }

    pub(crate) fn is_leak(self) -> bool {
        matches!(self, Self::Switch(_) | Self::Board | Self::CableLeak | Self::Main)
    }

    /// Where values of such faults lie, and whether evenly in the logarithm; `unit` is the pull-up over 10 kilohms.
    pub(crate) fn ranges(self, unit: f64) -> Vec<(f64, f64, bool)> {
        match self {
            Self::Switch(_) => vec![(1.0, 80.0, true), (1.5e3 * unit, 30e3 * unit, true)],
            Self::Board | Self::CableLeak | Self::Main => vec![(4e3 * unit, 50e3 * unit, true)],
            Self::Joint => vec![(300.0 * unit, 3e3 * unit, true)],
            Self::PullUp => vec![(1.6, 8.0, true), (10.0, 300.0, true)],
            Self::Offset => vec![(0.1, 0.9, false), (-0.9, -0.1, false)],
            Self::Supply => vec![(0.55, 0.83, false)],
        }
    }

    /// The mechanisms of a kind with their shares.
    pub(crate) fn of(kind: Kind, ladder: &Ladder) -> Vec<(Self, f64)> {
        match kind {
            Kind::Switch => {
                let keys = ladder.keys.len();
                (0..keys).map(|key| (Self::Switch(key), 1.0 / keys as f64)).collect()
            }
            Kind::Board => vec![(Self::Board, 1.0)],
            Kind::Cable => vec![(Self::CableLeak, 0.5), (Self::Joint, 0.5)],
            Kind::MainLeak => vec![(Self::Main, 1.0)],
            Kind::PullUp => vec![(Self::PullUp, 1.0)],
            Kind::Ground => vec![(Self::Offset, 1.0)],
            Kind::Supply => vec![(Self::Supply, 1.0)],
            _ => Vec::new(),
        }
    }
}

/// One electrical fault: how the line is while it shows, and at other times.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Electric {
    pub(crate) shows: Wrong,
    pub(crate) rests: Wrong,
    /// It shows all the time.
    pub(crate) steady: bool,
    pub(crate) mechanism: Mechanism,
    /// In the program's unit.
    pub(crate) value: f64,
}

/// How many times smaller a leak at rest is than one that presses a key.
pub(crate) const AT_REST: (f64, f64) = (2.0, 6.0);

/// Draws an electrical fault; its distributions are not the program's. `None` for a kind that is none.
pub(crate) fn electric(kind: Kind, ladder: &Ladder, dice: &mut Dice, steady: bool) -> Option<Electric> {
    let list = Mechanism::of(kind, ladder);
    let mechanism = list.get(dice.pick(list.len().max(1)))?.0;
    let ranges = mechanism.ranges(ladder.pull_up / 10_000.0);
    // Of two ranges either is as likely.
    let (low, high, log) = ranges[dice.pick(ranges.len())];
    let value = if log { dice.log(low, high) } else { dice.between(low, high) };
    let may_go = mechanism.is_leak() || mechanism == Mechanism::Supply;
    let steady = steady || !may_go || dice.chance(0.2);
    let shows = mechanism.wrong(value);
    let mut rests = if steady { shows } else { Wrong::default() };
    // A leak may be there at rest already, too small to press a key.
    if mechanism.is_leak() && !steady && dice.chance(0.4) {
        let small = mechanism.wrong(value * dice.between(AT_REST.0, AT_REST.1));
        if ladder.key(ladder.level(State::Rest, &small)).is_none() {
            rests = small;
        }
    }
    let value = if mechanism == Mechanism::PullUp { value * ladder.pull_up } else { value };
    Some(Electric { shows, rests, steady, mechanism, value })
}
