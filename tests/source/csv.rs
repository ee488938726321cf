//! Tables of samples. The numbered rules are those of RFC 4180 (October 2005), section 2; the general `csv`
//! crate is the oracle for random tables. What the RFC does not define (units, decimal comma, preamble) is
//! common practice, no source.

use proptest::prelude::*;
use straykey::base::{Error, Kind};
use straykey::source::csv::{CsvOptions, CsvSource};
use straykey::source::{SampleSource, Value};

use crate::support::drip::{Endless, drip};

type Row = (i64, u16, Value, u64);

struct Table {
    names: Vec<(String, bool)>,
    changes: Vec<Row>,
    span: Option<(i64, i64)>,
    remarks: Vec<String>,
}

fn try_read(bytes: &[u8], most: usize, rate: Option<f64>) -> Result<Table, Error> {
    let mut source = CsvSource::new(drip(bytes, most), CsvOptions { sample_rate_hz: rate })?;
    let mut out = Vec::new();
    while source.pull(&mut out)? {}
    Ok(Table {
        names: source.channels().iter().map(|c| (c.name.clone(), c.analog)).collect(),
        changes: out.into_iter().map(|c| (c.t.0, c.channel, c.value, c.offset)).collect(),
        span: source.span().map(|span| (span.start.0, span.end.0)),
        remarks: source.remarks(),
    })
}

fn read(bytes: &[u8]) -> Table {
    try_read(bytes, 0, None).unwrap()
}

fn error(bytes: &[u8]) -> Error {
    try_read(bytes, 0, None).err().unwrap()
}

fn levels(table: &Table) -> Vec<(i64, u16, bool)> {
    table.changes.iter().map(|(t, channel, value, _)| (*t, *channel, *value == Value::High)).collect()
}

const EXPECTED: [(i64, u16, bool); 4] =
    [(0, 0, true), (0, 1, false), (1_000_000, 0, false), (3_000_000, 1, true)];

#[test]
fn rule_1_each_record_on_its_line_ended_by_crlf() {
    let table = read(b"Time [s],CH0,CH1\r\n0,1,0\r\n0.001,0,0\r\n0.002,0,0\r\n0.003,0,1\r\n");
    assert_eq!(levels(&table), EXPECTED);
    assert_eq!(table.span, Some((0, 3_000_000)));
    assert_eq!(table.changes[2].3, 25, "the offset is that of the row");
}

#[test]
fn rule_2_the_last_record_may_lack_its_line_break() {
    assert_eq!(levels(&read(b"Time [s],CH0,CH1\r\n0,1,0\r\n0.001,0,0\r\n0.003,0,1")), EXPECTED);
}

#[test]
fn rule_3_the_header_is_optional() {
    let table = read(b"0.000,1,0\r\n0.001,0,0\r\n0.003,0,1\r\n");
    assert_eq!(levels(&table), EXPECTED);
    assert_eq!(table.names, [("CH0".to_owned(), false), ("CH1".to_owned(), false)]);
}

#[test]
fn rule_4_every_record_has_the_same_count_of_fields() {
    let error = error(b"Time [s],CH0,CH1\r\n0,1,0\r\n0.001,0,0\r\n0.002,0\r\n0.003,0,1\r\n");
    assert_eq!((error.kind(), error.place().line, error.place().column), (Kind::Input, Some(4), Some(9)));
    assert!(error.what().contains("2 fields") && error.help_text().is_some(), "{error}");
}

#[test]
fn rule_5_fields_may_be_quoted() {
    let table = read(b"\"Time [s]\",\"CH0\",CH1\r\n\"0\",\"1\",0\r\n0.001,\"0\",0\r\n\"0.003\",0,\"1\"\r\n");
    assert_eq!(levels(&table), EXPECTED);
}

#[test]
fn rule_6_quoted_fields_may_hold_separators_and_line_breaks() {
    let table = read(b"Time [s],\"left,\r\nupper\",CH1\r\n0,1,0\r\n0.001,0,0\r\n0.003,0,1\r\n");
    assert_eq!(levels(&table), EXPECTED);
    assert_eq!(table.names[0].0, "left,\r\nupper");
    // With it a decimal comma is possible between commas, since the quotes say which is which.
    assert_eq!(
        levels(&read(b"Time [ms],CH0,CH1\r\n\"0,0\",1,0\r\n\"1,0\",0,0\r\n\"3,0\",0,1\r\n")),
        EXPECTED
    );
}

#[test]
fn rule_7_a_quote_in_a_quoted_field_is_doubled() {
    let table = read(b"Time [s],\"the \"\"key\"\" line\",CH1\r\n0,1,0\r\n0.001,0,0\r\n0.003,0,1\r\n");
    assert_eq!((levels(&table).as_slice(), table.names[0].0.as_str()), (&EXPECTED[..], "the \"key\" line"));
}

#[test]
fn quotes_that_begin_late_are_read_too() {
    let mut text = b"Time [s],CH0\n".to_vec();
    for i in 0..50_000u32 {
        text.extend_from_slice(format!("{}.{:03},{}\n", i / 1000, i % 1000, i / 7 % 2).as_bytes());
    }
    let rows = text.len() as u64;
    text.extend_from_slice(b"\"50.5\",\"1\"\n51,\"0\"\n51.5,0,1\n");
    let source = try_read(&text, 0, None).err().unwrap();
    assert_eq!((source.place().line, source.place().column), (Some(50_004), Some(8)));
    text.truncate(text.len() - 9);
    let table = read(&text);
    assert_eq!(table.span, Some((0, 51_000_000_000)));
    let last = table.changes.last().unwrap();
    assert_eq!((last.0, last.2, last.3), (51_000_000_000, Value::Low, rows + 11));
}

#[test]
fn separators_and_decimal_marks_are_found() {
    for text in [
        "Time [ms];CH0;CH1\n0,0;1;0\n1,0;0;0\n3,0;0;1\n",
        "Time [ms]\tCH0\tCH1\n0,0\t1\t0\n1,0\t0\t0\n3,0\t0\t1\n",
        "Time [ms];CH0;CH1\n0.0;1;0\n1.0;0;0\n3.0;0;1\n",
        "\u{feff}Time [ms], CH0, CH1\n0.0, 1, 0\n1.0, 0, 0\n3.0, 0, 1\n",
    ] {
        assert_eq!(levels(&read(text.as_bytes())), EXPECTED, "{text}");
    }
}

#[test]
fn a_decimal_comma_between_commas_is_refused() {
    let error = error(b"Time [s],CH0,CH1\r\n0,000,1,0\r\n0,001,0,0\r\n");
    assert_eq!(error.kind(), Kind::Input);
    assert!(error.to_string().contains("comma"), "{error}");
}

#[test]
fn a_header_that_ends_with_a_comma_over_rows_that_do_not_is_refused() {
    // Whole numbers with decimal commas: `0,0` is a time, or a time and a level.
    let error = error(b"Time [us],IR,AUX,\n0,0,1,1\n10000,0,0,0\n19000,0,1,1\n");
    assert!(error.what().contains("ends with a comma") && error.help_text().is_some(), "{error}");
    assert_eq!(read(b"Time [us],IR,AUX,\n0,1,1,\n10000,0,0,\n").names.len(), 2);
}

#[test]
fn a_stated_interval_is_no_line_of_names() {
    let table = read(b"Sample Interval (us),1000\n1,0\n0,0\n0,0\n0,1\n");
    assert_eq!(levels(&table), EXPECTED);
}

#[test]
fn units_of_time_come_from_the_header() {
    for (header, last) in [
        ("Time [s]", "0.003"),
        ("time(ms)", "3"),
        ("Time_us", "3000"),
        ("Time [µs]", "3e3"),
        ("TIME (ns)", "3000000"),
        ("Time in ms", "3.0"),
        ("t/s", "3.0E-3"),
        ("Time", "0.003"),
        ("Timestamp [ps]", "3000000000"),
    ] {
        let text = format!("{header},CH0\n0,1\n{last},0\n");
        assert_eq!(levels(&read(text.as_bytes())), [(0, 0, true), (3_000_000, 0, false)], "{header}");
    }
    let text = b"x-axis,1\nsecond,Volt\n-1.0E-3,3.3\n+5.0E-4,0.25\n";
    let table = read(text);
    assert_eq!(table.span, Some((-1_000_000, 500_000)));
    assert_eq!(table.changes[1].2, Value::Volts(0.25));
}

#[test]
fn preamble_and_comments_are_passed_over() {
    let text = b"; exported by hand\nDevice,bench\nChannels,2\n\n# note\nTime [s],CH0,CH1\n0,1,0\n# in between\n0.001,0,0\n\n0.003,0,1\n";
    assert_eq!(levels(&read(text)), EXPECTED);
}

#[test]
fn samples_without_time_need_a_rate() {
    let text = b"CH0,CH1\n1,0\n0,0\n0,0\n0,1\n";
    assert_eq!(levels(&try_read(text, 0, Some(1000.0)).unwrap()), EXPECTED);
    let error = error(text);
    assert!(error.what().contains("no time column"), "{error}");
    assert_eq!((error.kind(), error.place().line), (Kind::Input, Some(2)));
    assert_eq!(levels(&read(b"# Sample rate: 1 kHz\nCH0,CH1\n1,0\n0,0\n0,0\n0,1\n")), EXPECTED);
    assert_eq!(levels(&read(b"\"Sample interval\",1e-3 s\nCH0,CH1\n1,0\n0,0\n0,0\n0,1\n")), EXPECTED);
    assert_eq!(levels(&try_read(b"Sample,CH0,CH1\n0,1,0\n1,0,0\n3,0,1\n", 0, Some(1e3)).unwrap()), EXPECTED);
    assert_eq!(try_read(b"1\n0\n", 0, Some(1e3)).unwrap().changes.len(), 2);
    assert_eq!(try_read(text, 0, Some(0.0)).err().unwrap().kind(), Kind::Usage);
}

#[test]
fn whole_numbers_without_unit_are_not_guessed() {
    let error = error(b"Time,CH0\n0,1\n10,0\n");
    assert!(error.help_text().unwrap().contains("Time [us]"), "{error}");
}

#[test]
fn levels_come_in_many_spellings() {
    let text = b"Time [ms],A,B,C,D\n0,1,H,True,1.000e+00\n1,0,L,false,0.000e+00\n2,x,z,TRUE,1.0\n";
    let table = read(text);
    assert!(table.names.iter().all(|(_, analog)| !analog));
    let at = |t: i64| -> Vec<Value> {
        table.changes.iter().filter(|change| change.0 == t).map(|change| change.2).collect()
    };
    assert_eq!(at(0), [Value::High; 4]);
    assert_eq!(at(1_000_000), [Value::Low; 4]);
    assert_eq!(at(2_000_000), [Value::Unknown, Value::Unknown, Value::High, Value::High]);
}

#[test]
fn analog_channels_report_every_sample_in_volts() {
    let table = read(b"Time [ms],KEY1 (V),KEY2 [mV],IR\n0,3.30,3300,1\n1,3.30,1650,1\n2,,825,0\n");
    let names: Vec<(&str, bool)> =
        table.names.iter().map(|(name, analog)| (name.as_str(), *analog)).collect();
    assert_eq!(names, [("KEY1", true), ("KEY2", true), ("IR", false)]);
    let volts: Vec<(i64, u16, Value)> = table.changes.iter().map(|c| (c.0 / 1_000_000, c.1, c.2)).collect();
    assert_eq!(
        volts,
        [
            (0, 0, Value::Volts(3.3)),
            (0, 1, Value::Volts(3.3)),
            (0, 2, Value::High),
            (1, 0, Value::Volts(3.3)),
            (1, 1, Value::Volts(1.65)),
            (2, 1, Value::Volts(0.825)),
            (2, 2, Value::Low),
        ]
    );
}

#[test]
fn time_running_backwards_is_shown_with_its_place() {
    let error = error(b"Time [s],CH0\n0.001,1\n0.002,1\n0.001,1\n");
    assert_eq!((error.kind(), error.place().line, error.place().column), (Kind::Input, Some(4), Some(1)));
    assert!(error.what().contains("backwards"), "{error}");
}

#[test]
fn damage_cannot_hide_among_repeating_rows() {
    let good = "0.000001,1,0\n0.000002,1,0\n0.000003,1,0\n0.000004,1,0\n";
    for (bad, line) in [
        ("0.000003,1,0\n", 6),
        ("0.00000x,1,0\n", 6),
        ("0.000\n05,1,0\n", 6),
        ("0,000005,1,0\n", 6),
        ("0.0.0005,1,0\n", 6),
        ("0.000005,1\n", 6),
        ("0.000005;1,0\n", 6),
        ("0.00000:,1,0\n", 6),
        ("0.0000\u{80}5,1,0\n", 6),
    ] {
        let text = format!("Time [s],CH0,CH1\n{good}{bad}{}", good.replace("0.0", "1.0"));
        let error = error(text.as_bytes());
        assert_eq!((error.kind(), error.place().line), (Kind::Input, Some(line)), "{bad:?}: {error}");
    }
}

#[test]
fn a_cut_last_line_is_dropped_and_mentioned() {
    let table = read(b"Time [s],CH0,CH1\n0,1,0\n0.001,0,0\n0.003,0,1\n0.004,");
    assert_eq!(levels(&table), EXPECTED);
    assert!(table.remarks[0].contains("line 5"), "{:?}", table.remarks);
}

#[test]
fn times_that_were_rounded_are_mentioned() {
    // Five significant digits, as some exports print: beyond 10 s they resolve a millisecond.
    let table = read(b"Time [s],CH0\n1.2345E+01,1\n1.2345E+01,0\n1.2345E+01,1\n1.2346E+01,0\n");
    assert_eq!(table.changes.len(), 4);
    assert!(table.remarks[0].starts_with("2 rows"), "{:?}", table.remarks);
    let table = read(b"Time [s],CH0\n1.000,1\n1.001,0\n1.001,1\n1.001,1\n1.002,1\n");
    assert!(table.remarks[0].starts_with("1 rows"), "{:?}", table.remarks);
    assert!(read(b"Time [s],CH0\n1.000,1\n1.000,1\n1.001,0\n").remarks.is_empty());
}

#[test]
fn a_level_column_that_turns_into_volts_is_refused() {
    let mut text = "Time [s],KEY1\n".to_owned();
    text.extend((0..400).map(|i| format!("{i}.5,{}\n", i % 2)));
    text.push_str("400.5,3.3\n");
    let error = error(text.as_bytes());
    assert_eq!((error.place().line, error.place().column), (Some(402), Some(7)));
    assert!(error.help_text().unwrap().contains("KEY1 (V)"), "{error}");
}

#[test]
fn a_line_without_end_is_refused_in_bounded_memory() {
    let endless = Endless { pattern: b"1".to_vec(), left: 1 << 32, at: 0 };
    let error = CsvSource::new(Box::new(endless), CsvOptions::default()).err().unwrap();
    assert!(error.what().contains("does not end"), "{error}");
    for begin in [&b"Time [s],CH0\n0.1,1\n0.2,0\n0.3,"[..], b"Time [s],CH0\n0.1,1\n0.2,0\n\"0.3"] {
        // Longer than the head, so that the layout is found before the trouble begins.
        let mut head = b"Time [s],CH0\n".to_vec();
        head.extend((0..9000).flat_map(|i| format!("0.{i:06},{}\n", i % 2).into_bytes()));
        head.extend_from_slice(begin.get(29..).unwrap());
        let endless = Endless { pattern: b"1".to_vec(), left: 1 << 32, at: 0 };
        let reader = std::io::Read::chain(std::io::Cursor::new(head), endless);
        let mut source = CsvSource::new(Box::new(reader), CsvOptions::default()).unwrap();
        let mut out = Vec::new();
        let error = loop {
            match source.pull(&mut out) {
                Ok(true) => {}
                Ok(false) => panic!("the end was never there"),
                Err(error) => break error,
            }
        };
        assert!(error.what().contains("does not end"), "{error}");
        assert_eq!(error.place().line, Some(9002));
    }
}

#[test]
fn changes_come_in_bounded_batches() {
    let mut text = b"Time [us],A,B,C,D\n".to_vec();
    for i in 0..300_000u32 {
        let bit = i % 2;
        text.extend_from_slice(format!("{i},{bit},{bit},{bit},{bit}\n").as_bytes());
    }
    let mut source = CsvSource::new(drip(&text, 0), CsvOptions::default()).unwrap();
    let (mut out, mut total) = (Vec::new(), 0);
    while source.pull(&mut out).unwrap() {
        assert!(out.len() < 40_000, "{}", out.len());
        total += out.len();
        out.clear();
    }
    assert_eq!(total, 1_200_000);
}

/// The obvious twin: every row through the general crate, every channel compared with its last level.
fn twin(text: &[u8], scale: f64) -> Vec<(i64, u16, bool)> {
    let mut reader = csv::ReaderBuilder::new().from_reader(text);
    let mut last: Vec<Option<String>> = Vec::new();
    let mut changes = Vec::new();
    for record in reader.records() {
        let record = record.unwrap();
        let t = (record[0].parse::<f64>().unwrap() * scale).round() as i64;
        last.resize(record.len() - 1, None);
        for (channel, last) in last.iter_mut().enumerate() {
            let value = record[channel + 1].to_owned();
            if last.as_ref() != Some(&value) {
                changes.push((t, channel as u16, value == "1"));
                *last = Some(value);
            }
        }
    }
    changes
}

fn table_strategy() -> impl Strategy<Value = (Vec<u8>, bool)> {
    let row = (1u32..2000, proptest::collection::vec(any::<bool>(), 3), 0u8..8);
    (proptest::collection::vec(row, 2..300), 0usize..4, any::<bool>(), any::<bool>()).prop_map(
        |(rows, style, crlf, quoted)| {
            let mut text = "Time [us],CH0,CH1,CH2".to_owned();
            let end = if crlf { "\r\n" } else { "\n" };
            text.push_str(end);
            let mut t = 0u64;
            let mut held = vec![false; 3];
            for (step, levels, change) in rows {
                // Most rows repeat the one before, as exports of one row a sample do.
                t += if style == 0 { 1 } else { u64::from(step) };
                if change == 0 || style == 1 {
                    held = levels;
                }
                let time = match style {
                    0 => format!("{t:08}.000"),
                    1 => format!("{}.{:03}", t / 1000, t % 1000),
                    2 => format!("{t}e0"),
                    _ => format!("{t}"),
                };
                let cells: Vec<&str> = held.iter().map(|level| if *level { "1" } else { "0" }).collect();
                if quoted && change == 1 {
                    text.push_str(&format!("\"{time}\",\"{}\",{},{}{end}", cells[0], cells[1], cells[2]));
                } else {
                    text.push_str(&format!("{time},{}{end}", cells.join(",")));
                }
            }
            (text.into_bytes(), quoted)
        },
    )
}

/// Levels and volts in every spelling, so that plain rows, repeating rows and all others follow each other.
fn mixed_strategy() -> impl Strategy<Value = (Vec<u8>, Vec<Row>)> {
    let levels = proptest::collection::vec(0usize..40, 6);
    let row = (0u64..900, levels, -50_000i32..50_000, 0usize..6, 0u8..4);
    (proptest::collection::vec(row, 2..300), any::<bool>()).prop_map(|(rows, crlf)| {
        // Most levels are written plainly, and most stay what they were.
        const WORDS: [(&str, Value); 8] = [
            ("0", Value::Low),
            ("1", Value::High),
            ("H", Value::High),
            ("x", Value::Unknown),
            ("false", Value::Low),
            (" 1", Value::High),
            ("1.0", Value::High),
            ("", Value::Unknown),
        ];
        let end = if crlf { "\r\n" } else { "\n" };
        let mut text = format!("Time [us],A,B,C,KEY1 (V),D,E,F{end}-5.5,0,1,0,3.3,0,1,0{end}");
        let first = text.find('\n').unwrap() as u64 + 1;
        let mut last = [Value::Low, Value::High, Value::Low, Value::Low, Value::High, Value::Low];
        let mut expected: Vec<Row> = Vec::new();
        let channel = |i: usize| if i < 3 { i as u16 } else { i as u16 + 1 };
        expected.extend((0..3).map(|i| (-5500, channel(i), last[i], first)));
        expected.push((-5500, 3, Value::Volts(3.3), first));
        expected.extend((3..6).map(|i| (-5500, channel(i), last[i], first)));
        let mut t = -5500i64;
        for (step, levels, volts, decimals, style) in rows {
            t += step as i64;
            let offset = text.len() as u64;
            let time = match style {
                0 => format!("{t}e-3"),
                _ if t % 1000 == 0 => format!("{}", t / 1000),
                _ => format!("{}{}.{:03}", if t < 0 { "-" } else { "" }, t.abs() / 1000, t.abs() % 1000),
            };
            let volts = format!("{:.decimals$}", f64::from(volts) / 10_000.0);
            let mut cells = vec![time];
            let mut row: Vec<Row> = Vec::new();
            for (i, choice) in levels.into_iter().enumerate() {
                if i == 3 {
                    row.push((t, 3, Value::Volts((volts.parse::<f64>().unwrap()) as f32), offset));
                    cells.push(volts.clone());
                }
                let (word, value) = match WORDS.get(choice) {
                    Some(("", _)) => ("", last[i]),
                    Some((word, value)) => (*word, *value),
                    // As before, and plain where that can be.
                    None => match last[i] {
                        Value::High => ("1", Value::High),
                        Value::Low => ("0", Value::Low),
                        other => ("x", other),
                    },
                };
                cells.push(word.to_owned());
                if last[i] != value {
                    last[i] = value;
                    row.push((t, channel(i), value, offset));
                }
            }
            text.push_str(&cells.join(","));
            text.push_str(end);
            expected.extend(row);
        }
        (text.into_bytes(), expected)
    })
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 200, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn random_tables_agree_with_the_general_crate((text, _quoted) in table_strategy()) {
        let table = read(&text);
        prop_assert_eq!(levels(&table), twin(&text, 1e3));
        for most in [1, 2, 7] {
            let other = try_read(&text, most, None).unwrap();
            prop_assert_eq!(&other.changes, &table.changes);
            prop_assert_eq!(other.span, table.span);
        }
    }

    #[test]
    fn rows_of_every_spelling_give_what_they_say((text, expected) in mixed_strategy()) {
        for most in [0, 1, 97] {
            prop_assert_eq!(&try_read(&text, most, None).unwrap().changes, &expected);
        }
    }

    #[test]
    fn no_bytes_make_it_panic(bytes in proptest::collection::vec(any::<u8>(), 0..600), rated: bool) {
        let rate = rated.then_some(1e6);
        let whole = try_read(&bytes, 0, rate);
        let drops = try_read(&bytes, 1, rate);
        match (whole, drops) {
            (Ok(whole), Ok(drops)) => prop_assert_eq!(whole.changes, drops.changes),
            (Err(whole), Err(drops)) => prop_assert_eq!(whole.to_string(), drops.to_string()),
            _ => prop_assert!(false, "the delivery decided"),
        }
    }

    #[test]
    fn damaged_tables_make_errors_not_panics(
        (text, _) in table_strategy(),
        hits in proptest::collection::vec((any::<prop::sample::Index>(), any::<u8>()), 1..4),
    ) {
        let mut text = text;
        for (at, byte) in hits {
            let at = at.index(text.len());
            text[at] = byte;
        }
        match (try_read(&text, 0, None), try_read(&text, 7, None)) {
            (Ok(whole), Ok(drops)) => prop_assert_eq!(whole.changes, drops.changes),
            (Err(whole), Err(drops)) => prop_assert_eq!(whole.to_string(), drops.to_string()),
            _ => prop_assert!(false, "the delivery decided"),
        }
    }
}
