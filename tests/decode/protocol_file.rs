//! Mistakes in chassis files are shown at their place, with what was expected.

use std::path::Path;

use straykey::decode::chassis::Chassis;
use straykey::decode::check::{Severity, check};

const HEAD: &str = "[chassis]\nname = \"x\"\nversion = 1\nabout = \"a\"\nsource = \"invented\"\n";

#[test]
fn each_mistake_is_shown_with_line_column_and_what_was_expected() {
    // (rest of the file from line 6 on, line, column, part of the message, part of the advice)
    let cases = [
        ("[[record]]\nshap = \"a\"\n", 7, 1, "unknown field `shap`", "did you mean `shape`?"),
        (
            "[[record]]\nshape = \"a {x:wrod}\"\nevent = \"ignore\"\n",
            7,
            12,
            "no form is called `wrod`",
            "`word`",
        ),
        (
            "[[record]]\nshape = \"abc {cuonts:hex}\"\nevent = \"reading\"\n",
            7,
            14,
            "called `cuonts`",
            "`counts`",
        ),
        (
            "[[record]]\nshape = \"abc\"\nevent = \"preess\"\n",
            8,
            9,
            "unknown variant `preess`",
            "did you mean `press`?",
        ),
        (
            "[[record]]\nshape = \"abc\"\nevent = \"press\"\nkey = \"KEY_VOLUMUP\"\n",
            9,
            7,
            "KEY_VOLUMUP",
            "KEY_VOLUMEUP",
        ),
        (
            "[[record]]\nshape = \"abc\"\nevent = \"press\"\nkey = { a = \"KEY_OK\" }\n",
            9,
            7,
            "captures no key",
            "key_from",
        ),
        ("[[record]]\nshape = \"abc\"\nevent = \"reading\"\n", 8, 9, "cannot give", "counts"),
        (
            "[[record]]\nshape = \"abc {counts:text}\"\nevent = \"reading\"\n",
            7,
            14,
            "cannot be a text",
            "integer",
        ),
        (
            "[repeat]\ndelay_s = -1.0\nperiod_s = 0.1\n[[record]]\nshape = \"abc\"\nevent = \"boot\"\n",
            7,
            11,
            "-1",
            "above 0",
        ),
        ("[[record]]\nshape = \"abc\nevent = 3\n", 7, 13, "invalid", "basic string"),
    ];
    for (rest, line, column, what, advice) in cases {
        let text = format!("{HEAD}{rest}");
        let error = Chassis::parse(Path::new("x.toml"), &text).unwrap_err();
        let shown = error.to_string();
        assert_eq!((error.place().line, error.place().column), (Some(line), Some(column)), "{shown}");
        assert!(shown.contains(what), "{shown}");
        assert!(shown.contains(advice), "{shown}");
        assert!(shown.starts_with("x.toml:"), "{shown}");
    }
}

#[test]
fn the_name_inside_must_be_that_of_the_file() {
    let text = format!("{HEAD}[[record]]\nshape = \"abc\"\nevent = \"boot\"\n");
    assert!(Chassis::parse(Path::new("x.toml"), &text).is_ok());
    let error = Chassis::parse(Path::new("dir/y.toml"), &text).unwrap_err();
    assert_eq!(error.place().line, Some(2));
}

#[test]
fn a_wrong_example_is_an_error_with_the_first_difference() {
    let text = format!(
        "{HEAD}[[record]]\nshape = \"go {{value:word}}\"\nevent = \"standby\"\n[[example]]\ninput = \"go on\"\n\
         events = [{{ path = \"system\", kind = \"standby\", value = \"off\" }}]\n"
    );
    let findings = check(Path::new("x.toml"), &text);
    assert_eq!(findings.len(), 2, "{findings:?}");
    assert_eq!(findings[0].severity, Severity::Error);
    assert_eq!(findings[0].place.line, Some(10));
    assert!(findings[0].message.contains("`value` should be \"off\", is \"on\""), "{}", findings[0]);
}

#[test]
fn shapes_that_fit_the_same_line_equally_well_are_a_warning() {
    let text = format!(
        "{HEAD}[clock]\nline_period_s = 1.0\n[[record]]\nshape = \"go {{value:word}}\"\nevent = \"standby\"\n\
         [[record]]\nshape = \"go {{_x:word}}\"\nevent = \"ignore\"\n\
         [[example]]\ninput = \"go on\"\nevents = [{{ path = \"system\", kind = \"standby\" }}]\n"
    );
    let findings = check(Path::new("x.toml"), &text);
    // The second takes no line at all, and that is said too.
    assert_eq!(findings.len(), 2, "{findings:?}");
    for (finding, what) in findings.iter().zip(["never matches", "both fit the line"]) {
        assert!(finding.message.contains(what), "{finding}");
        assert_eq!((finding.severity, finding.place.line), (Severity::Warning, Some(12)));
    }
}

#[test]
fn files_that_are_too_large_binary_or_of_too_many_shapes_are_refused() {
    let large = "#".repeat((1 << 20) + 1);
    assert!(Chassis::parse(Path::new("x.toml"), &large).is_err());
    assert!(Chassis::parse(Path::new("x.toml"), "\0\u{1}\u{2}").is_err());
    assert!(Chassis::parse(Path::new("x.toml"), HEAD).is_err(), "no records");
    let many = format!("{HEAD}{}", "[[record]]\nshape = \"abc\"\nevent = \"boot\"\n".repeat(1_001));
    assert!(Chassis::parse(Path::new("x.toml"), &many).unwrap_err().what().contains("1001 shapes"));
}
