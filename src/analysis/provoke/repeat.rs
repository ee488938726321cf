//! The same stressor before and after a repair: whether fewer come now than luck explains.

/// Most further blocks that are asked for.
const MOST_BLOCKS: usize = 200;

/// Chance of so few in the blocks of now, or fewer, if the repair changed nothing.
///
/// # Formula
/// All blocks of both times are mixed, and as many as there are of now picked from them: the share of all picks whose sum is at
/// most that of now. Counted exactly: ways to pick k blocks of sum s, block by block.
///
/// # Source
/// Fisher's test on two samples by Pitman 1937, Suppl. J. R. Stat. Soc. 4:119, section 2. It takes how much counts differ from block to
/// block as it is, so bursts within a block do not count many times. Stands on blocks that could be exchanged between the
/// two times if nothing had changed: no drift from the one to the other, and no spells longer than a block and the
/// blocks between. `examples/provoke.md` has what it does where that is not so.
#[allow(clippy::cast_precision_loss, clippy::cast_possible_truncation)]
pub fn fewer(before: &[u64], now: &[u64]) -> f64 {
    let (picked, most) = (now.len(), now.iter().sum::<u64>() as usize);
    let mut ways = vec![vec![0.0f64; most + 1]; picked + 1];
    ways[0][0] = 1.0;
    let mut met = 0usize;
    for block in before.iter().chain(now) {
        met += 1;
        let step = *block as usize;
        for k in (1..=picked.min(met)).rev() {
            for sum in (step..=most).rev() {
                ways[k][sum] += ways[k - 1][sum - step];
            }
        }
    }
    let mut all = 1.0f64;
    for k in 0..picked {
        all *= (met - k) as f64 / (k + 1) as f64;
    }
    (ways[picked].iter().sum::<f64>() / all).min(1.0)
}

/// How many blocks of now must be quiet, all of them, for a chance of at most `alpha`; `None` where no number of them would do.
pub fn quiet_blocks(before: &[u64], alpha: f64) -> Option<usize> {
    (1..=MOST_BLOCKS).find(|blocks| fewer(before, &vec![0; *blocks]) <= alpha)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn agrees_with_counting_by_hand() {
        // Of the 6 picks of two from 3, 1, 0, 1 those of sum 0 or 1: {0, 1} twice. Sum of now is 1.
        assert!((fewer(&[3, 1], &[0, 1]) - 2.0 / 6.0).abs() < 1e-12);
        // Seven blocks that each had some, and seven without: one pick of 3432.
        assert!((fewer(&[2, 1, 5, 1, 1, 3, 9], &[0; 7]) - 1.0 / 3432.0).abs() < 1e-12);
        // One burst in one block is one block, however many it holds: half of all picks leave it out.
        assert!((fewer(&[0, 0, 40, 0], &[0; 4]) - 0.5).abs() < 1e-12);
        assert_eq!(fewer(&[0, 0], &[0, 0]), 1.0);
        assert!((fewer(&[0, 0], &[4, 4]) - 1.0).abs() < 1e-12);
    }

    #[test]
    fn many_blocks_do_not_overflow() {
        // A pick of 200 of 400 that are all equal is never fewer.
        assert!((fewer(&[1; 200], &[1; 200]) - 1.0).abs() < 1e-9);
        assert!(fewer(&[1; 200], &[0; 200]) < 1e-100);
    }

    #[test]
    fn the_quiet_that_is_needed_is_the_least_that_does() {
        // Of 7 blocks that each had some: 1/C(7 + n, n), 1/120 at 3 and 1/36 at 2.
        assert_eq!(quiet_blocks(&[1; 7], 0.01), Some(3));
        assert_eq!(quiet_blocks(&[0; 7], 0.01), None);
    }
}
