//! The forward solution against ngspice, a general circuit simulator (Debian package `ngspice`), which solves
//! the same circuits written part by part, without any of our simplifications.

use std::fmt::Write as _;
use std::process::Command;

use rand_pcg::Pcg64;
use rand_pcg::rand_core::Rng;
use straykey::analysis::ladder::{Condition, Fault, Network, Place, fit};
use straykey::decode::ladder::{Board, Topology};

use crate::cases::MILLIVOLTS;
use crate::ladders::{KEYS, conditions, faults, key, readings, reference, series};
use crate::support::ladder::ladder;

/// Runs ngspice on a netlist and gives what it prints.
fn ngspice(netlist: &str) -> String {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("circuit.cir");
    std::fs::write(&path, netlist).unwrap();
    let output =
        Command::new("ngspice").arg("-b").arg(&path).output().expect(
            "ngspice is needed by this test and was not found; install it with: apt-get install ngspice",
        );
    String::from_utf8_lossy(&output.stdout).into_owned()
}

/// One circuit: a network with faults in one condition.
struct Circuit {
    network: Network,
    faults: Vec<Fault>,
    condition: Condition,
}

/// Writes every part of a circuit with names that end in `n`; the pin is node `pN`.
fn write_parts(out: &mut String, n: usize, c: &Circuit) {
    let net = &c.network;
    let mut part = 0;
    let mut resistor = |out: &mut String, a: &str, b: &str, ohm: f64| {
        part += 1;
        writeln!(out, "R{n}_{part} {a} {b} {ohm:.17e}").unwrap();
    };
    let (line, board, ret, pin) = (format!("l{n}"), format!("k{n}"), format!("g{n}"), format!("p{n}"));
    let mut supply = net.supply_volts;
    let mut pull = (net.pull_up_ohm, net.pull_up_on);
    let (mut series, mut back, mut offset, mut load) = (net.series_ohm, net.return_ohm, 0.0, 0.0);
    for fault in &c.faults {
        match *fault {
            Fault::Supply { factor } => supply *= factor,
            Fault::PullUp { ohm } => pull.0 = ohm,
            Fault::PullUpOnKeyBoard { ohm } => pull = (ohm, Board::KeyBoard),
            Fault::Series { ohm } => series += ohm,
            Fault::Return { ohm, ampere } => (back, load) = (back + ohm, load + ampere),
            Fault::GroundOffset { volts } => offset += volts,
            _ => {}
        }
    }
    let plugged = matches!(c.condition, Condition::Idle | Condition::Key(_) | Condition::Keys(_));
    writeln!(out, "Vs{n} s{n} 0 {supply:.17e}\nVo{n} o{n} 0 {offset:.17e}").unwrap();
    let home = if pull.1 == Board::MainBoard { &line } else { &board };
    if plugged || pull.1 == Board::MainBoard {
        resistor(out, &format!("s{n}"), home, pull.0);
    }
    resistor(out, &line, &pin, net.pin_ohm.max(1e-3));
    if net.input_ohm.is_finite() {
        resistor(out, &pin, "0", net.input_ohm);
    }
    // A voltmeter of an exaohm gives the pin a path where it would have none.
    resistor(out, &pin, "0", 1e18);
    for (i, fault) in c.faults.iter().enumerate() {
        let (at, to, ohm) = match *fault {
            Fault::LeakToGround { at, ohm } => (at, None, ohm),
            Fault::LeakToSupply { at, ohm, volts } => (at, Some(volts.unwrap_or(supply)), ohm),
            Fault::PinLeak { ohm } => {
                resistor(out, &pin, "0", ohm);
                continue;
            }
            _ => continue,
        };
        let node = match at {
            Place::MainBoard => &line,
            Place::Cable if plugged || c.condition == Condition::CableOnly => &line,
            Place::KeyBoard if plugged => &board,
            _ => continue,
        };
        let far = match to {
            Some(volts) => {
                writeln!(out, "Vl{n}_{i} v{n}_{i} 0 {volts:.17e}").unwrap();
                format!("v{n}_{i}")
            }
            None if at == Place::KeyBoard => ret.clone(),
            None => "0".into(),
        };
        resistor(out, node, &far, ohm);
    }
    if let Condition::Substituted(ohm) = c.condition {
        resistor(out, &line, "0", ohm);
    }
    if !plugged {
        return;
    }
    resistor(out, &line, &board, series);
    resistor(out, &ret, &format!("o{n}"), back);
    writeln!(out, "Il{n} 0 {ret} {load:.17e}").unwrap();
    if let Some(ohm) = net.end_of_line_ohm {
        resistor(out, &board, &ret, ohm);
    }
    let mut before = board.clone();
    for (i, k) in net.keys.iter().enumerate() {
        let tap = format!("t{n}_{i}");
        let from = if net.topology == Topology::Series { before.clone() } else { board.clone() };
        // A zero resistor would be an infinite conductance to the simulator; both are given a milliohm.
        resistor(out, &from, &tap, k.ohm);
        let mut contact = net.closed_ohm;
        for fault in &c.faults {
            match *fault {
                Fault::SwitchLeak { key, ohm } if key == k.key => resistor(out, &tap, &ret, ohm),
                Fault::Contact { key, ohm } if key == k.key => contact += ohm,
                _ => {}
            }
        }
        let down = match &c.condition {
            Condition::Key(key) => *key == k.key,
            Condition::Keys(keys) => keys.contains(&k.key),
            _ => false,
        };
        if down {
            resistor(out, &tap, &ret, contact);
        }
        before = tap;
    }
}

/// Pin voltages of all circuits from one ngspice run.
fn simulate(circuits: &[Circuit]) -> Vec<f64> {
    let mut netlist = String::from("* ladders with faults\n");
    for (n, circuit) in circuits.iter().enumerate() {
        write_parts(&mut netlist, n, circuit);
    }
    netlist.push_str(".options gmin=1e-30 rshunt=0\n.control\nset numdgt=15\nop\n");
    for n in 0..circuits.len() {
        writeln!(netlist, "print v(p{n})").unwrap();
    }
    netlist.push_str("quit\n.endc\n.end\n");
    let text = ngspice(&netlist);
    let mut volts = vec![f64::NAN; circuits.len()];
    for line in text.lines() {
        if let Some((name, value)) = line.split_once(" = ")
            && let Some(n) = name.trim().strip_prefix("v(p").and_then(|s| s.strip_suffix(')'))
        {
            volts[n.parse::<usize>().unwrap()] = value.trim().parse().unwrap();
        }
    }
    assert!(volts.iter().all(|v| v.is_finite()), "ngspice gave no result:\n{text}");
    volts
}

fn unit(random: &mut Pcg64) -> f64 {
    (random.next_u64() >> 11) as f64 / (1u64 << 53) as f64
}

fn between(random: &mut Pcg64, low: f64, high: f64) -> f64 {
    (low.ln() + (high / low).ln() * unit(random)).exp()
}

fn pick(random: &mut Pcg64, count: usize) -> usize {
    (unit(random) * count as f64) as usize
}

fn random_network(random: &mut Pcg64) -> Network {
    let count = 2 + pick(random, 5);
    let mut ohms: Vec<f64> = (0..count).map(|_| between(random, 50.0, 47e3)).collect();
    ohms[0] = 1e-3;
    let topology = if pick(random, 2) == 0 { Topology::Parallel } else { Topology::Series };
    if topology == Topology::Parallel {
        ohms.sort_by(f64::total_cmp);
    }
    let mut network = ladder(&ohms, topology, 0.0);
    network.supply_volts = 1.8 + 3.2 * unit(random);
    network.pull_up_ohm = between(random, 1e3, 200e3);
    network.input_ohm = if pick(random, 2) == 0 { f64::INFINITY } else { between(random, 1e6, 50e6) };
    network.pin_ohm = if pick(random, 2) == 0 { 1e-3 } else { between(random, 100.0, 10e3) };
    network.end_of_line_ohm = (pick(random, 5) == 0).then(|| between(random, 10e3, 100e3));
    network.series_ohm = 1e-3;
    network.return_ohm = 1e-3;
    if pick(random, 6) == 0 {
        network.pull_up_on = Board::KeyBoard;
    }
    network
}

fn random_fault(random: &mut Pcg64, network: &Network) -> Fault {
    let at = [Place::MainBoard, Place::Cable, Place::KeyBoard][pick(random, 3)];
    let some_key = network.keys[pick(random, network.keys.len())].key;
    let leak = between(random, 10.0, 10e6);
    match pick(random, 11) {
        0 | 1 => Fault::LeakToGround { at, ohm: leak },
        2 => Fault::LeakToSupply { at, ohm: leak, volts: None },
        3 => Fault::LeakToSupply { at, ohm: leak, volts: Some(5.0) },
        4 => Fault::PinLeak { ohm: leak },
        5 => Fault::Series { ohm: between(random, 0.1, 5e3) },
        6 => Fault::Return { ohm: between(random, 0.1, 100.0), ampere: 0.02 * unit(random) },
        7 => Fault::GroundOffset { volts: 0.4 * (unit(random) - 0.5) },
        8 => Fault::SwitchLeak { key: some_key, ohm: leak },
        9 => Fault::Contact { key: some_key, ohm: between(random, 1.0, 10e3) },
        _ => Fault::Supply { factor: 0.8 + 0.4 * unit(random) },
    }
}

fn random_condition(random: &mut Pcg64, network: &Network) -> Condition {
    let some = |random: &mut Pcg64| network.keys[pick(random, network.keys.len())].key;
    match pick(random, 7) {
        0 => Condition::Idle,
        1 | 2 => Condition::Key(some(random)),
        3 => Condition::Keys(vec![some(random), some(random)]),
        4 => Condition::Unplugged,
        5 => Condition::CableOnly,
        _ => Condition::Substituted(between(random, 100.0, 47e3)),
    }
}

#[test]
fn six_hundred_random_ladders_with_faults_agree_with_ngspice_to_a_millionth() {
    let mut random = Pcg64::new(20_260_101, 3);
    let mut circuits = Vec::new();
    while circuits.len() < 600 {
        let network = random_network(&mut random);
        let count = pick(&mut random, 4);
        let faults: Vec<Fault> = (0..count).map(|_| random_fault(&mut random, &network)).collect();
        let condition = random_condition(&mut random, &network);
        if network.solve(&condition, &faults).is_some() {
            circuits.push(Circuit { network, faults, condition });
        }
    }
    let mut worst = 0.0f64;
    for (circuit, expected) in circuits.iter().zip(simulate(&circuits)) {
        let got = circuit.network.solve(&circuit.condition, &circuit.faults).unwrap().0;
        // A volt's millionth of a millionth is below what the simulator's own sums keep.
        let off = (got - expected).abs() / expected.abs().max(1e-6);
        worst = worst.max(off);
        assert!(
            off < 1e-6,
            "{got} against {expected}: {:?} {:?} {:?}",
            circuit.condition,
            circuit.faults,
            circuit.network
        );
    }
    println!("worst relative difference {worst:e}");
}

#[test]
fn the_worked_cases_are_what_ngspice_gives() {
    let mut network = reference(0.0);
    (network.series_ohm, network.return_ohm) = (1e-3, 1e-3);
    network.keys[0].ohm = 1e-3;
    let mut circuits = Vec::new();
    for (case, _) in &MILLIVOLTS {
        for condition in conditions() {
            circuits.push(Circuit { network: network.clone(), faults: faults(case), condition });
        }
    }
    let mut string = series();
    (string.series_ohm, string.return_ohm) = (1e-3, 1e-3);
    string.keys[0].ohm = 1e-3;
    let leak = Fault::LeakToGround { at: Place::MainBoard, ohm: 33e3 };
    let third = Fault::SwitchLeak { key: key(KEYS[2]), ohm: 12e3 };
    for faults in [vec![], vec![leak], vec![third]] {
        for condition in conditions() {
            circuits.push(Circuit { network: string.clone(), faults: faults.clone(), condition });
        }
    }
    let simulated = simulate(&circuits);
    for (circuit, expected) in circuits.iter().zip(&simulated) {
        let got = circuit.network.solve(&circuit.condition, &circuit.faults).unwrap().0;
        assert!((got - expected).abs() < 3e-6, "{got} against {expected}: {:?}", circuit.faults);
    }
    // And the simulator agrees with the table that the other tests read.
    for ((_, millivolts), nine) in MILLIVOLTS.iter().zip(simulated.chunks(9)) {
        for (expected, got) in millivolts.iter().zip(nine) {
            assert!((expected - got * 1e3).abs() < 0.06, "{expected} against {}", got * 1e3);
        }
    }
}

#[test]
fn hundred_hertz_ripple_scanned_every_ten_milliseconds_looks_like_an_offset_and_a_second_scan_is_asked_for() {
    let text = ngspice(include_str!("../reference/ngspice/ripple.cir"));
    let value = |name: &str| -> f64 {
        let line =
            text.lines().find(|l| l.starts_with(name)).unwrap_or_else(|| panic!("no {name} in {text}"));
        let word = line.split('=').nth(1).unwrap().split_whitespace().next().unwrap();
        word.parse().unwrap()
    };
    // Worked: 537.3, 469.5 and 503.4 mV; three samples 10 ms apart alike, one between them at the other end.
    for (name, expected) in [
        ("highest", 0.5373),
        ("lowest", 0.4695),
        ("mean", 0.5034),
        ("at2", 0.5373),
        ("at3", 0.5373),
        ("other", 0.4695),
    ] {
        assert!((value(name) - expected).abs() < 2e-4, "{name}: {}", value(name));
    }
    // The same phase on every key is a constant 40 mV to the converter.
    let network = reference(0.01);
    let ripple = [Fault::GroundOffset { volts: 0.04 }];
    let at_volume_down = network.solve(&Condition::Key(key(KEYS[1])), &ripple).unwrap().0;
    assert!((at_volume_down - value("at1")).abs() < 5e-4, "{at_volume_down} against {}", value("at1"));
    let codes: Vec<u32> =
        conditions().iter().map(|c| network.code(network.solve(c, &ripple).unwrap())).collect();
    let fit = fit(&network, &readings(&network, &codes, &conditions()));
    let entry = &fit.entries()[0];
    assert_eq!(entry.model, "ground-offset");
    assert!(entry.part_by.as_deref().unwrap().contains("second scan rate"), "{:?}", entry.part_by);
}
