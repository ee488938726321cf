//! Time units, stamps and sizes of dumps beyond the standard's: exports of samples write their sample interval as the
//! unit, and stamps with a fraction; simulators dump millions of variables. What they mean follows from the words alone.

use straykey::base::Error;
use straykey::source::SampleSource;
use straykey::source::Value::{High, Low};
use straykey::source::vcd::{VcdOptions, VcdSource};

use crate::support::drip::drip;

fn times(text: &str, most: usize) -> Result<Vec<i64>, Error> {
    let mut source = VcdSource::new(drip(text.as_bytes(), most), VcdOptions::default())?;
    let mut out = Vec::new();
    while source.pull(&mut out)? {}
    Ok(out.into_iter().map(|change| change.t.0).collect())
}

fn dump(unit: &str, body: &str) -> String {
    format!("$timescale {unit} $end $var wire 1 ! a $end $enddefinitions $end\n{body}\n")
}

#[test]
fn any_number_of_a_unit_is_a_unit() {
    for (unit, expected) in [
        ("244 ns", 732),
        ("2.5 us", 7500),
        ("41.666 ns", 124),
        ("20 US", 60_000),
        ("1.5 s", 4_500_000_000),
        ("250 ps", 0),
        ("7 ps", 0),
        ("0.5 ns", 1),
    ] {
        assert_eq!(times(&dump(unit, "#0 0!\n#3 1!"), 0).unwrap(), [0, expected], "{unit}");
    }
    for unit in ["0 ns", "ns", "-1 ns", "1.2.3 ns", "0.0000001 fs", "5 min", "1e3 ns"] {
        let error = times(&dump(unit, "#0 0!"), 0).err().unwrap();
        assert!(error.help_text().is_some(), "{unit}: {error}");
    }
}

#[test]
fn stamps_may_have_a_fraction() {
    let text = dump("1 us", "#0.25 0!\n#1.5 1!\n#1.75 0!\n#2 1!\n#3.000001 0!");
    for most in [0, 1, 5] {
        assert_eq!(times(&text, most).unwrap(), [250, 1500, 1750, 2000, 3000]);
    }
    for wrong in ["#1.5 1!\n#1.25 0!", "#2 1!\n#1.9 0!", "#1.9 1!\n#1 0!", "#. 1!", "#1.x 1!"] {
        assert!(times(&dump("1 us", &format!("#0 0!\n{wrong}\n#9 1!")), 0).is_err(), "{wrong}");
    }
}

#[test]
fn a_dump_without_unit_names_what_there_is() {
    let error = times("$var wire 1 ! a $end $enddefinitions $end #0 0!", 0).err().unwrap();
    assert!(!error.help_text().unwrap().contains("give the"), "{error}");
}

#[test]
fn of_more_variables_than_fit_the_wanted_ones_are_kept() {
    let mut head = "$timescale 1 us $end $scope module top $end\n".to_owned();
    for i in 0..150_000 {
        head += &format!("$var wire 1 x{i} w{i} $end\n");
    }
    let text = head + "$upscope $end $enddefinitions $end\n#1 1x140000 1x149999 #2 0x140000 0x3\n";
    assert!(times(&text, 1 << 20).err().unwrap().help_text().unwrap().contains("--wire"));
    for wanted in ["W140000", "top.w140000"] {
        let options = VcdOptions { wanted: vec![wanted.to_owned()] };
        let mut source = VcdSource::new(drip(text.as_bytes(), 1 << 20), options).unwrap();
        let last = source.channels().len() - 1;
        assert_eq!(source.channels()[last].name, "top.w140000");
        let mut out = Vec::new();
        while source.pull(&mut out).unwrap() {}
        let seen: Vec<_> = out.iter().map(|change| (usize::from(change.channel), change.value)).collect();
        assert_eq!(seen, [(last, High), (last, Low), (3, Low)]);
        assert!(source.remarks()[0].contains("left out"));
    }
}
