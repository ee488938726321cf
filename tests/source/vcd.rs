//! Value change dumps. Rules of IEEE 1364-2005 clause 18.2 (clause number from memory): free format, values
//! left-extended, shared identifier codes, dump commands. Oracle for writing and reading: the general `vcd`
//! crate, whose vectors come as written, so that the extension is made here, from the standard's table.

use std::io::Write as _;

use proptest::prelude::*;
use straykey::base::{Error, Kind, Nanoseconds};
use straykey::source::vcd::{VcdOptions, VcdSource, Writer};
use straykey::source::{Channel, FileKind, SampleSource, Value, open};

use crate::support::drip::{Endless, drip};

struct Dump {
    names: Vec<String>,
    changes: Vec<(i64, u16, Value)>,
    offsets: Vec<u64>,
    span: Option<(i64, i64)>,
    remarks: Vec<String>,
}

fn try_read(text: &[u8], most: usize) -> Result<Dump, Error> {
    let mut source = VcdSource::new(drip(text, most), VcdOptions::default())?;
    let mut out = Vec::new();
    while source.pull(&mut out)? {}
    Ok(Dump {
        names: source.channels().iter().map(|channel| channel.name.clone()).collect(),
        changes: out.iter().map(|c| (c.t.0, c.channel, c.value)).collect(),
        offsets: out.iter().map(|c| c.offset).collect(),
        span: source.span().map(|span| (span.start.0, span.end.0)),
        remarks: source.remarks(),
    })
}

fn read(text: &str) -> Dump {
    try_read(text.as_bytes(), 0).unwrap()
}

fn error(text: &str) -> Error {
    try_read(text.as_bytes(), 0).err().unwrap()
}

use Value::{High, Low, Unknown};

const HEAD: &str =
    "$timescale 1 us $end $var wire 1 ! uart $end $var wire 4 # bus $end $enddefinitions $end\n";

#[test]
fn a_dump_on_one_line_is_read_like_any_other() {
    let lines = "$date today $end\n$version by hand $end\n$timescale\n  10 us\n$end\n$scope module top $end\n\
                 $var wire 1 ! uart $end\n$scope module ir $end\n$var reg 1 \" out $end\n$upscope $end\n$upscope $end\n\
                 $enddefinitions $end\n#0\n$dumpvars\n1!\nx\"\n$end\n#5\n0!\n1\"\n#7\n";
    let expected = [(0, 0, High), (0, 1, Unknown), (50_000, 0, Low), (50_000, 1, High)];
    for text in [lines.to_owned(), lines.replace('\n', " "), lines.replace('\n', "\r\n\t")] {
        let dump = read(&text);
        assert_eq!(dump.names, ["top.uart", "top.ir.out"]);
        assert_eq!((dump.changes.as_slice(), dump.span), (&expected[..], Some((0, 70_000))));
        for (offset, value) in dump.offsets.iter().zip("1x01".bytes()) {
            assert_eq!(text.as_bytes()[*offset as usize], value, "the offset says where");
        }
    }
}

#[test]
fn every_time_unit_is_known() {
    for (unit, ns) in [
        ("1 s", 3_000_000_000),
        ("100ms", 300_000_000),
        ("10 us", 30_000),
        ("1us", 3_000),
        ("100 ns", 300),
        ("1 ns", 3),
        ("100 ps", 0),
        ("1fs", 0),
    ] {
        let dump = read(&HEAD.replace("1 us", unit).replace("\n", " #3 1!"));
        assert_eq!(dump.changes, [(ns, 0, High)], "{unit}");
    }
    let fine = read(&HEAD.replace("1 us", "10 ps").replace("\n", " #12345678 1!"));
    assert_eq!((fine.changes[0].0, fine.remarks.len()), (123_456, 1));
    for wrong in ["-2 us", "1 min", "us", ""] {
        let error = error(&HEAD.replace("1 us", wrong));
        assert_eq!((error.kind(), error.place().line), (Kind::Input, Some(1)), "{wrong}");
    }
}

#[test]
fn a_missing_time_unit_is_asked_for() {
    let text = HEAD.replace("$timescale 1 us $end ", "") + "#2 1!\n";
    assert!(error(&text).help_text().unwrap().contains("$timescale"));
}

#[test]
fn short_vectors_are_extended_as_the_standard_says() {
    // Leftmost digit 0 or 1: with 0; x: with x; z: with z.
    for (written, bits) in [
        ("b1", [Low, Low, Low, High]),
        ("b10", [Low, Low, High, Low]),
        ("b0", [Low; 4]),
        ("bx1", [Unknown, Unknown, Unknown, High]),
        ("BZ0", [Unknown, Unknown, Unknown, Low]),
        ("b1x0z", [High, Unknown, Low, Unknown]),
        ("b00001010", [High, Low, High, Low]),
    ] {
        let dump = read(&format!("{HEAD}#1 {written} #"));
        assert_eq!(dump.names[1..], ["bus[3]", "bus[2]", "bus[1]", "bus[0]"]);
        let got: Vec<Value> = dump.changes.iter().map(|change| change.2).collect();
        assert_eq!(got, bits, "{written}");
    }
}

#[test]
fn bits_are_named_by_the_declared_range() {
    let text = "$timescale 1 ns $end $scope module a $end $var wire 3 ! up [0:2] $end $var wire 2 # down[9:8] $end \
                $var wire 1 % one [5] $end $var integer 32 & count $end $upscope $end $enddefinitions $end #0 b100 ! b10 # 1%";
    let dump = read(text);
    assert_eq!(
        dump.names[..7],
        ["a.up[0]", "a.up[1]", "a.up[2]", "a.down[9]", "a.down[8]", "a.one[5]", "a.count[31]"]
    );
    assert_eq!(dump.changes[..4], [(0, 0, High), (0, 1, Low), (0, 2, Low), (0, 3, High)]);
    assert_eq!(dump.changes[5], (0, 5, High));
}

#[test]
fn shared_codes_change_together() {
    let text = "$timescale 1 ns $end $scope module a $end $var wire 1 ! x $end $upscope $end $scope module b $end \
                $var wire 1 ! y $end $upscope $end $enddefinitions $end #4 1! #5 1! #6 0!";
    let dump = read(text);
    assert_eq!(dump.names, ["a.x", "b.y"]);
    assert_eq!(dump.changes, [(4, 0, High), (4, 1, High), (6, 0, Low), (6, 1, Low)]);
}

#[test]
fn reals_are_volts() {
    let text =
        "$timescale 1 ms $end $var real 64 ! key1 $end $enddefinitions $end #0 r3.3 ! #1 r-1.25e-1 !\n";
    let dump = read(text);
    assert_eq!(dump.changes, [(0, 0, Value::Volts(3.3)), (1_000_000, 0, Value::Volts(-0.125))]);
}

#[test]
fn dump_commands_carry_ordinary_values() {
    let text = format!(
        "{HEAD}$dumpvars 0! bx # $end #10 $dumpoff x! bx # $end #20 $dumpon 1! b11 # $end $dumpall 1! b11 # $end\n"
    );
    let dump = read(&text);
    let uart: Vec<_> = dump.changes.iter().filter(|change| change.1 == 0).collect();
    assert_eq!(uart, [&(0, 0, Low), &(10_000, 0, Unknown), &(20_000, 0, High)]);
}

#[test]
fn comments_and_unknown_keywords_are_skipped() {
    let text =
        format!("{HEAD}$comment 1! #99 b1 # $end #1 $attrbegin misc 02 x $end 1! $comment long\n\n $end 0!");
    assert_eq!(read(&text).changes, [(1000, 0, High), (1000, 0, Low)]);
}

#[test]
fn levels_of_other_writers_are_taken() {
    let text = format!("{HEAD}#1 H! #2 L! #3 U! #4 -! #5 1! #6 W!");
    let got: Vec<Value> = read(&text).changes.iter().map(|change| change.2).collect();
    // U and - are both no level, and no change from each other.
    assert_eq!(got, [High, Low, Unknown, High, Unknown]);
}

#[test]
fn long_identifier_codes_are_told_apart() {
    let mut text = "$timescale 1 ns $end\n".to_owned();
    let codes = ["!", "\"", "!!", "~~", "!!!", "~~~", "!!!!", "abcde", "abcdf"];
    for (i, code) in codes.iter().enumerate() {
        text.push_str(&format!("$var wire 1 {code} n{i} $end\n"));
    }
    text.push_str("$enddefinitions $end\n");
    for (i, code) in codes.iter().enumerate() {
        text.push_str(&format!("#{i}\n1{code}\n"));
    }
    let got: Vec<(i64, u16)> = read(&text).changes.iter().map(|change| (change.0, change.1)).collect();
    assert_eq!(got, (0..9).map(|i| (i, i as u16)).collect::<Vec<_>>());
}

#[test]
fn texts_and_memories_are_left_out_and_mentioned() {
    let text = "$timescale 1 ns $end $var string 1 ! s $end $var reg 99999 # m $end $var wire 1 % w $end \
                $enddefinitions $end #1 shello ! b1 # 1%";
    let dump = read(text);
    assert_eq!((dump.names.len(), dump.changes.as_slice()), (1, &[(1, 0, High)][..]));
    assert!(dump.remarks[0].contains("2 variables"), "{:?}", dump.remarks);
}

#[test]
fn mistakes_are_shown_with_their_line() {
    for (text, line, what) in [
        ("#1\n1!\n#0\n", 4, "backwards"),
        ("#1\n1?\n", 3, "code"),
        ("#1x\n1!\n", 2, "no time"),
        ("#99999999999999999999999\n1!\n", 2, "no time"),
        ("#1\nhello world\n1!\n", 3, "neither a time nor a value"),
        ("#1\n1\x7f\n1!\n", 3, "code"),
        ("#1\nb12 #\n1!\n", 3, "no value of a bit"),
        ("#1\nr1.5 !\n1!\n", 3, "another kind"),
        ("#1\n!!\n1!\n", 3, "no value of a bit"),
    ] {
        let error = error(&format!("{HEAD}{text}"));
        assert_eq!((error.kind(), error.place().line), (Kind::Input, Some(line)), "{text:?} {error}");
        assert!(error.what().contains(what) && error.help_text().is_some(), "{text:?} {error}");
    }
    for text in
        ["", "$timescale 1 us $end", "$var wire 1 ! a", "hello", "$var wire x ! a $end", "$var wire 1 $end"]
    {
        assert_eq!(error(text).kind(), Kind::Input, "{text:?}");
    }
    let clash = "$timescale 1 us $end\n$var wire 1 ! a $end\n$var wire 2 ! b $end\n";
    assert_eq!(error(clash).place().line, Some(3));
}

#[test]
fn a_file_cut_in_its_last_word_is_read_up_to_there() {
    for (end, cut) in [
        ("#12", true),
        ("b10", true),
        ("b10 ", true),
        ("b10 ?", true),
        ("0", true),
        ("#2000\n", false),
        ("#2000", false),
    ] {
        let dump = read(&format!("{HEAD}#1000\n1!\n{end}"));
        assert_eq!(dump.changes, [(1_000_000, 0, High)], "{end:?}");
        assert_eq!(!dump.remarks.is_empty(), cut, "{end:?}");
    }
}

#[test]
fn compressed_dumps_are_read_through_the_same_door() {
    let text = format!("{HEAD}#1 1! #2 0!\n");
    let mut encoder = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::best());
    encoder.write_all(text.as_bytes()).unwrap();
    let packed = encoder.finish().unwrap();
    let (kind, reader, _) = open(drip(&packed, 5)).unwrap();
    assert_eq!(kind, FileKind::Vcd);
    let mut source = VcdSource::new(reader, VcdOptions::default()).unwrap();
    let mut out = Vec::new();
    while source.pull(&mut out).unwrap() {}
    assert_eq!(out.len(), 2);
    // Cut inside: what was there is delivered, then the error says so.
    let (_, reader, _) = match open(drip(&packed[..packed.len() - 9], 0)) {
        Ok(opened) => opened,
        Err(error) => {
            assert_eq!(error.kind(), Kind::Input);
            return;
        }
    };
    let error = VcdSource::new(reader, VcdOptions::default()).and_then(|mut source| {
        let mut out = Vec::new();
        while source.pull(&mut out)? {}
        Ok(())
    });
    assert_eq!(error.err().unwrap().kind(), Kind::Input);
}

#[test]
fn a_word_without_end_is_refused_in_bounded_memory() {
    for begin in [HEAD.to_owned(), format!("{HEAD}#1 b"), "$".to_owned()] {
        let endless = Endless { pattern: b"1".to_vec(), left: 1 << 32, at: 0 };
        let reader = std::io::Read::chain(std::io::Cursor::new(begin.into_bytes()), endless);
        let error = VcdSource::new(Box::new(reader), VcdOptions::default()).and_then(|mut source| {
            let mut out = Vec::new();
            while source.pull(&mut out)? {}
            Ok(())
        });
        assert!(error.err().unwrap().what().contains("does not end"));
    }
}

#[test]
fn heads_without_bound_are_refused() {
    for pattern in [&b"$scope module deep $end\n"[..], b"$var string 1 abcde s $end\n", b"$comment $end\n"] {
        let endless = Endless { pattern: pattern.to_vec(), left: 1 << 32, at: 0 };
        let error = VcdSource::new(Box::new(endless), VcdOptions::default()).err().unwrap();
        assert_eq!(error.kind(), Kind::Input, "{error}");
    }
    let long = format!("$timescale 1 ns $end $var wire 1 ! {} $end", "n".repeat(600));
    assert!(error(&long).what().contains("512"));
    // Found by the fuzz target: the bits of a bus have longer names than the bus.
    let bus = format!("$timescale 1 ns $end $var wire 4 ! {} $end", "n".repeat(510));
    assert!(error(&bus).what().contains("512"));
}

fn channels(names: &[(&str, bool)]) -> Vec<Channel> {
    names.iter().map(|(name, analog)| Channel { name: (*name).to_owned(), analog: *analog }).collect()
}

#[test]
fn what_is_written_reads_back_the_same() {
    let channels =
        channels(&[("CH0", false), ("top.a.b", false), ("top.c", false), ("KEY1", true), ("d[3]", false)]);
    let changes = [
        (-500i64, 0u16, High),
        (-500, 3, Value::Volts(3.300_001)),
        (0, 1, Low),
        (0, 2, Unknown),
        (1_000_000_000_000, 0, Low),
        (1_000_000_000_001, 3, Value::Volts(-1.5e-7)),
        (1_000_000_000_001, 4, High),
    ];
    let mut writer = Writer::new(Vec::new(), &channels, Nanoseconds(-500), "straykey test").unwrap();
    for (t, channel, value) in changes {
        writer.change(Nanoseconds(t), channel, value).unwrap();
    }
    assert_eq!(writer.change(Nanoseconds(5), 0, High).err().unwrap().kind(), Kind::Usage);
    let file = writer.finish(Nanoseconds(1_000_000_000_009)).unwrap();
    let dump = try_read(&file, 0).unwrap();
    assert_eq!(dump.names, ["CH0", "top.a.b", "top.c", "KEY1", "d[3]"]);
    assert_eq!(dump.changes, changes.map(|(t, channel, value)| (t + 500, channel, value)));
    assert_eq!(dump.span, Some((0, 1_000_000_000_509)));
    // The general crate reads it too.
    let twin = twin(&file);
    assert_eq!(twin.len(), changes.len());
}

#[test]
fn names_that_are_no_words_are_made_words() {
    let channels = channels(&[("key 1", false), ("", false), ("$end", false), ("a..b", false)]);
    let mut writer = Writer::new(Vec::new(), &channels, Nanoseconds::ZERO, "$end $x").unwrap();
    writer.change(Nanoseconds(1), 3, High).unwrap();
    let file = writer.finish(Nanoseconds(1)).unwrap();
    let dump = try_read(&file, 0).unwrap();
    assert_eq!(dump.names, ["key_1", "_", "_end", "a..b"]);
    assert_eq!(dump.changes, [(1, 3, High)]);
}

/// Bits of every variable by the general crate: time in ticks, variable and bit, digit.
fn twin(file: &[u8]) -> Vec<(u64, usize, u32, char)> {
    let mut parser = vcd::Parser::new(file);
    let header = parser.parse_header().unwrap();
    let mut vars = Vec::new();
    fn collect(items: &[vcd::ScopeItem], vars: &mut Vec<(vcd::IdCode, u32)>) {
        for item in items {
            match item {
                vcd::ScopeItem::Var(var) => vars.push((var.code, var.size)),
                vcd::ScopeItem::Scope(scope) => collect(&scope.items, vars),
                _ => {}
            }
        }
    }
    collect(&header.items, &mut vars);
    let mut last = std::collections::HashMap::new();
    let mut out = Vec::new();
    let mut t = 0;
    for command in parser {
        let (code, digits) = match command.unwrap() {
            vcd::Command::Timestamp(ticks) => {
                t = ticks;
                continue;
            }
            vcd::Command::ChangeScalar(code, value) => (code, value.to_string()),
            vcd::Command::ChangeVector(code, vector) => (code, vector.to_string()),
            vcd::Command::ChangeReal(code, _) => {
                let var = vars.iter().position(|(other, _)| *other == code).unwrap();
                out.push((t, var, 0, 'r'));
                continue;
            }
            _ => continue,
        };
        for (var, (_, size)) in vars.iter().enumerate().filter(|(_, (other, _))| *other == code) {
            let size = *size as usize;
            let left = digits.chars().next().unwrap();
            let fill = if left == '1' { '0' } else { left };
            let full: String =
                std::iter::repeat_n(fill, size.saturating_sub(digits.len())).chain(digits.chars()).collect();
            for (bit, digit) in full.chars().enumerate() {
                // z is as little a level as x.
                let digit = if digit == 'z' { 'x' } else { digit };
                if last.insert((var, bit), digit) != Some(digit) {
                    out.push((t, var, bit as u32, digit));
                }
            }
        }
    }
    out
}

/// A random dump by the general crate's writer.
fn dump_strategy() -> impl Strategy<Value = (Vec<u8>, Vec<u32>)> {
    let change = (0u64..5, any::<prop::sample::Index>(), proptest::collection::vec(0u8..4, 1..9));
    (proptest::collection::vec(1u32..9, 1..8), proptest::collection::vec(change, 0..200)).prop_map(
        |(sizes, changes)| {
            let mut file = Vec::new();
            let mut writer = vcd::Writer::new(&mut file);
            writer.timescale(1, vcd::TimescaleUnit::US).unwrap();
            writer.add_module("top").unwrap();
            let codes: Vec<vcd::IdCode> = sizes
                .iter()
                .enumerate()
                .map(|(i, size)| writer.add_wire(*size, &format!("w{i}")).unwrap())
                .collect();
            writer.upscope().unwrap();
            writer.enddefinitions().unwrap();
            let mut t = 0;
            for (step, which, digits) in changes {
                if step > 0 {
                    t += step * step;
                    writer.timestamp(t).unwrap();
                }
                let which = which.index(codes.len());
                let value = |digit: &u8| {
                    [vcd::Value::V0, vcd::Value::V1, vcd::Value::X, vcd::Value::Z][usize::from(*digit)]
                };
                if sizes[which] == 1 {
                    writer.change_scalar(codes[which], value(&digits[0])).unwrap();
                } else {
                    let count = digits.len().min(sizes[which] as usize);
                    writer.change_vector(codes[which], digits[..count].iter().map(value)).unwrap();
                }
            }
            (file, sizes)
        },
    )
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 200, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn random_dumps_agree_with_the_general_crate((file, sizes) in dump_strategy()) {
        let dump = try_read(&file, 0).unwrap();
        let mut firsts = vec![0u32];
        for size in &sizes {
            firsts.push(firsts.last().unwrap() + size);
        }
        let expected: Vec<(i64, u16, Value)> = twin(&file)
            .into_iter()
            .map(|(t, var, bit, digit)| {
                let value = match digit { '0' => Low, '1' => High, _ => Unknown };
                (t as i64 * 1000, (firsts[var] + bit) as u16, value)
            })
            .collect();
        prop_assert_eq!(&dump.changes, &expected);
        for most in [1, 2, 7] {
            prop_assert_eq!(&try_read(&file, most).unwrap().changes, &expected);
        }
    }

    #[test]
    fn damaged_dumps_make_errors_not_panics(
        (file, _) in dump_strategy(),
        hits in proptest::collection::vec((any::<prop::sample::Index>(), any::<u8>()), 1..4),
        length in any::<prop::sample::Index>(),
    ) {
        let mut file = file;
        for (at, byte) in hits {
            let at = at.index(file.len());
            file[at] = byte;
        }
        file.truncate(length.index(file.len()) + 1);
        match (try_read(&file, 0), try_read(&file, 1)) {
            (Ok(whole), Ok(drops)) => prop_assert_eq!(whole.changes, drops.changes),
            (Err(whole), Err(drops)) => prop_assert_eq!(whole.to_string(), drops.to_string()),
            _ => prop_assert!(false, "the delivery decided"),
        }
    }

    #[test]
    fn random_changes_survive_writing(
        steps in proptest::collection::vec((0i64..3_000_000_000, 0u16..200, 0u8..3), 1..200),
    ) {
        let names: Vec<String> = (0..200).map(|i| format!("s{}.c{i}", i % 3)).collect();
        let channels: Vec<Channel> = names.iter().map(|name| Channel { name: name.clone(), analog: false }).collect();
        let mut writer = Writer::new(Vec::new(), &channels, Nanoseconds::ZERO, "x").unwrap();
        let (mut t, mut expected, mut last) = (0, Vec::new(), [None; 200]);
        for (step, channel, value) in steps {
            t += step;
            let value = [Low, High, Unknown][usize::from(value)];
            writer.change(Nanoseconds(t), channel, value).unwrap();
            if last[usize::from(channel)].replace(value) != Some(value) {
                expected.push((t, channel, value));
            }
        }
        let file = writer.finish(Nanoseconds(t)).unwrap();
        let dump = try_read(&file, 0).unwrap();
        prop_assert_eq!(dump.names, names);
        prop_assert_eq!(dump.changes, expected);
    }
}
