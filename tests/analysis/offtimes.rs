use straykey::analysis::offtime::{OffTimes, Stretches, dispersion};

use super::outside::{close, number, table};

fn side(text: &str, least: f64) -> Stretches {
    let mut parts = text.split(';').map(|part| part.split_whitespace().map(|v| v.parse().unwrap()).collect());
    let mut next = || parts.next().unwrap();
    Stretches { whole: next(), leading: next(), trailing: next(), least }
}

/// SciPy by quadrature over the scale, `tests/reference/offtime.py`: not the closed forms that we use.
#[test]
fn off_times_agree_with_numerical_integration() {
    let rows = table("offtime.csv");
    assert!(rows.len() > 25);
    for row in rows {
        let name = row.join(" ");
        let (joined, given, wanted) = (number(&row, 1), number(&row, 2), number(&row, 3));
        if row[0] == "dispersion" {
            let sides: Vec<Stretches> = row[4].split('|').map(|text| side(text, joined)).collect();
            close(dispersion(&sides), wanted, 1e-6, &name);
            continue;
        }
        let found = OffTimes::fit(&side(&row[4], joined)).unwrap();
        match row[0].as_str() {
            "quiet" => {
                let ours = found.quiet(given);
                assert!(
                    // Shapes of a weight below 1e-9 are left out.
                    (ours - wanted).abs() < 1e-8 + 1e-7 * wanted,
                    "{name}: ours {ours:e}, outside {wanted:e}"
                );
            }
            "needed" => close(found.needed(given, 1.0), wanted, 1e-6, &name),
            "shape" => close(found.shape(), wanted, 1e-8, &name),
            other => panic!("unknown row {other}"),
        }
    }
}
