//! The simulated set: its circuit against a circuit simulator, its story against its own known truth.

#![allow(clippy::unwrap_used)] // helpers of tests are not seen as tests by the lint

use std::io::Read as _;

use straykey::base::{Key, Nanoseconds};
use straykey::simulator::circuit::Instant;
use straykey::simulator::keypad::Action;
use straykey::simulator::{Connection, Faults, Ladder, Leak, Place, SimulatedSet, Style, Terminal};

const NAMES: [&str; 6] =
    ["KEY_POWER", "KEY_VOLUMEDOWN", "KEY_VOLUMEUP", "KEY_CHANNELDOWN", "KEY_CHANNELUP", "KEY_MENU"];

fn key(name: &str) -> Key {
    Key::from_name(name).unwrap()
}

fn minutes(n: i64) -> Nanoseconds {
    Nanoseconds(n * 60 * Nanoseconds::SECOND.0)
}

fn set(faults: Faults) -> SimulatedSet {
    SimulatedSet::new(Style::Alder, faults, 1)
}

/// Node voltages in millivolts at idle and with each key of the ladder down.
fn millivolts(faults: &Faults, main_leak_ohm: Option<f64>, board_leak_ohm: Option<f64>) -> Vec<f64> {
    let set = set(Faults::default());
    let ladder: &Ladder = set.ladders()[0];
    let volts = |pressed: &[Key]| {
        let now = Instant {
            main_board: main_leak_ohm.map_or(0.0, |ohm| 1.0 / ohm),
            key_board: board_leak_ohm.map_or(0.0, |ohm| 1.0 / ohm),
            pressed,
            ..Instant::default()
        };
        1e3 * ladder.volts(faults, &now)
    };
    let mut row = vec![volts(&[])];
    row.extend(NAMES.iter().map(|name| volts(&[key(name)])));
    row
}

/// Source of the numbers: operating points of the same circuits by ngspice 39 (a general-purpose circuit
/// simulator), three places of a millivolt's tenth, switch closed with 0.05 ohm, pull-up 10 kohm to 3.3 V.
#[test]
fn keypad_voltages_are_those_of_a_circuit_simulator() {
    let sound = Faults::default();
    let rows = [
        (millivolts(&sound, None, None), [3300.0, 0.0, 503.4, 925.9, 1414.3, 1865.2, 2408.1]),
        (millivolts(&sound, Some(33e3), None), [2532.6, 0.0, 481.2, 853.4, 1251.7, 1592.5, 1972.0]),
        (millivolts(&sound, Some(47e3), Some(24e3)), [2025.2, 0.0, 459.3, 786.9, 1113.8, 1375.8, 1650.2]),
        (
            millivolts(&Faults { ground_offset_volts: 0.08, ..sound.clone() }, None, None),
            [3300.0, 80.0, 571.2, 983.5, 1460.0, 1900.0, 2429.7],
        ),
        (
            millivolts(&Faults { cable_ohm: 240.0, ..sound.clone() }, None, None),
            [3300.0, 77.4, 559.1, 966.2, 1439.8, 1880.0, 2413.9],
        ),
    ];
    for (ours, theirs) in rows {
        for (a, b) in ours.iter().zip(theirs) {
            // Half a unit of the last place printed, and 0.05 ohm at the 0 ohm key.
            assert!((a - b).abs() < 0.07, "{ours:?} is not {theirs:?}");
        }
    }
    let unplugged = Faults { connection: Connection::Unplugged, ..sound };
    assert!((millivolts(&unplugged, Some(47e3), Some(24e3))[0] - 2721.1).abs() < 0.07);
}

/// By hand, the divider rule: 3.3 V * 5.1 / 15.1 = 1114.570 mV while the leak hangs on the pull-up, else 3300 mV.
#[test]
fn a_leak_in_the_cable_goes_with_the_end_that_is_on_the_main_board() {
    let ladder = set(Faults::default()).ladders()[1].clone();
    let volts =
        |connection, now: Instant<'_>| 1e3 * ladder.volts(&Faults { connection, ..Faults::default() }, &now);
    let cable = || Instant { cable: 1.0 / 5_100.0, ..Instant::default() };
    let board = || Instant { key_board: 1.0 / 5_100.0, ..Instant::default() };
    for (connection, in_cable, on_board) in [
        (Connection::Plugged, 1114.570, 1114.570),
        (Connection::CableOnly, 1114.570, 3300.0),
        (Connection::Unplugged, 3300.0, 3300.0),
    ] {
        assert!((volts(connection, cable()) - in_cable).abs() < 0.001, "{connection:?}");
        assert!((volts(connection, board()) - on_board).abs() < 0.001, "{connection:?}");
    }
}

/// Source of the numbers: ngspice 39 on a chain of 0, 1.8, 2.2, 3.6, 5.6 and 13 kohm below a 10 kohm pull-up to
/// 3.3 V; sound, and with a main-board leak of 33 kohm.
#[test]
fn a_chain_of_resistors_is_solved_as_by_a_circuit_simulator() {
    let ohms = [0.0, 1_800.0, 4_000.0, 7_600.0, 13_200.0, 26_200.0];
    let ladder = Ladder {
        name: "KEY1",
        supply_volts: 3.3,
        pull_up_ohm: 10_000.0,
        full_scale: 1023,
        keys: NAMES.iter().map(|name| key(name)).zip(ohms).collect(),
        chain: true,
    };
    for (main_board, theirs) in [
        (0.0, [3300.0, 0.0, 503.4, 942.9, 1425.0, 1877.6, 2388.4]),
        (1.0 / 33e3, [2532.6, 0.0, 481.2, 867.7, 1260.1, 1601.5, 1958.8]),
    ] {
        let volts = |pressed: &[Key]| {
            ladder.volts(&Faults::default(), &Instant { main_board, pressed, ..Instant::default() })
        };
        let ours: Vec<f64> = std::iter::once(volts(&[]))
            .chain(NAMES.iter().map(|name| volts(&[key(name)])))
            .map(|v| 1e3 * v)
            .collect();
        for (a, b) in ours.iter().zip(theirs) {
            assert!((a - b).abs() < 0.07, "{ours:?} is not {theirs:?}");
        }
    }
}

/// Borders by hand: halfway between the nominal readings 0, 156, 287, 438, 578, 747 and full scale 1023.
#[test]
fn firmware_windows_have_their_borders_halfway() {
    let set = set(Faults::default());
    let ladder = set.ladders()[0];
    for (below, above, lower, upper) in [
        (77, 78, Some("KEY_POWER"), Some("KEY_VOLUMEDOWN")),
        (221, 222, Some("KEY_VOLUMEDOWN"), Some("KEY_VOLUMEUP")),
        (362, 363, Some("KEY_VOLUMEUP"), Some("KEY_CHANNELDOWN")),
        (507, 508, Some("KEY_CHANNELDOWN"), Some("KEY_CHANNELUP")),
        (662, 663, Some("KEY_CHANNELUP"), Some("KEY_MENU")),
        (884, 885, Some("KEY_MENU"), None),
    ] {
        assert_eq!(ladder.key_at(below), lower.map(key), "{below}");
        assert_eq!(ladder.key_at(above), upper.map(key), "{above}");
    }
}

#[test]
fn a_sound_set_registers_nothing_in_an_hour() {
    let mut set = set(Faults::default());
    set.advance(minutes(60));
    assert_eq!(set.registered(), []);
}

#[test]
fn each_key_registers_as_itself_and_is_let_go() {
    let mut set = set(Faults::default());
    set.advance(minutes(1));
    for name in NAMES.into_iter().chain(["KEY_OK", "KEY_VIDEO"]) {
        let before = set.registered().len();
        set.press(key(name), Nanoseconds::from_millis(200), Nanoseconds::from_millis(300));
        set.advance(Nanoseconds::SECOND);
        let seen: Vec<_> = set.registered()[before..].iter().map(|r| r.action).collect();
        assert_eq!(seen, [Action::Press(key(name)), Action::Release(key(name))], "{name}");
        assert!(set.registered()[before].by_hand);
    }
}

#[test]
fn a_held_key_repeats_after_half_a_second_ten_times_a_second() {
    let mut set = set(Faults::default());
    set.advance(minutes(1));
    set.press(key("KEY_VOLUMEUP"), Nanoseconds::ZERO, Nanoseconds::from_millis(1650));
    set.advance(Nanoseconds(3_000_000_000));
    let repeats = set.registered().iter().filter(|r| matches!(r.action, Action::Repeat(_))).count();
    // Down after two scans (0.05 to 0.10 s), first repeat 0.5 s later, then every 0.1 s until 1.65 s.
    assert!((9..=11).contains(&repeats), "{repeats}");
    let text = String::from_utf8(set.advance(Nanoseconds::SECOND)).unwrap();
    assert!(text.contains("keyscan: line=KEY1 adc=0x3f"), "{text}");
}

#[test]
fn the_menu_answers_a_key_and_closes_by_itself() {
    let mut set = set(Faults::default());
    set.advance(minutes(1));
    set.press(key("KEY_MENU"), Nanoseconds::ZERO, Nanoseconds::from_millis(200));
    set.press(key("KEY_VOLUMEUP"), Nanoseconds::from_millis(1000), Nanoseconds::from_millis(200));
    let text = String::from_utf8(set.advance(Nanoseconds(70_000_000_000))).unwrap();
    let menu: Vec<&str> = text.lines().filter_map(|line| line.split_once("osd: ")).map(|(_, m)| m).collect();
    assert_eq!(menu, ["show picture", "set item=brightness value=51", "hide"]);
}

#[test]
fn banner_and_sources_are_shown_and_close_by_themselves() {
    let mut set = set(Faults::default());
    set.advance(minutes(1));
    set.remote(0x35, 0x0f, Nanoseconds::ZERO, Nanoseconds::from_millis(300));
    set.press(key("KEY_VIDEO"), Nanoseconds::from_millis(6000), Nanoseconds::from_millis(200));
    set.press(key("KEY_VIDEO"), Nanoseconds::from_millis(7000), Nanoseconds::from_millis(900));
    set.press(key("KEY_VIDEO"), Nanoseconds::from_millis(18_000), Nanoseconds::from_millis(200));
    let text = String::from_utf8(set.advance(Nanoseconds(20_000_000_000))).unwrap();
    let said = |word: &str| -> Vec<&str> {
        text.lines().filter_map(|line| line.split_once(word)).map(|(_, rest)| rest).collect()
    };
    assert_eq!(said("osd: "), ["show banner", "show sources", "set item=input value=hdmi1", "show sources"]);
    assert_eq!(
        said("irrx: "),
        ["from=0x35 code=0x0f new", "from=0x35 code=0x0f again", "from=0x35 code=0x0f again"]
    );
}

#[test]
fn nothing_reaches_a_covered_receiver() {
    let mut set = set(Faults { receiver_covered: true, ..Faults::default() });
    set.advance(minutes(1));
    set.remote(0x35, 0x0f, Nanoseconds::ZERO, Nanoseconds::from_millis(300));
    let text = String::from_utf8(set.advance(Nanoseconds(2_000_000_000))).unwrap();
    assert!(!text.contains("irrx") && !text.contains("osd"), "{text}");
    assert_eq!(set.registered(), []);
}

#[test]
fn standby_ignores_all_keys_but_power() {
    let mut set = set(Faults::default());
    set.advance(minutes(1));
    for (name, at) in [("KEY_POWER", 0), ("KEY_VOLUMEUP", 1000), ("KEY_POWER", 2000)] {
        set.press(key(name), Nanoseconds::from_millis(at), Nanoseconds::from_millis(200));
    }
    let text = String::from_utf8(set.advance(Nanoseconds(4_000_000_000))).unwrap();
    let said: Vec<&str> = text
        .lines()
        .filter_map(|line| line.split_once("] ").map(|(_, l)| l))
        .filter(|line| line.starts_with("power") || line.starts_with("osd"))
        .collect();
    assert_eq!(said, ["power: state=standby", "power: state=on"]);
}

#[test]
fn equal_seeds_give_equal_bytes_however_the_time_is_divided() {
    let faults = Faults { leak: Some(Leak::intermittent(Place::KeyBoard, 0, 3_300.0)), ..Faults::default() };
    let mut whole = set(faults.clone());
    let expected = whole.advance(minutes(2));
    let mut pieces = set(faults.clone());
    let mut bytes = Vec::new();
    while pieces.uptime() < minutes(2) {
        bytes.extend(pieces.advance(Nanoseconds(37_123_457).min(minutes(2) - pieces.uptime())));
    }
    assert!(bytes.starts_with(&expected[..expected.len() - 200]));
    let mut other = SimulatedSet::new(Style::Alder, faults, 2);
    assert_ne!(other.advance(minutes(2)), expected);
}

#[test]
fn birch_names_keys_infrared_and_cec_and_never_a_release() {
    let mut set = SimulatedSet::new(Style::Birch, Faults::default(), 1);
    set.advance(minutes(1));
    set.press(key("KEY_VOLUMEUP"), Nanoseconds::ZERO, Nanoseconds::from_millis(300));
    set.remote(0x35, 0x12, Nanoseconds::SECOND, Nanoseconds::from_millis(200));
    set.cec(&[0x04, 0x44, 0x41], Nanoseconds(2_000_000_000));
    let text = String::from_utf8(set.advance(Nanoseconds(2_500_000_000))).unwrap();
    let said: Vec<&str> = text
        .lines()
        .filter_map(|line| line.split_once("] ").map(|(_, l)| l))
        .filter(|line| !line.starts_with("tuner") && !line.starts_with("backlight"))
        .collect();
    assert_eq!(
        said,
        [
            "keypad: key VOL+",
            "menu: Sound/Volume = 13",
            "ir: addr=35 cmd=12 rpt=0",
            "menu: Tuner/Channel = 8",
            "ir: addr=35 cmd=12 rpt=1",
            "cec: rx 04 44 41",
        ],
        "{text}"
    );
    assert!(text.starts_with("[   60.0"), "{text}");
}

#[test]
fn rowan_prints_numbers_alone() {
    let mut set = SimulatedSet::new(Style::Rowan, Faults::default(), 1);
    set.advance(minutes(1));
    set.press(key("KEY_VOLUMEUP"), Nanoseconds::ZERO, Nanoseconds::from_millis(300));
    let text = String::from_utf8(set.advance(Nanoseconds::SECOND)).unwrap();
    assert!(text.bytes().all(|b| b.is_ascii_digit() || matches!(b, b' ' | b'=' | b'\n')), "{text}");
    // 2.5 kohm below 4.7 kohm at 8 bit: 256 * 2500 / 7200 = 88.9.
    assert!(text.contains("\n088 255\n") || text.contains("\n089 255\n"), "{text}");
    assert!(text.contains("\n07=13\n"), "{text}");
}

#[test]
fn bytes_cross_the_pseudo_terminal_unchanged() {
    let mut terminal = Terminal::open().unwrap();
    let mut reader = std::fs::File::open(terminal.path()).unwrap();
    let mut sent: Vec<u8> = (0..=255).collect();
    sent.extend(set(Faults::default()).advance(minutes(1)));
    let expected = sent.clone();
    let thread = std::thread::spawn(move || {
        let mut got = vec![0; expected.len()];
        reader.read_exact(&mut got).unwrap();
        assert!(got == expected);
    });
    terminal.send(&sent).unwrap();
    thread.join().unwrap();
}
