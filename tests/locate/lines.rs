//! Lines of protocol files as networks.

use straykey::analysis::ladder::{Condition, Moved, Network, Windows, moves};
use straykey::decode::ladder::{Line, Windows as Table};

fn line(rule: &str) -> Line {
    let text = format!(
        r#"
name = "KEY1"
full_scale = 1023
supply_volts = 3.3
pull_up_ohm = 10000.0
{rule}
[[key]]
name = "KEY_POWER"
to_ground_ohm = 0.0
low_counts = 0.0
[[key]]
name = "KEY_VOLUMEDOWN"
to_ground_ohm = 1800.0
low_counts = 90.0
[[key]]
name = "KEY_MENU"
to_ground_ohm = 27000.0
low_counts = 600.0
"#
    );
    toml::from_str(&text).unwrap()
}

/// A line that is pulled up falls when a leak to ground grows or its supply sinks, rises again as a leak dries, and from the end
/// of the scale has nowhere to rise to. What is in series with open keys moves nothing.
#[test]
fn what_moves_a_line_at_rest() {
    let network = Network::from(&line("idle_counts = 1023.0"));
    let falls = moves(&network, Moved::By(1023.0, 983.0));
    // Of the switches' faults those that leak, of the cable's the leaks: half of the mechanisms or so.
    assert!((0.3..0.9).contains(&falls["key-switch"]) && falls["key-board"] > 0.5, "{falls:?}");
    assert!(falls["supply-reference"] > 0.5, "{falls:?}");
    let rises = moves(&network, Moved::By(940.0, 980.0));
    assert!(rises["key-board"] > 0.5, "a leak that dries: {rises:?}");
    assert!(moves(&network, Moved::By(1022.0, 1122.0)).values().all(|share| *share == 0.0));
    assert!(!falls.contains_key("software") && !falls.contains_key("none"));
}

#[test]
fn the_windows_of_a_network_are_the_decoders_windows_at_every_code() {
    for rule in [
        "window = \"midpoint\"",
        "window = \"nearest\"",
        "window = \"threshold\"\nidle_low_counts = 900.0",
        "window = \"tolerance\"\ntolerance_counts = 20.0",
        "window = \"tolerance\"\ntolerance_counts = 20.5\nidle_counts = 900.0",
        "window = \"midpoint\"\nidle_counts = 880.0",
    ] {
        let line = line(rule);
        let table = Table::new(&line).unwrap();
        let windows = Windows::of(&Network::from(&line));
        for code in 0..=1023u32 {
            // Half way between two codes "nearest" has a tie, which the decoder gives to the key and the
            // level to its upper neighbour.
            let tie = (code == 78 || code == 885) && rule.contains("nearest");
            if !tie {
                assert_eq!(windows.key(f64::from(code)), table.key(code), "{code} under {rule}");
            }
        }
        let mut before = 0.0;
        for window in windows.list() {
            assert_eq!(window.low, before, "no gaps under {rule}");
            before = window.high;
        }
        assert_eq!(before, 1024.0);
    }
}

#[test]
fn a_line_with_an_end_resistor_idles_at_its_declared_reading() {
    let network = Network::from(&line("idle_counts = 880.0"));
    let idle = network.solve(&Condition::Idle, &[]).unwrap();
    assert_eq!(network.code(idle), 880);
    // Unplugged, the resistor is away and the line reads full scale.
    assert_eq!(network.code(network.solve(&Condition::Unplugged, &[]).unwrap()), 1023);
}

#[test]
fn keys_given_by_their_counts_read_those_counts() {
    let text = r#"
name = "KEY2"
full_scale = 255
supply_volts = 5.0
[[key]]
name = "KEY_OK"
counts = 40.0
[[key]]
name = "KEY_EXIT"
counts = 130.0
"#;
    let network = Network::from(&toml::from_str::<Line>(text).unwrap());
    assert!(network.pull_up_assumed);
    for (key, counts) in network.keys.iter().zip([40, 130]) {
        assert_eq!(network.code(network.solve(&Condition::Key(key.key), &[]).unwrap()), counts);
    }
}
