//! Text logs: the set's lines as a terminal saved them, and the text of Linux tools.

use std::fmt::Write as _;

use straykey::base::{Anchor, Key, Nanoseconds};
use straykey::simulator::keypad::Action;
use straykey::simulator::set::REMOTE_ADDRESS;
use straykey::simulator::{Faults, Leak, Place, Random, SimulatedSet, Style};

use super::Sample;

/// Bytes that the set printed in one step of 10 ms, with the time of the step.
pub(super) type Printed = Vec<(Nanoseconds, Vec<u8>)>;

const STEP: Nanoseconds = Nanoseconds::from_millis(10);

/// Lets the set run for so many seconds.
pub(super) fn run(set: &mut SimulatedSet, seconds: i64) -> Printed {
    let end = set.uptime() + Nanoseconds(seconds * Nanoseconds::SECOND.0);
    let mut printed = Vec::new();
    while set.uptime() < end {
        let bytes = set.advance(STEP);
        if !bytes.is_empty() {
            printed.push((set.uptime(), bytes));
        }
    }
    printed
}

/// A leak that closes often, so that a short file shows some strays.
pub(super) fn leaky() -> Faults {
    let leak = Leak { ease: 0.5, ..Leak::intermittent(Place::Cable, 0, 3_600.0) };
    Faults { leak: Some(leak), ..Faults::default() }
}

pub(super) fn press(set: &mut SimulatedSet, name: &str, after_ms: i64, hold_ms: i64) {
    if let Some(key) = Key::from_name(name) {
        set.press(key, Nanoseconds::from_millis(after_ms), Nanoseconds::from_millis(hold_ms));
    }
}

/// Keys of the set, of the remote control and of another box.
pub(super) fn busy_birch() -> SimulatedSet {
    let mut set = SimulatedSet::new(Style::Birch, leaky(), 12);
    press(&mut set, "KEY_VOLUMEUP", 3_000, 1_400);
    press(&mut set, "KEY_MENU", 6_000, 200);
    set.remote(REMOTE_ADDRESS, 0x12, Nanoseconds::from_millis(9_000), Nanoseconds::from_millis(60));
    set.remote(REMOTE_ADDRESS, 0x1a, Nanoseconds::from_millis(10_500), Nanoseconds::from_millis(500));
    set.cec(&[0x05, 0x44, 0x41], Nanoseconds::from_millis(12_000));
    set.cec(&[0x05, 0x45], Nanoseconds::from_millis(12_150));
    set
}

fn joined(printed: &Printed) -> Vec<u8> {
    printed.iter().flat_map(|(_, bytes)| bytes.iter().copied()).collect()
}

/// CRLF to LF.
fn unix(bytes: Vec<u8>) -> Vec<u8> {
    bytes.into_iter().filter(|byte| *byte != b'\r').collect()
}

/// Each line with a host's stamp before it. The host sees a line up to 16 ms late, as lumps from a USB adapter.
fn stamped(printed: &Printed, seed: u64, stamp: impl Fn(Nanoseconds) -> String) -> Vec<u8> {
    let mut random = Random::new(seed, 9);
    let mut out = Vec::new();
    for (t, bytes) in printed {
        let delay = Nanoseconds::from_millis(i64::from(random.below(16)));
        for line in bytes.split_inclusive(|byte| *byte == b'\n') {
            out.extend_from_slice(stamp(*t + delay).as_bytes());
            out.extend_from_slice(line);
        }
    }
    out
}

/// `2026-03-14T09:15:00.123Z `, counted from 09:15 on that day.
fn iso(t: Nanoseconds) -> String {
    let anchor = Anchor { unix_ns: 1_773_479_700_000_000_000 };
    let millis = t.0 / 1_000_000;
    let whole = anchor.wall(Nanoseconds(millis / 1000 * 1_000_000_000)).unwrap_or_default();
    format!("{} ", whole.replace('Z', &format!(".{:03}Z", millis % 1000)))
}

fn clock(t: Nanoseconds) -> String {
    let millis = t.0 / 1_000_000 + 9 * 3_600_000 + 15 * 60_000;
    format!(
        "{:02}:{:02}:{:02}.{:03} ",
        millis / 3_600_000,
        millis / 60_000 % 60,
        millis / 1000 % 60,
        millis % 1000
    )
}

fn seconds(t: Nanoseconds) -> String {
    format!("{:.6} ", t.seconds() + 5_000.0)
}

pub(super) fn samples() -> Vec<Sample> {
    let log = |folder, file, chassis, bytes, made| Sample {
        folder,
        file,
        bytes,
        made,
        chassis: Some(chassis),
        wire: &[],
        rate_hz: None,
    };
    let mut set = SimulatedSet::new(Style::Alder, leaky(), 11);
    let printed = run(&mut set, 30);
    let mut damaged = unix(joined(&printed));
    damage(&mut damaged);
    let mut all = vec![
        log(
            "alder",
            "plain-lf.log",
            "alder",
            damaged,
            "30 s of the set's own lines, LF, no host stamps; a leak presses keys; bytes that are no UTF-8 near \
             the beginning, one line damaged, the last line cut short",
        ),
        log(
            "alder",
            "stamped-iso-crlf.log",
            "alder",
            stamped(&printed, 11, iso),
            "the same 30 s, CRLF, each line with an ISO 8601 host stamp, up to 16 ms late as from a USB adapter",
        ),
    ];
    let printed = run(&mut busy_birch(), 20);
    let made_birch = "20 s: a leak, two keys by hand, two remote-control keys, one CEC key; LF";
    all.push(log("birch", "plain-lf.log", "birch", joined(&printed), made_birch));
    all.push(log(
        "birch",
        "stamped-clock.log",
        "birch",
        stamped(&printed, 12, clock),
        "the same 20 s, each line with a clock-time host stamp",
    ));
    all.push(log(
        "birch",
        "stamped-seconds.log",
        "birch",
        stamped(&printed, 13, seconds),
        "the same 20 s, each line with a host stamp in decimal seconds",
    ));
    let mut set = SimulatedSet::new(Style::Rowan, leaky(), 14);
    press(&mut set, "KEY_MENU", 4_000, 300);
    press(&mut set, "KEY_VOLUMEUP", 6_000, 1_200);
    all.push(log(
        "rowan",
        "numbers.log",
        "rowan",
        joined(&run(&mut set, 20)),
        "20 s of a set that prints numbers only, no stamps at all; a leak, two keys by hand",
    ));
    all.extend(linux());
    all
}

/// What a saved log has besides lines: a burst of noise from power-on, a damaged line, an end in mid-line.
fn damage(bytes: &mut Vec<u8>) {
    bytes.splice(0..0, [0x00, 0xfc, 0x00, 0x80, 0xf8, b'\n']);
    if let Some(byte) = bytes.get_mut(4_321) {
        *byte = 0xb7;
    }
    bytes.truncate(bytes.len().saturating_sub(17));
}

/// The keys of one alder set as the tools of Linux would print them.
///
/// Shapes: public source of getevent (type padded to 12, code and value to 20), evtest 1.35 format strings.
fn linux() -> [Sample; 2] {
    let mut set = SimulatedSet::new(Style::Alder, leaky(), 15);
    press(&mut set, "KEY_VOLUMEDOWN", 5_000, 1_000);
    run(&mut set, 60);
    let (mut getevent, mut evtest) = (String::from("add device 1: /dev/input/event0\n"), String::new());
    for registered in set.registered() {
        let (word, value) = match registered.action {
            Action::Press(_) => ("DOWN", 1),
            Action::Release(_) => ("UP", 0),
            Action::Repeat(_) => ("REPEAT", 2),
        };
        let key = registered.action.key();
        let micros = registered.at.0 / 1000;
        let (s, us) = (micros / 1_000_000, micros % 1_000_000);
        let _ = writeln!(getevent, "[{s:8}.{us:06}] {:<12} {:<20} {word:<20}", "EV_KEY", key.name());
        let _ =
            writeln!(getevent, "[{s:8}.{us:06}] {:<12} {:<20} {:<20}", "EV_SYN", "SYN_REPORT", "00000000");
        let time = format!("Event: time {}.{us:06},", 1_773_479_700 + s);
        let _ =
            writeln!(evtest, "{time} type 1 (EV_KEY), code {} ({}), value {value}", key.code(), key.name());
        let _ = writeln!(evtest, "{time} -------------- SYN_REPORT ------------");
    }
    let sample = |file, text: String, made| Sample {
        folder: "linux-input",
        file,
        bytes: text.into_bytes(),
        made,
        chassis: Some("linux-input"),
        wire: &[],
        rate_hz: None,
    };
    [
        sample(
            "getevent.log",
            getevent,
            "keys that a leak pressed in 60 s, and one held by hand, in the shape of `getevent -lt`",
        ),
        sample("evtest.log", evtest, "the same keys in the shape of `evtest`, wall-clock stamps"),
    ]
}
