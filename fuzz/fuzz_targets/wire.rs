//! Edges of any shape: the UART, the slicer and the carrier stripper never panic, and marks and spaces join.
#![no_main]

use libfuzzer_sys::fuzz_target;
use straykey::base::Nanoseconds;
use straykey::signal::carrier::Infrared;
use straykey::signal::uart::{Receiver, UartSpec};
use straykey::signal::{Edge, Level};

fuzz_target!(|bytes: &[u8]| {
    let mut t = 0i64;
    let edges: Vec<Edge> = bytes
        .chunks_exact(2)
        .map(|pair| {
            // Exponential steps from 1 ns to minutes.
            t = t.saturating_add((i64::from(pair[0]) + 1) << (pair[1] >> 1 & 31));
            let level = if pair[1] & 1 == 1 { Level::High } else { Level::Low };
            Edge { t: Nanoseconds(t), level, offset: 0 }
        })
        .collect();
    let end = Nanoseconds(t);
    let mut characters = Vec::new();
    let mut receiver = Receiver::new(UartSpec::default());
    let mut pulses = Vec::new();
    let mut infrared = Infrared::new(None);
    for edge in &edges {
        receiver.push(*edge, &mut characters);
        infrared.push(*edge, &mut pulses);
    }
    receiver.finish(end, &mut characters);
    infrared.finish(end, &mut pulses);
    assert!(characters.windows(2).all(|pair| pair[0].t <= pair[1].t));
    for pair in pulses.windows(2) {
        assert!(pair[0].mark != pair[1].mark && pair[0].t + pair[0].length == pair[1].t);
    }
});
