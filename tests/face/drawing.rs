//! The drawing of a ladder: windows, nominal and measured levels, in a page and by itself.

#![allow(clippy::unwrap_used)] // helpers of tests are not seen as tests by the lint

use straykey::bench::{Level, WindowMark, Windows};
use straykey::face::drawing::{Door, Theme, Width, ladder_svg};

/// Ten bits, three keys and idle; Volume up was asked for and read as Volume down.
fn line() -> Windows {
    let level = |label: &str, nominal, low, high| Level { label: label.into(), nominal, low, high };
    let mark = |label: &str, asked: Option<&str>, counts: f64| WindowMark {
        label: label.into(),
        asked: asked.map(str::to_owned),
        counts,
        low: counts - 4.0,
        high: counts + 4.0,
    };
    Windows {
        line: "KEY1".into(),
        full_scale: 1023.0,
        levels: vec![
            level("Volume down", Some(156.0), 0.0, 222.0),
            level("Volume up", Some(287.0), 222.0, 363.0),
            level("no key", None, 363.0, 700.0),
            level("no key", Some(1023.0), 700.0, 1024.0),
        ],
        marks: vec![
            mark("Stage 1: no key", None, 1019.0),
            mark("Volume up asked", Some("Volume up"), 210.0),
            mark("Volume down asked", Some("Volume down"), 150.0),
        ],
    }
}

/// Values of an attribute of all elements with a class.
fn values(svg: &str, class: &str, name: &str) -> Vec<f64> {
    svg.split('<')
        .filter(|element| element.contains(&format!("class=\"{class}\"")))
        .map(|element| {
            element.split(&format!(" {name}=\"")).nth(1).unwrap().split('"').next().unwrap().parse().unwrap()
        })
        .collect()
}

/// X of the first point of every stroke with a class.
fn strokes(svg: &str, class: &str) -> Vec<f64> {
    svg.split('<')
        .filter(|element| element.contains(&format!("class=\"{class}\"")))
        .map(|element| element.split("d=\"M").nth(1).unwrap().split(' ').next().unwrap().parse().unwrap())
        .collect()
}

#[test]
fn windows_and_levels_stand_at_their_place_on_one_scale() {
    let svg = ladder_svg(&[line()], Theme::Inherit, Width::SHEET, Door::Open).unwrap();
    // The quarter lines give the scale: 0 and 1023 counts.
    let grid = strokes(&svg, "grid");
    let (zero, full) = (grid[0], grid[4]);
    let at = |counts: f64| zero + (full - zero) * counts / 1023.0;
    let near = |found: &[f64], counts: &[f64]| {
        assert_eq!(found.len(), counts.len(), "{found:?}");
        for (x, c) in found.iter().zip(counts) {
            assert!((x - at(*c).min(full)).abs() < 0.11, "{x} is not at {c} counts");
        }
    };
    // From the highest down; the stretch between keys has no row, since nothing was read there.
    near(&values(&svg, "window", "x"), &[700.0, 222.0, 0.0]);
    near(&strokes(&svg, "level"), &[1023.0, 287.0, 156.0]);
    near(&values(&svg, "value", "cx"), &[1019.0, 150.0]);
    // The key that was read as another one is a cross, not only another colour: five to the left of its place.
    near(&strokes(&svg, "astray").iter().map(|x| x + 5.0).collect::<Vec<_>>(), &[210.0]);
    // Each reading stands in the row of the window that it fell into.
    let tops = values(&svg, "window", "y");
    let rows = values(&svg, "value", "cy");
    assert!(rows[0] > tops[0] && rows[0] < tops[1] && rows[1] > tops[2], "{rows:?} in {tops:?}");
}

#[test]
fn a_drawing_by_itself_carries_its_colours_and_its_words() {
    let page = ladder_svg(&[line()], Theme::Inherit, Width::SHEET, Door::Open).unwrap();
    let light = ladder_svg(&[line(), line()], Theme::Light, Width::SHEET, Door::Open).unwrap();
    let dark = ladder_svg(&[line()], Theme::Dark, Width::column(560), Door::Open).unwrap();
    assert!(!page.contains("<style>") && light.contains("<style>") && dark.contains("<style>"));
    assert_ne!(light.split("<style>").nth(1).unwrap()[..60], dark.split("<style>").nth(1).unwrap()[..60]);
    // For those who want to look at it.
    for (name, svg) in [("light", &light), ("dark", &dark)] {
        std::fs::write(format!("{}/ladder-{name}.svg", env!("CARGO_TARGET_TMPDIR")), svg).unwrap();
    }
    for svg in [&page, &light, &dark] {
        assert!(svg.starts_with("<svg ") && svg.contains("role=\"img\"") && svg.ends_with("</svg>"));
        assert!(svg.contains("<title>Key ladder") && svg.contains("KEY1: 3 windows, 3 readings."), "{svg}");
        assert!(!svg.contains("NaN") && !svg.contains("inf"));
    }
    assert_eq!(light.matches("class=\"window\"").count(), 2 * page.matches("class=\"window\"").count());
}

#[test]
fn foreign_text_and_odd_numbers_do_no_harm() {
    let mut odd = line();
    odd.line = "<script>alert(1)</script>".into();
    odd.marks[0].label = "\"><b>".into();
    odd.marks[1].counts = f64::NAN;
    odd.marks[2].high = f64::INFINITY;
    let svg = ladder_svg(&[odd.clone()], Theme::Dark, Width::column(560), Door::Open).unwrap();
    assert!(
        !svg.contains("<script") && !svg.contains("<b>") && !svg.contains("NaN") && !svg.contains("inf"),
        "{svg}"
    );
    odd.full_scale = f64::NAN;
    assert_eq!(ladder_svg(&[odd], Theme::Dark, Width::column(560), Door::Open), None);
    assert_eq!(ladder_svg(&[], Theme::Light, Width::SHEET, Door::Open), None);
}

#[test]
fn in_a_narrow_column_names_end_before_the_levels_begin() {
    let mut line = line();
    for level in &mut line.levels {
        level.label = "wwwwwwwwwwwwwwwwwwwww".into();
    }
    for units in [0, 300, 380, 560, 2000] {
        let svg =
            ladder_svg(std::slice::from_ref(&line), Theme::Light, Width::column(units), Door::Open).unwrap();
        // Letters of 7.2 units on average, digits of 8.3 at most (13 units high, DejaVu Sans).
        let (zero, full) = (strokes(&svg, "grid")[0], strokes(&svg, "grid")[4]);
        let shown = svg.split("class=\"label\"").nth(1).unwrap().split(['>', '<']).nth(1).unwrap();
        assert!(
            10.0 + 7.2 * shown.chars().count() as f64 <= zero - 10.0 - 4.0 * 8.3,
            "{units}: {shown}, {zero}"
        );
        assert!(full - zero >= 4.0 * 32.0, "{units}: no room for the scale");
    }
}
