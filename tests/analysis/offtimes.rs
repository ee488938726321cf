use straykey::analysis::quiet_intervals::{QuietIntervals, dispersion};

use super::outside::{close, number, table};

fn side(text: &str, least: f64) -> QuietIntervals {
    let mut parts = text.split(';').map(|part| part.split_whitespace().map(|v| v.parse().unwrap()).collect());
    let mut next = || parts.next().unwrap();
    QuietIntervals { whole: next(), leading: next(), trailing: next(), least }
}

/// SciPy by quadrature over the scale, `tests/reference/offtime.py`: not the closed forms that we use.
#[test]
fn dispersion_agrees_with_numerical_integration() {
    let rows = table("offtime.csv");
    assert_eq!(rows.len(), 4);
    for row in rows {
        let name = row.join(" ");
        let (joined, wanted) = (number(&row, 1), number(&row, 3));
        let sides: Vec<QuietIntervals> = row[4].split('|').map(|text| side(text, joined)).collect();
        close(dispersion(&sides), wanted, 1e-6, &name);
    }
}
