use std::cell::Cell;

use straykey::analysis::special::{
    beta, crossing, gamma_lower, gamma_lower_inverse, gamma_upper, gamma_upper_inverse, ln_gamma,
    normal_upper, student_quantile, student_upper,
};

use super::outside::{close, number, table};

/// mpmath, 40 digits, `tests/reference/special.py`. 1e-10 is the demand for a, n <= 1e4.
#[test]
fn special_functions_agree_with_mpmath() {
    let rows = table("special.csv");
    assert!(rows.len() > 200);
    for row in rows {
        let (a, b, c) = (number(&row, 1), number(&row, 2), number(&row, 3));
        let ours = match row[0].as_str() {
            "gamma_lower" => gamma_lower(a, b),
            "gamma_upper" => gamma_upper(a, b),
            "beta" => beta(a, b, c),
            "normal_upper" => normal_upper(a),
            "student_upper" => student_upper(a, b),
            "ln_gamma" => ln_gamma(a),
            other => panic!("unknown function {other}"),
        };
        let theirs = number(&row, 4);
        if row[0] == "ln_gamma" && theirs.abs() < 1e-3 {
            assert!((ours - theirs).abs() < 1e-12, "{row:?}: {ours:e}");
        } else {
            close(ours, theirs, 1e-10, &row.join(" "));
        }
    }
}

#[test]
fn inverses_lead_back_at_every_magnitude() {
    for a in [0.5, 1.0, 3.0, 40.0, 1000.5] {
        for tail in [1e-100, 1e-50, 1e-10, 0.025, 0.5, 0.999] {
            close(gamma_lower(a, gamma_lower_inverse(a, tail)), tail, 1e-9, "lower");
            close(gamma_upper(a, gamma_upper_inverse(a, tail)), tail, 1e-9, "upper");
        }
    }
    // Student's t, 0.975 quantile at 10 degrees of freedom: 2.228 in every printed table.
    assert!((student_quantile(0.025, 10.0) - 2.228_138_85).abs() < 1e-7);
}

/// Roots from the books: Newton's x^3 - 2x - 5 (2.0945514815423265), cos x = x (0.7390851332151607), and a step that gives
/// a secant nothing to go by. Calls: two for the ends and at most one more than halving
/// needs, and one where rounding leaves the last stretch a hair too long.
#[test]
fn a_crossing_is_found_from_above_with_few_calls() {
    type Case = (&'static str, f64, f64, f64, f64, fn(f64) -> f64);
    let cases: [Case; 5] = [
        ("Newton", 2.0, 3.0, 2.094_551_481_542_326_5, 15.0, |x| 5.0 + 2.0 * x - x * x * x),
        ("Dottie", 0.0, 1.0, 0.739_085_133_215_160_7, 15.0, |x| x.cos() - x),
        ("step", 0.0, 8.0, 3.1, f64::INFINITY, |x| if x < 3.1 { 1.0 } else { -1e-9 }),
        ("to minus infinity", 0.0, 8.0, 3.1, f64::INFINITY, |x| {
            if x < 3.1 { 3.1 - x } else { f64::NEG_INFINITY }
        }),
        ("flat", 0.0, 10.0, 3.0, f64::INFINITY, |x| (3.0 - x).powi(9)),
    ];
    for (name, low, high, root, few, function) in cases {
        let calls = Cell::new(0.0);
        let found = crossing(low, high, 1e-9, |x| {
            calls.set(calls.get() + 1.0);
            function(x)
        });
        assert!(found - root > -1e-12 && found - root <= 1e-9, "{name}: {found}");
        assert!(function(found) <= 0.0, "{name}: the upper end");
        let halving = ((high - low) / 1e-9_f64).log2().ceil();
        assert!(calls.get() <= few.min(halving + 4.0), "{name}: {} calls, halving {halving}", calls.get());
    }
}
