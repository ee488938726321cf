//! Line shapes against a slow and obvious twin that knows nothing of automata.

use proptest::prelude::*;
use straykey::decode::shape::{Automaton, Captured, Form, Part, Scratch, Shape, parse, read_whole};

fn shape(text: &str) -> Shape {
    let none = Shape { text: String::new(), parts: Vec::new(), prefix_parts: 0 };
    parse(Some(&none), text).unwrap_or_else(|mistake| panic!("{text}: {mistake:?}"))
}

/// Whether the parts can be laid over the whole line, by trying every length of every part.
fn twin(parts: &[Part], line: &[u8], at_start: bool) -> bool {
    let blank = |b: &u8| matches!(b, b' ' | b'\t');
    if at_start && line.first().is_some_and(blank) {
        return twin(parts, &line[1..], true);
    }
    let Some((part, rest)) = parts.split_first() else { return line.iter().all(blank) };
    match part {
        Part::Literal(bytes) => line.starts_with(bytes) && twin(rest, &line[bytes.len()..], false),
        Part::Blank => {
            let most = line.iter().take_while(|b| blank(b)).count();
            (1..=most).any(|n| twin(rest, &line[n..], false))
        }
        Part::Placeholder(p) => {
            let padding = if p.width.is_some() { 0 } else { line.iter().take_while(|b| blank(b)).count() };
            (0..=padding).any(|skip| {
                let line = &line[skip..];
                (1..=line.len()).any(|n| {
                    p.width.is_none_or(|w| usize::from(w) == n)
                        && fits(p.form, p.stop, p.width.is_some(), &line[..n])
                        && twin(rest, &line[n..], false)
                })
            })
        }
    }
}

fn fits(form: Form, stop: Option<u8>, fixed: bool, text: &[u8]) -> bool {
    let string = String::from_utf8_lossy(text);
    let digits = |s: &str| !s.is_empty() && s.bytes().all(|b| b.is_ascii_digit());
    let printed = text.iter().all(|b| *b >= 0x20 && *b != 0x7f || *b == b'\t');
    match form {
        Form::Integer if fixed => digits(&string),
        Form::Integer => digits(string.strip_prefix(['-', '+']).unwrap_or(&string)),
        Form::Hex => text.iter().all(u8::is_ascii_hexdigit),
        Form::Seconds => match string.split_once('.') {
            Some((whole, part)) => digits(whole) && digits(part),
            None => digits(&string),
        },
        Form::Clock => {
            let parts: Vec<&str> = string.split(':').collect();
            let sixty = |s: &str| digits(s) && s.len() == 2 && s < "60";
            let [hours, minutes, seconds] = parts[..] else { return false };
            let (whole, part) = seconds.split_at(seconds.find(['.', ',']).unwrap_or(seconds.len()));
            digits(hours) && sixty(minutes) && sixty(whole) && (part.is_empty() || digits(&part[1..]))
        }
        Form::Word => {
            printed
                && !text.contains(&b' ')
                && !text.contains(&b'\t')
                && !stop.is_some_and(|s| text.contains(&s))
        }
        Form::Text => {
            printed
                && !string.starts_with([' ', '\t'])
                && !string.ends_with([' ', '\t'])
                && !stop.is_some_and(|s| text.contains(&s))
        }
        Form::Bytes => {
            let mut rest = text;
            loop {
                rest = rest.strip_prefix(b"0x").unwrap_or(rest);
                match rest {
                    [a, b, after @ ..] if a.is_ascii_hexdigit() && b.is_ascii_hexdigit() => rest = after,
                    _ => return false,
                }
                match rest {
                    [] => return true,
                    [b' ' | b':' | b'-' | b'.', after @ ..] => rest = after,
                    _ => {}
                }
            }
        }
    }
}

const SHAPES: [&str; 11] = [
    "[{uptime:seconds}] keyscan: line={line:word} adc=0x{counts:hex}",
    "{a:integer} {b:integer}",
    "{item:word}={value:integer}",
    "menu: {item:text} = {value:text}",
    "cec: rx {message:bytes}",
    "0001 {key:hex:4} {state:hex:8}",
    "k[{name:text}]: {a:integer}",
    "{w:word:3}{n:integer:2}",
    "a {{b}} {value:text}",
    "{uptime:clock} {a:integer}",
    "rx {message:bytes}",
];

proptest! {
    #![proptest_config(super::seeded(3000))]
    #[test]
    fn automata_match_exactly_what_the_twin_matches(
        which in 0..SHAPES.len(),
        // Lines near the shapes: made of their own pieces.
        pieces in prop::collection::vec(prop::sample::select(vec![
            "[", "12.4", "]", " ", "  ", "\t", "keyscan:", "line=", "KEY1", "adc=0x", "3ff", "7", "-5", "=", "menu:",
            "Sound", " = ", "cec: rx", "05 44:41", "0001", "0073", "00000001", "k[", "a b", "]:", "abc12", "a", "{b}",
            "\u{e9}", "\x1b", ".", "x", "0:59:07", ",25", "rx", "0x0", "-",
        ]), 0..9),
        exact in any::<bool>(),
    ) {
        let examples = [
            "[12.400] keyscan: line=KEY1 adc=0x3ff", "255 -7", "07=13", "menu: a b = c", "cec: rx 05 44 41",
            "0001 0073 00000001", "k[vol up]: 3", "abc12", "a {b} c d",
            "10:05:09.5 7", "rx 0x05-44.41",
        ];
        let line = if exact { format!("{}{}", examples[which], pieces.concat()) } else { pieces.concat() };
        let shape = shape(SHAPES[which]);
        let expected = twin(&shape.parts, line.as_bytes(), true);
        let regex = [shape.regex()];
        let table = Automaton::whole(&regex).unwrap();
        let lazy = Automaton::lazy(&regex).unwrap();
        prop_assert_eq!(table.find(&mut Scratch::default(), line.as_bytes()).is_some(), expected, "{}", line);
        prop_assert_eq!(lazy.find(&mut Scratch::default(), line.as_bytes()).is_some(), expected, "{}", line);
        let mut slots = [Captured::default(); 16];
        prop_assert_eq!(read_whole(&shape.parts, line.as_bytes(), &mut slots), expected, "{}", line);
    }
}

#[test]
fn near_misses_are_no_matches_in_any_of_the_ways_to_read_a_line() {
    let keyscan = |stamp: &str| format!("[{stamp}] keyscan: line=K adc=0x1");
    let cases = [
        (0, keyscan("12.5"), true),
        (0, keyscan("12"), true),
        (0, keyscan("   12.5"), true),
        (0, keyscan("12."), false),
        (0, keyscan(".5"), false),
        (0, keyscan("1.2.3"), false),
        (0, keyscan("-1"), false),
        (1, "- 5".into(), false),
        (1, "5 -".into(), false),
        (1, "--1 2".into(), false),
        (1, "+1\t -2 ".into(), true),
        (1, "1 2 3".into(), false),
        (3, "menu: a  b  =  c d ".into(), true),
        (3, "menu: a= b".into(), false),
        (3, "menu:  = b".into(), false),
        (4, "cec: rx 0544 41".into(), true),
        (4, "cec: rx 05 4".into(), false),
        (4, "cec: rx 05  44".into(), false),
        (4, "cec: rx :05".into(), false),
        (5, "0001 073 00000001".into(), false),
        (5, "0001 0073 00000001x".into(), false),
        (6, "k[]: 3".into(), false),
        (6, "k[ a ]: 3".into(), false),
        (7, "abc1".into(), false),
        (7, "ab 12".into(), false),
    ];
    for (which, line, expected) in cases {
        let shape = shape(SHAPES[which]);
        let (regex, line) = ([shape.regex()], line.as_bytes());
        let shown = String::from_utf8_lossy(line);
        assert_eq!(twin(&shape.parts, line, true), expected, "twin: {shown}");
        let table = Automaton::whole(&regex).unwrap();
        assert_eq!(table.find(&mut Scratch::default(), line).is_some(), expected, "table: {shown}");
        assert_eq!(
            read_whole(&shape.parts, line, &mut [Captured::default(); 16]),
            expected,
            "reader: {shown}"
        );
    }
}

#[test]
fn table_and_lazy_automaton_choose_the_same_shape() {
    let mut shapes: Vec<Shape> = SHAPES.iter().map(|text| shape(text)).collect();
    shapes.sort_by_key(|shape| std::cmp::Reverse(shape.specificity()));
    let regexes: Vec<String> = shapes.iter().map(Shape::regex).collect();
    let (table, lazy) = (Automaton::whole(&regexes).unwrap(), Automaton::lazy(&regexes).unwrap());
    assert!(table.is_table() && !lazy.is_table());
    let mut scratch = Scratch::default();
    for line in ["1 2", "7=1", "menu: a = b", "0001 0073 00000001", "abc12", "nothing", "", "a {b} c = d"] {
        let line = line.as_bytes();
        assert_eq!(table.find(&mut Scratch::default(), line), lazy.find(&mut scratch, line));
    }
}

#[test]
fn the_more_specific_shape_wins() {
    let shapes = ["osd: {value:text}", "osd: hide", "osd: {value:word}"].map(shape);
    let mut order: Vec<usize> = (0..3).collect();
    order.sort_by_key(|i| std::cmp::Reverse(shapes[*i].specificity()));
    assert_eq!(order, [1, 2, 0]);
}

#[test]
fn overlapping_shapes_are_found_with_a_line_that_has_both() {
    let regexes = [shape("osd: hide"), shape("osd: {value:word}"), shape("key {k:word}")].map(|s| s.regex());
    let overlaps = Automaton::overlaps(&regexes).unwrap();
    assert_eq!(overlaps.len(), 1);
    assert_eq!((overlaps[0].winner, overlaps[0].loser), (0, 1));
    assert_eq!(String::from_utf8_lossy(&overlaps[0].line), "osd: hide");
}

#[test]
fn shapes_whose_end_is_not_certain_are_refused_at_their_place() {
    let none = Shape { text: String::new(), parts: Vec::new(), prefix_parts: 0 };
    let cases = [
        ("a {x:integer}{y:integer}", 2, "not certain"),
        ("a {x:hex}dec", 2, "not certain"),
        ("a {x:text} {y:word}", 2, "not certain"),
        ("a {x:bytes} {y:word}", 2, "not certain"),
        ("a {x:bytes} end", 2, "not certain"),
        ("a {x:wrod}", 2, "no form is called `wrod`"),
        ("a {x}", 2, "no form"),
        ("a {:word}", 2, "no name"),
        ("a {x:word} b {x:word}", 13, "stands twice"),
        ("a {x:word", 2, "not closed"),
        ("a } b", 2, "closing brace"),
        ("a {x:seconds:4}", 2, "no width"),
    ];
    for (text, start, part) in cases {
        let mistake = parse(Some(&none), text).unwrap_err();
        assert!(mistake.what.contains(part), "{text}: {mistake:?}");
        assert_eq!(mistake.span.start, start, "{text}");
        assert!(!mistake.expected.is_empty());
    }
    assert!(parse(Some(&none), "a {x:wrod}").unwrap_err().expected.contains("`word`"));
}

#[test]
fn the_cost_of_a_hostile_line_is_that_of_its_length() {
    // The same number of bytes, as lines of 8 kB and as lines of 64 kB, must cost about the same; a matcher that
    // backtracks takes eight times as long for the second. Equal work keeps the load of the machine out of it.
    let regexes = SHAPES.map(|text| shape(text).regex());
    let automaton = Automaton::lazy(&regexes).unwrap();
    let mut scratch = Scratch::default();
    for filler in ["a", " ", "0", "= ", "[", "05 ", "menu: a", "k[a"] {
        let mut best = |length: usize| {
            let line = filler.repeat(length / filler.len());
            let runs = (0..7).map(|_| {
                let start = std::time::Instant::now();
                for _ in 0..(320_000 / length) {
                    std::hint::black_box(automaton.find(&mut scratch, line.as_bytes()));
                }
                start.elapsed().as_secs_f64()
            });
            runs.fold(f64::MAX, f64::min)
        };
        let (short, long) = (best(8_000), best(64_000));
        assert!(long < 4.0 * short + 1e-3, "{filler:?}: {short} s, {long} s");
    }
}
