//! The forward solution against worked cases.
//!
//! Source of every number: node voltages printed by ngspice 39 from netlists of the sixteen cases F00 to F15
//! and the series string S00 (tests/reference/ngspice/), rounded to 0.1 mV.

use straykey::analysis::ladder::{
    Borne, Condition, Fault, FaultRange, Limits, Place, Windows, margins, tolerated, walk,
};
use straykey::base::Key;

use super::ladders::{KEYS, OHMS, conditions, faults, key, reference, series};

/// Case, then millivolts: idle, six keys, unplugged, 4.7 kΩ substituted.
pub(crate) const MILLIVOLTS: [(&str, [f64; 9]); 16] = [
    ("F00", [3300.0, 0.0, 503.4, 925.9, 1414.3, 1865.2, 2408.1, 3300.0, 1055.1]),
    ("F01", [2532.6, 0.0, 481.2, 853.4, 1251.7, 1592.5, 1972.0, 2532.6, 961.9]),
    ("F02", [2532.6, 0.0, 481.2, 853.4, 1251.7, 1592.5, 1972.0, 3300.0, 1055.1]),
    ("F03", [2025.2, 0.0, 459.3, 786.9, 1113.8, 1375.8, 1650.2, 2721.1, 987.9]),
    ("F04", [3300.0, 0.0, 761.6, 1300.0, 1833.3, 2257.9, 2700.0, 3300.0, 1449.5]),
    ("F05", [3598.2, 0.0, 644.8, 1155.4, 1713.9, 2201.7, 2756.4, 3300.0, 1055.1]),
    ("F06", [3300.0, 80.0, 571.2, 983.5, 1460.0, 1900.0, 2429.7, 3300.0, 1055.1]),
    ("F07", [3300.0, -60.0, 452.6, 882.7, 1380.0, 1839.1, 2391.9, 3300.0, 1055.1]),
    ("F08", [3300.0, 77.4, 559.1, 966.2, 1439.8, 1880.0, 2413.9, 3300.0, 1055.1]),
    ("F09", [3300.0, 83.2, 573.5, 985.1, 1461.1, 1900.6, 2430.0, 3300.0, 1055.1]),
    ("F10", [1913.4, 0.0, 503.4, 769.5, 1079.2, 1323.2, 1575.2, 3300.0, 1055.1]),
    ("F11", [3300.0, 0.0, 121.7, 252.9, 454.1, 715.0, 1204.1, 3300.0, 300.0]),
    ("F12", [3135.0, 0.0, 478.2, 879.6, 1343.6, 1772.0, 2287.7, 3135.0, 1002.3]),
    ("F13", [2321.9, 0.0, 586.9, 982.1, 1358.3, 1647.6, 1939.7, 1980.0, 869.7]),
    ("F15", [504.6, 0.0, 503.4, 362.5, 419.1, 451.5, 477.5, 3300.0, 1055.1]),
    ("F14", [2721.1, 0.0, 487.6, 873.7, 1296.1, 1665.0, 2084.5, 0.0, 0.0]),
];

/// Case, then codes in the same order.
pub(crate) const CODES: [(&str, [u32; 9]); 16] = [
    ("F00", [1023, 0, 156, 287, 438, 578, 747, 1023, 327]),
    ("F01", [785, 0, 149, 264, 388, 494, 611, 785, 298]),
    ("F02", [785, 0, 149, 264, 388, 494, 611, 1023, 327]),
    ("F03", [628, 0, 142, 244, 345, 426, 512, 844, 306]),
    ("F04", [1023, 0, 236, 403, 568, 700, 837, 1023, 449]),
    ("F05", [1023, 0, 200, 358, 531, 683, 855, 1023, 327]),
    ("F06", [1023, 24, 177, 305, 453, 589, 753, 1023, 327]),
    ("F07", [1023, 0, 140, 273, 428, 570, 742, 1023, 327]),
    ("F08", [1023, 24, 173, 299, 446, 583, 749, 1023, 327]),
    ("F09", [1023, 25, 177, 305, 453, 589, 754, 1023, 327]),
    ("F10", [593, 0, 156, 238, 334, 410, 488, 1023, 327]),
    ("F11", [1023, 0, 37, 78, 140, 221, 373, 1023, 93]),
    ("F12", [972, 0, 148, 272, 416, 549, 709, 972, 311]),
    ("F13", [720, 0, 182, 304, 421, 511, 601, 614, 269]),
    ("F15", [156, 0, 156, 112, 130, 140, 148, 1023, 327]),
    ("F14", [844, 0, 151, 271, 402, 516, 646, 0, 0]),
];

#[test]
fn worked_faults_give_the_worked_voltages_and_codes() {
    let network = reference(0.0);
    for ((case, millivolts), (_, codes)) in MILLIVOLTS.iter().zip(&CODES) {
        for ((condition, expected), code) in conditions().iter().zip(millivolts).zip(codes) {
            let volts = network.solve(condition, &faults(case)).unwrap();
            let off = volts.0 * 1e3 - expected;
            assert!(
                off.abs() < 0.06,
                "{case}, {}: {} mV against {expected}",
                condition.text(),
                volts.0 * 1e3
            );
            assert_eq!(network.code(volts), *code, "{case}, {}", condition.text());
        }
    }
}

#[test]
fn series_string_gives_the_worked_codes() {
    let network = series();
    let third = key(KEYS[2]);
    let cases: [(&[Fault], [u32; 7]); 3] = [
        (&[], [1023, 0, 156, 292, 442, 582, 741]),
        (&[Fault::LeakToGround { at: Place::MainBoard, ohm: 33e3 }], [785, 0, 149, 269, 391, 496, 607]),
        (&[Fault::SwitchLeak { key: third, ohm: 12e3 }], [630, 0, 156, 292, 413, 490, 554]),
    ];
    for (faults, codes) in cases {
        for (condition, code) in conditions().iter().zip(codes) {
            let volts = network.solve(condition, faults).unwrap();
            assert_eq!(network.code(volts), code, "{}", condition.text());
        }
    }
}

#[test]
fn two_keys_of_a_parallel_ladder_read_as_a_third() {
    // Parallel resistances by hand; codes floor(1024 R / (R + 10k)).
    let network = reference(0.0);
    let windows = Windows::of(&network);
    for (a, b, code, means) in [
        (1, 2, 112, 1),
        (1, 5, 147, 1),
        (2, 3, 209, 1),
        (2, 4, 236, 2),
        (2, 5, 260, 2),
        (3, 4, 330, 2),
        (3, 5, 378, 3),
        (4, 5, 478, 3),
    ] {
        let both = Condition::Keys(vec![key(KEYS[a]), key(KEYS[b])]);
        let got = network.code(network.solve(&both, &[]).unwrap());
        assert_eq!(got, code, "{}", both.text());
        assert_eq!(windows.key(f64::from(got)), Some(key(KEYS[means])), "{}", both.text());
    }
}

#[test]
fn windows_are_the_midpoints_of_the_nominal_codes() {
    // Edges of the reference ladder by hand: halves of 0+156, 156+287 …, 747+1023.
    let windows = Windows::of(&reference(0.0));
    let edges: Vec<f64> = windows.list().iter().skip(1).map(|w| w.low).collect();
    assert_eq!(edges, [78.0, 221.5, 362.5, 508.0, 662.5, 885.0]);
    assert_eq!(windows.key(1023.0), None);
    assert_eq!(windows.key(0.0), Some(key("KEY_POWER")));
}

#[test]
fn idle_and_unplugged_decode_as_in_the_worked_cases() {
    let windows = Windows::of(&reference(0.0));
    let expected = [
        ("F00", None, None),
        ("F01", Some(5), Some(5)),
        ("F02", Some(5), None),
        ("F03", Some(4), Some(5)),
        ("F10", Some(4), None),
        ("F12", None, None),
        ("F13", Some(5), Some(4)),
        ("F15", Some(1), None),
        ("F14", Some(5), Some(0)),
    ];
    for (case, idle, unplugged) in expected {
        let codes = CODES.iter().find(|(name, _)| *name == case).unwrap().1;
        let name = |index: Option<usize>| index.map(|i: usize| key(KEYS[i]));
        assert_eq!(windows.key(f64::from(codes[0])), name(idle), "{case} idle");
        assert_eq!(windows.key(f64::from(codes[7])), name(unplugged), "{case} unplugged");
    }
}

#[test]
fn a_growing_leak_walks_through_the_keys_at_the_resistances_of_the_divider() {
    // R = Rpu * edge / (1024 - edge) at each edge.
    let network = reference(0.0);
    let walk =
        walk(&network, &Condition::Idle, |ohm| Fault::LeakToGround { at: Place::KeyBoard, ohm }, 1e8, 1.0);
    let seen: Vec<Option<Key>> = walk.iter().map(|s| s.key).collect();
    let order: Vec<Option<Key>> =
        std::iter::once(None).chain(KEYS.iter().rev().map(|name| Some(key(name)))).collect();
    assert_eq!(seen, order);
    for (stretch, edge) in walk.iter().skip(1).zip([885.0, 662.5, 508.0, 362.5, 221.5, 78.0]) {
        let expected = 10_000.0 * edge / (1024.0 - edge);
        assert!((stretch.from / expected - 1.0).abs() < 1e-5, "{stretch:?} against {expected}");
    }
    let round = |s: &FaultRange| (s.from / 100.0).round() / 10.0;
    assert_eq!(walk.iter().skip(1).map(round).collect::<Vec<_>>(), [63.7, 18.3, 9.8, 5.5, 2.8, 0.8]);
}

#[test]
fn the_leak_that_a_window_bears_is_the_one_that_crosses_its_edge() {
    let network = reference(0.0);
    let leak = |ohm| Fault::LeakToGround { at: Place::MainBoard, ohm };
    let borne = tolerated(&network, leak, 1e8, 1.0);
    // MENU (27k) falls to code 662.5 when the parallel of 27k and the leak is 18.33k.
    let whole = 10_000.0 * 662.5 / (1024.0 - 662.5);
    let expected = 1.0 / (1.0 / whole - 1.0 / 27_000.05);
    let menu = borne[5];
    assert!((menu.at.unwrap() / expected - 1.0).abs() < 1e-5, "{menu:?} against {expected}");
    assert_eq!(menu.then, Some(key("KEY_CHANNELUP")));
    // The lowest key has no window below it.
    assert_eq!(borne[0], Borne { at: None, then: None });
}

#[test]
fn what_a_line_bears_agrees_with_the_closed_forms() {
    let limits = Limits::of(&reference(0.05), 1);
    // An offset scales 1 - x: a key at code c crosses edge e when 1 - v/3.3 = (1024 - e) / (1024 - c), c unrounded.
    let edges = [78.0, 221.5, 362.5, 508.0, 662.5, 885.0];
    for (i, ohm) in OHMS.iter().enumerate() {
        let x = (ohm + 0.05) / (ohm + 10_000.05);
        let volts = |edge: f64| 3.3 * (1.0 - (1.0 - edge / 1024.0) / (1.0 - x));
        let bears = &limits.windows[i];
        let up = volts(edges[i]);
        match bears.offset_up.at {
            Some(found) => assert!((found - up).abs() < 1e-5, "{found} against {up}"),
            None => assert!(up > 0.5, "{up} is within the range"),
        }
        match bears.offset_down.at {
            Some(found) => assert!((found - volts(edges[i - 1])).abs() < 1e-5, "{found}"),
            None => assert!(i == 0 || volts(edges[i - 1]) < -0.5),
        }
    }
    // No current flows at idle, so that an offset moves nothing.
    assert_eq!((limits.offset_up_walk.len(), limits.offset_down_walk.len()), (1, 1));
    assert_eq!(limits.windows.last().unwrap().offset_up.at, None);
    let text = limits.sentences().join("\n");
    for said in [
        "Menu from 63.7 kΩ, Channel up from 18.3 kΩ, Channel down from 9.84 kΩ, Volume up from 5.48 kΩ, \
         Volume down from 2.76 kΩ, Power from 825 Ω.",
        "A ground offset alone, up to 500 mV, is taken for no key while none is pressed.",
        "parts within 5 % at their worst; outside is the share of 2000 random sets",
    ] {
        assert!(text.contains(said), "{said} is not in\n{text}");
    }
}

#[test]
fn corners_of_the_tolerance_are_the_worked_ones() {
    // Corner codes of the reference ladder by the divider rule, 1 % and 5 %.
    for (tolerance, corners) in [
        (0.01, [(0, 0), (153, 158), (283, 291), (433, 443), (573, 583), (743, 751)]),
        (0.05, [(0, 0), (143, 169), (267, 308), (413, 464), (553, 603), (726, 766)]),
    ] {
        let margins = margins(&reference(tolerance), 500, 1);
        for (margin, (low, high)) in margins.iter().zip(corners) {
            assert_eq!((margin.low, margin.high), (low, high), "{margin:?}");
            assert_eq!(margin.outside, 0.0, "{margin:?}");
            // Edges are those of the 1 % table: midpoints of the nominal codes.
            let edges = [0.0, 78.0, 221.5, 362.5, 508.0, 662.5, 885.0];
            let i = KEYS.iter().position(|name| margin.key == Some(key(name))).unwrap();
            let above = edges[i + 1] - f64::from(high);
            let below = if i == 0 { above } else { f64::from(low) - edges[i] };
            assert_eq!(margin.margin, Some(above.min(below)), "{margin:?}");
        }
    }
    // Parts of 30 % do leave their windows, and the share says so.
    assert!(margins(&reference(0.3), 500, 1).iter().any(|m| m.margin.unwrap() < 0.0 && m.outside > 0.01));
}

#[test]
fn a_pin_that_nothing_holds_is_floating_and_not_zero() {
    let mut network = reference(0.0);
    network.pull_up_on = straykey::decode::ladder::Board::KeyBoard;
    assert_eq!(network.solve(&Condition::Unplugged, &[]), None);
    let leak = [Fault::LeakToGround { at: Place::MainBoard, ohm: 47e3 }];
    assert_eq!(network.solve(&Condition::Unplugged, &leak).unwrap().0, 0.0);
}
