//! What a wire could have shown: thresholds between the levels that are there, and typed facts where nothing could
//! be seen. The NEC frame is from the definition of the format (see `rewriting`).

use std::fmt::Write as _;
use std::io::Cursor;

use straykey::base::{Error, EventKind};
use straykey::timeline::{Options, Protocols, Summary, Unseen, decode_reader};

/// A receiver's output, one sample each 50 µs, with these two voltages and a ripple of 1 % of their distance.
fn receiver(low: f64, high: f64) -> String {
    let edges = crate::support::nec::frame(10_000);
    let mut text = "Time [us],IR,rest\n".to_owned();
    for t in (0..100_000_i32).step_by(50) {
        let idle = edges.iter().filter(|edge| **edge <= u64::from(t.unsigned_abs())).count() % 2 == 0;
        let ripple = 0.01 * (high - low) * f64::from(t / 50 % 5 - 2) / 2.0;
        writeln!(text, "{t},{:.4},{:.4}", if idle { high } else { low } + ripple, high + ripple).unwrap();
    }
    text
}

fn read(text: &str, wire: &str, options: Options) -> Result<(usize, Summary), Error> {
    let protocols = Protocols::load(None)?;
    let mut presses = 0;
    let options = Options { wires: vec![wire.parse()?], ..options };
    let reader = Box::new(Cursor::new(text.as_bytes().to_vec()));
    let summary = decode_reader("bench.csv", reader, &protocols, &options, &mut |event| {
        presses += usize::from(event.kind == EventKind::Press);
        Ok(())
    })?;
    Ok((presses, summary))
}

#[test]
fn levels_that_the_usual_thresholds_miss_are_split_between_themselves() {
    for (low, high) in
        [(0.0, 3.3), (0.1, 1.8), (0.05, 1.2), (0.2, 5.0), (20.0, 3290.0), (-9.0, 9.0), (2.5, 3.3)]
    {
        let (presses, summary) = read(&receiver(low, high), "IR=infrared", Options::default()).unwrap();
        assert_eq!((presses, summary.unseen.as_slice()), (1, &[][..]), "{low} to {high} V: {summary:?}");
    }
}

#[test]
fn a_channel_that_has_one_level_says_its_range() {
    let (presses, summary) = read(&receiver(0.0, 1.8), "rest=infrared", Options::default()).unwrap();
    assert_eq!((presses, summary.unseen.len()), (0, 1));
    let Unseen::NoCrossing { low, high } = summary.unseen[0].why else { panic!("{summary:?}") };
    assert!((low - 1.782).abs() < 1e-3 && (high - 1.818).abs() < 1e-3, "{low} to {high}");
    let flat = "Time [ms],IR\n0,1\n1000,1\n";
    let (_, summary) = read(flat, "IR=infrared", Options::default()).unwrap();
    assert_eq!(summary.unseen[0].why, Unseen::Flat { high: true });
}

#[test]
fn samples_too_far_apart_are_told_as_such() {
    let mut text = "Time [ms],IR\n".to_owned();
    (0..200).for_each(|i| writeln!(text, "{i},{}", i / 7 % 2).unwrap());
    let (_, summary) = read(&text, "IR=infrared", Options::default()).unwrap();
    assert_eq!(summary.unseen[0].why, Unseen::TooCoarse { sample_s: 1e-3, shortest_s: 444e-6 });
}

#[test]
fn a_threshold_that_is_given_is_taken() {
    let options = || Options { threshold: Some(0.9), ..Options::default() };
    assert_eq!(read(&receiver(0.1, 1.8), "IR=infrared", options()).unwrap().0, 1);
    let (presses, summary) = read(&receiver(1.0, 1.8), "IR=infrared", options()).unwrap();
    assert!(presses == 0 && matches!(summary.unseen[0].why, Unseen::NoCrossing { .. }), "{summary:?}");
}

#[test]
fn voltages_beyond_the_ladder_are_told_and_other_units_refused() {
    let options = || Options { chassis: Some("alder".to_owned()), ..Options::default() };
    let rows = |volts: f64| -> String {
        (0..40)
            .fold("Time [ms],K (V)\n".to_owned(), |text, i| text + format!("{},{volts}\n", i * 10).as_str())
    };
    let (_, summary) = read(&rows(3.3), "K=keypad:KEY1", options()).unwrap();
    assert!(!summary.remarks.iter().any(|text| text.contains("beyond")), "{summary:?}");
    let (_, summary) = read(&rows(5.0), "K=keypad:KEY1", options()).unwrap();
    assert!(summary.remarks.iter().any(|text| text.contains("40 samples lie beyond")), "{summary:?}");
    let error = read(&rows(3290.5), "K=keypad:KEY1", options()).err().unwrap();
    assert!(error.help_text().unwrap().contains("(mV)"), "{error}");
}

#[test]
fn a_wrong_name_is_answered_with_the_nearest_few() {
    let names: Vec<String> = (0..900).map(|i| format!("top.bus.wire{i:03}")).collect();
    let row = vec!["0"; 900].join(",");
    let text = format!("Time [s],{}\n0,{row}\n0.1,{row}\n", names.join(","));
    let error = read(&text, "wire12=infrared", Options::default()).err().unwrap().to_string();
    assert!(error.len() < 300 && error.contains("wire12") && error.contains("900 channels"), "{error}");
    let twins = "Time [s],IR,IR\n0,1,1\n0.1,0,1\n";
    let error = read(twins, "IR=infrared", Options::default()).err().unwrap().to_string();
    assert!(error.contains("2 channels are called \"IR\"") && error.contains("0, 1"), "{error}");
    assert!(read(twins, "1=infrared", Options::default()).is_ok());
}

#[test]
fn damage_in_the_middle_does_not_lose_what_came_before() {
    let text = receiver(0.0, 3.3) + "100000,x,3.3\n200000,3.3,3.3\n";
    let protocols = Protocols::load(None).unwrap();
    let options = Options { wires: vec!["IR=infrared".parse().unwrap()], ..Options::default() };
    let mut presses = 0;
    let reader = Box::new(Cursor::new(text.into_bytes()));
    let error = decode_reader("bench.csv", reader, &protocols, &options, &mut |event| {
        presses += usize::from(event.kind == EventKind::Press);
        Ok(())
    });
    assert_eq!((presses, error.err().unwrap().place().line), (1, Some(2002)));
}

#[test]
fn a_table_of_no_named_channel_is_not_sent_to_describe_a_chassis() {
    let protocols = Protocols::load(None).unwrap();
    let text = b"count,KEY1,KEY2\n1,1023,1023\n2,1023,498\n3,1023,1023\n".to_vec();
    let reader = Box::new(Cursor::new(text));
    let error =
        decode_reader("a.csv", reader, &protocols, &Options::default(), &mut |_| Ok(())).err().unwrap();
    assert!(error.to_string().contains("--wire count=uart; the channels are count, KEY1, KEY2"), "{error}");
}
