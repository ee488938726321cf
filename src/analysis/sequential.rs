//! Looking often must not hurt: a boundary up to the planned end of a soak, and one for every look after it.
//!
//! Up to the planned end a deviate must pass c/√(share of the information that the planned end will have); this spends
//! 4 % of the error. Later looks need the boundary of a normal mixture, which spends the rest.

use crate::analysis::special::{boundary, crossing, normal_upper};

/// Error of all looks up to the planned end, and of all later ones.
pub const PLANNED: f64 = 0.04;
/// See [`PLANNED`].
pub const LATER: f64 = 0.01;

/// Points of the grid on each side of zero.
const GRID: usize = 60;

/// The constant c such that a standard Brownian motion, looked at when its information has these shares (ascending, the
/// last one 1), lies beyond ±c at any look with chance `error`.
///
/// # Source
/// O'Brien & Fleming 1979, Biometrics 35:549; by recursive integration, Armitage, McPherson & Rowe 1969, J. Royal Stat.
/// Soc. A 132:235.
pub fn constant(shares: &[f64], error: f64) -> f64 {
    crossing(0.5, 10.0, 1e-6, |c| crossed(shares, c) - error)
}

/// Chance that it lies beyond ±c at one of the looks.
///
/// What is not yet beyond is kept as masses on a grid; each look spreads them by the normal step, cell by cell, so that
/// no mass is lost to a coarse grid.
#[allow(clippy::cast_precision_loss)]
fn crossed(shares: &[f64], c: f64) -> f64 {
    let width = 2.0 * c / (2 * GRID + 1) as f64;
    let mut inside: Vec<f64> = Vec::new();
    let mut at = 0.0;
    for share in shares.iter().copied().filter(|share| *share > 0.0) {
        let step = (share - at).max(0.0).sqrt();
        if step < 1e-9 {
            continue;
        }
        // Chance to step from a cell's middle below an edge so many cells off.
        let reach = |cells: f64| 1.0 - normal_upper(cells * width / step);
        if inside.is_empty() {
            inside = (0..=2 * GRID)
                .map(|i| reach(i as f64 - GRID as f64 + 0.5) - reach(i as f64 - GRID as f64 - 0.5))
                .collect();
        } else {
            let cells: Vec<f64> = (0..=4 * GRID)
                .map(|d| d as f64 - (2 * GRID) as f64)
                .map(|d| reach(d + 0.5) - reach(d - 0.5))
                .collect();
            let next = |to: usize| -> f64 {
                inside.iter().enumerate().map(|(from, mass)| mass * cells[to + 2 * GRID - from]).sum()
            };
            inside = (0..=2 * GRID).map(next).collect();
        }
        at = share;
    }
    1.0 - inside.iter().sum::<f64>()
}

/// The constant for looks at every instant: the reflection series of Brownian motion.
///
/// # Source
/// Feller 1971, An Introduction to Probability Theory II, X.5: P(|B| < c up to 1) = (4/π) Σ (-1)^k/(2k+1)
/// exp(-(2k+1)² π²/8c²).
pub fn constant_always(error: f64) -> f64 {
    let stays = |c: f64| -> f64 {
        let term = |k: u32| {
            let odd = f64::from(2 * k + 1);
            let sign = if k.is_multiple_of(2) { 1.0 } else { -1.0 };
            sign / odd * (-(odd * std::f64::consts::PI / c).powi(2) / 8.0).exp()
        };
        4.0 / std::f64::consts::PI * (0..40).map(term).sum::<f64>()
    };
    boundary(0.3, 20.0, |c| 1.0 - stays(c) > error)
}

/// The looks of one comparison.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Looks {
    c: f64,
}

/// [`constant`] for forty-eight even shares at [`PLANNED`]; worked out once, since it takes longer than a live look may.
const USUAL: f64 = 2.253_99;
/// Most looks of a plan that are integrated over; with more, every n-th is.
const MOST_LOOKS: usize = 24;

impl Looks {
    /// Planned looks, by the information that each will have; the last one is the planned end.
    pub fn planned(information: &[f64]) -> Self {
        let last = information.last().copied().unwrap_or(1.0);
        if last <= 0.0 || information.len() > MOST_LOOKS {
            return Self { c: constant_always(PLANNED) };
        }
        let shares: Vec<f64> = information.iter().map(|i| i / last).collect();
        Self { c: constant(&shares, PLANNED) }
    }

    /// Forty-eight looks, each with as much more information as the one before; for live looks too, since episodes come
    /// too seldom for a look at every instant to matter.
    pub fn usual() -> Self {
        Self { c: USUAL }
    }

    /// Looks at any instant up to the planned end.
    pub fn always() -> Self {
        Self { c: constant_always(PLANNED) }
    }

    /// The constant up to the planned end.
    pub fn c(&self) -> f64 {
        self.c
    }

    /// The standard deviate that must be passed when the information is `share` of that at the planned end.
    ///
    /// # Source
    /// Beyond the planned end: Robbins 1970, Ann. Math. Stat. 41:1397; with the mixture's scale best at the planned end
    /// as in Howard, Ramdas, McAuliffe & Sekhon 2021, Ann. Stat. 49:1055.
    pub fn deviate(&self, share: f64) -> f64 {
        if share <= 0.0 {
            f64::INFINITY
        } else if share <= 1.0 {
            self.c / share.sqrt()
        } else {
            mixture(share, LATER)
        }
    }
}

/// Deviate of a normal mixture at so many times the information at which it is narrowest.
fn mixture(share: f64, error: f64) -> f64 {
    let twice = -2.0 * error.ln();
    let rho = 1.0 / (twice + (1.0 + twice).ln());
    ((share + rho) / share * (((share + rho) / rho).ln() + twice)).sqrt()
}

/// The two-sided confidence at which an interval has this deviate.
pub fn confidence(deviate: f64) -> f64 {
    1.0 - 2.0 * normal_upper(deviate)
}
