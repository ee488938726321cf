//! Exports of logic and analog captures: separated values, value change dump.

use std::fmt::Write as _;

use straykey::base::Nanoseconds;
use straykey::simulator::set::REMOTE_ADDRESS;
use straykey::simulator::{Random, SimulatedSet, Style};

use super::Sample;
use super::logs::{busy_birch, leaky, press, run};
use super::wires::{self, Wave};

pub(super) fn samples() -> Vec<Sample> {
    vec![
        uart_and_remote(),
        uart_per_sample(),
        uart_without_clock(),
        remote_with_tabs(),
        keypad_per_sample(),
        keypad_per_change(),
        dump(),
    ]
}

fn second(n: i64) -> Nanoseconds {
    Nanoseconds(n * Nanoseconds::SECOND.0)
}

/// Rows (time, levels), one for each change of any channel, one at the beginning and one at the end.
fn rows(waves: &[&Wave], end: Nanoseconds) -> Vec<(Nanoseconds, Vec<bool>)> {
    let mut changes: Vec<(Nanoseconds, usize, bool)> = waves
        .iter()
        .enumerate()
        .flat_map(|(i, wave)| wave.changes.iter().map(move |(t, level)| (*t, i, *level)))
        .filter(|(t, ..)| *t < end)
        .collect();
    changes.sort_by_key(|(t, i, _)| (*t, *i));
    let mut levels: Vec<bool> = waves.iter().map(|wave| wave.idle).collect();
    let mut rows = vec![(Nanoseconds::ZERO, levels.clone())];
    for (t, i, level) in changes {
        if let Some(old) = levels.get_mut(i) {
            *old = level;
        }
        match rows.last_mut() {
            Some((last, row)) if *last == t => row.clone_from(&levels),
            _ => rows.push((t, levels.clone())),
        }
    }
    rows.push((end, levels));
    rows
}

fn bit(level: bool) -> char {
    if level { '1' } else { '0' }
}

/// The debug port and the infrared receiver of one set together, as RFC 4180 has it.
fn uart_and_remote() -> Sample {
    let port = wires::uart(&run(&mut busy_birch(), 13), 9_600);
    let remote = wires::remote(&[(9_000, REMOTE_ADDRESS, 0x12, 0), (10_500, REMOTE_ADDRESS, 0x1a, 4)]);
    let mut text = String::from("t_s,A,B\r\n");
    for (t, levels) in rows(&[&port, &remote], second(13)) {
        let levels: Vec<String> = levels.iter().map(|level| bit(*level).to_string()).collect();
        let _ = write!(text, "{:.9},{}\r\n", t.seconds(), levels.join(","));
    }
    Sample {
        folder: "logic",
        file: "port-and-receiver.csv",
        bytes: text.into_bytes(),
        made: "13 s of a birch set, one row a change, comma, seconds: A its debug port at 9600 baud 8N1, B its \
               infrared receiver (mark low) with two keys of which the second is held",
        chassis: Some("birch"),
        wire: &[("A", "uart@9600"), ("B", "infrared")],
        rate_hz: None,
    }
}

/// The rows of a sampled export: `seconds` at `rate_hz`, as columns of levels.
fn sampled(waves: &[&Wave], seconds: i64, rate_hz: i64, mut row: impl FnMut(i64, &[bool])) {
    let changes = rows(waves, second(seconds));
    let mut next = changes.iter().peekable();
    let mut levels: &[bool] = &[];
    for i in 0..seconds * rate_hz {
        let t = Nanoseconds(i * (1_000_000_000 / rate_hz));
        while let Some((_, row)) = next.next_if(|(at, _)| *at <= t) {
            levels = row;
        }
        row(i, levels);
    }
}

fn slow_rowan() -> Wave {
    let mut set = SimulatedSet::new(Style::Rowan, leaky(), 16);
    run(&mut set, 3);
    press(&mut set, "KEY_VOLUMEUP", 300, 250);
    let from = set.uptime();
    let printed = run(&mut set, 1).into_iter().map(|(t, bytes)| (t - from, bytes)).collect();
    wires::uart(&printed, 2_400)
}

fn uart_per_sample() -> Sample {
    let mut text = String::from("\u{feff}exported samples\nsample rate;20 kHz\n\nTime (ms);RX\n");
    sampled(&[&slow_rowan()], 1, 20_000, |i, levels| {
        let _ = writeln!(text, "{},{:02};{}", i / 20, i % 20 * 5, levels.first().copied().map_or('1', bit));
    });
    Sample {
        folder: "logic",
        file: "port-per-sample.csv",
        bytes: text.into_bytes(),
        made: "1 s of a rowan set's debug port, 2400 baud 8N1, one row a sample at 20 kHz; semicolon, decimal \
               comma, milliseconds, byte order mark, preamble",
        chassis: Some("rowan"),
        wire: &[("RX", "uart@2400")],
        rate_hz: None,
    }
}

fn uart_without_clock() -> Sample {
    let mut text = String::from("RX,spare\n");
    sampled(&[&slow_rowan()], 1, 20_000, |_, levels| {
        let _ = writeln!(text, "{},0", levels.first().copied().map_or('1', bit));
    });
    Sample {
        folder: "logic",
        file: "port-without-clock.csv",
        bytes: text.into_bytes(),
        made: "the same second without any time column, and an unused channel: the sample rate, 20 kHz, must be given",
        chassis: Some("rowan"),
        wire: &[("RX", "uart@2400")],
        rate_hz: Some(20_000.0),
    }
}

fn remote_with_tabs() -> Sample {
    let keys = wires::remote(&[(100, 0x04, 0x02, 3), (1_200, 0x04, 0x43, 0), (1_900, 0x59, 0x16, 1)]);
    // Lamp light at twice 50 Hz between the keys.
    let mut wave = wires::lamp_light(keys, (2_400..2_900).step_by(10));
    // A module that gives marks as high.
    wave.idle = !wave.idle;
    wave.changes.iter_mut().for_each(|(_, level)| *level = !*level);
    let mut text = String::from("time_us\tIR\n");
    for (t, levels) in rows(&[&wave], second(3)) {
        let _ = writeln!(text, "{:.1}\t{}", t.micros(), levels.first().copied().map_or('0', bit));
    }
    Sample {
        folder: "infrared",
        file: "receiver.tsv",
        bytes: text.into_bytes(),
        made: "3 s of an infrared receiver (mark high), one row a change, tab, microseconds: a held key, a short \
               one, a foreign remote's, then flicker of a lamp at 100 Hz that is no frame",
        chassis: None,
        wire: &[("IR", "infrared")],
        rate_hz: None,
    }
}

/// Voltage of the first keypad line every millisecond, with 2 mV of noise.
fn keypad_volts(seconds: i64) -> Vec<(Nanoseconds, f64)> {
    let mut set = SimulatedSet::new(Style::Alder, leaky(), 24);
    set.advance(second(5));
    let from = set.uptime();
    press(&mut set, "KEY_VOLUMEDOWN", 2_000, 400);
    press(&mut set, "KEY_POWER", 5_000, 250);
    let mut random = Random::new(17, 8);
    let mut out = Vec::new();
    // The weather moves every 10 ms; between two steps the voltage stands but for noise.
    while set.uptime() < from + second(seconds) {
        let [volts, _] = set.volts();
        for i in 0..10 {
            let t = set.uptime() - from + Nanoseconds::from_millis(i);
            out.push((t, volts + 0.002 * random.normal()));
        }
        set.advance(Nanoseconds::from_millis(10));
    }
    out
}

fn keypad_per_sample() -> Sample {
    let mut text = String::from("t_s,KEY1 [V]\r\n");
    for (t, volts) in keypad_volts(8) {
        let _ = write!(text, "{:.3},{volts:.4}\r\n", t.seconds());
    }
    Sample {
        folder: "keypad",
        file: "line-per-sample.csv",
        bytes: text.into_bytes(),
        made: "8 s of the voltage on keypad line KEY1 of an alder set, one row a sample at 1 kHz, volts: a leak that \
               comes and goes, two keys by hand",
        chassis: Some("alder"),
        wire: &[("KEY1", "keypad:KEY1")],
        rate_hz: None,
    }
}

fn keypad_per_change() -> Sample {
    let mut text = String::from("t_ms,KEY1 [mV]\n");
    let mut last = f64::INFINITY;
    for (t, volts) in keypad_volts(8) {
        if (volts - last).abs() > 0.02 {
            last = volts;
            let _ = writeln!(text, "{:.1},{:.1}", t.seconds() * 1e3, volts * 1e3);
        }
    }
    Sample {
        folder: "keypad",
        file: "line-per-change.csv",
        bytes: text.into_bytes(),
        made: "the same 8 s, a row only where the voltage moved by more than 20 mV; milliseconds, millivolts",
        chassis: Some("alder"),
        wire: &[("KEY1", "keypad:KEY1")],
        rate_hz: None,
    }
}

/// IEEE 1364 value change dump, timescale 1 us.
fn dump() -> Sample {
    let remote = wires::remote(&[(100, 0x04, 0x03, 2), (900, 0x04, 0x08, 0)]);
    let cec = wires::cec(&[(300, &[0x40, 0x44, 0x41]), (450, &[0x40, 0x45]), (1_200, &[0x04, 0x36])]);
    let mut text = String::from(
        "$date 2026-03-14 $end\n$version simulated $end\n$timescale 1us $end\n$scope module bench $end\n\
         $var wire 1 ! IR $end\n$var wire 1 \" CEC $end\n$upscope $end\n$enddefinitions $end\n",
    );
    let mut before: Vec<bool> = Vec::new();
    for (t, levels) in rows(&[&remote, &cec], second(2)) {
        let _ = writeln!(text, "#{}", t.0 / 1000);
        for ((i, level), code) in levels.iter().enumerate().zip(['!', '"']) {
            if before.get(i) != Some(level) {
                let _ = writeln!(text, "{}{code}", bit(*level));
            }
        }
        before = levels;
    }
    Sample {
        folder: "dump",
        file: "receiver-and-cec.vcd",
        bytes: text.into_bytes(),
        made: "2 s, timescale 1 us: IR an infrared receiver (mark low) with a held and a short key, CEC the HDMI-CEC \
               line with a key of a player and a standby message to it",
        chassis: None,
        wire: &[("IR", "infrared"), ("CEC", "cec")],
        rate_hz: None,
    }
}
