//! Rounding that closes.

/// Rounds `numerators / denominator` to whole numbers that add up to `target`, by largest remainders: each is rounded down,
/// and what is missing goes to those that lost most (the first of equals first). `target` is the rounded sum, or a neighbour
/// of it.
///
/// `denominator` must be above zero. With no numerators there is nothing to give out.
#[must_use]
pub fn apportion(numerators: &[i64], denominator: i64, target: i64) -> Vec<i64> {
    let mut out: Vec<i64> = numerators.iter().map(|n| n.div_euclid(denominator)).collect();
    let mut order: Vec<usize> = (0..numerators.len()).collect();
    order.sort_by_key(|&at| (std::cmp::Reverse(numerators[at].rem_euclid(denominator)), at));
    let mut missing = target - out.iter().sum::<i64>();
    while missing != 0 && !order.is_empty() {
        let step = missing.signum();
        let turn: Vec<usize> = if step > 0 { order.clone() } else { order.iter().rev().copied().collect() };
        for at in turn.into_iter().take(missing.unsigned_abs() as usize) {
            out[at] += step;
            missing -= step;
        }
    }
    out
}

/// `numerator / denominator` to the nearest whole number, halves away from zero.
pub(super) fn rounded(numerator: i128, denominator: i128) -> i64 {
    let twice = 2 * numerator.unsigned_abs() + denominator.unsigned_abs();
    let size = (twice / (2 * denominator.unsigned_abs())) as i64;
    if (numerator < 0) == (denominator < 0) { size } else { -size }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn apportion_thirds_add_up() {
        // Three thirds of 1: two round down, one up.
        assert_eq!(apportion(&[1, 1, 1], 3, 1), [1, 0, 0]);
        assert_eq!(apportion(&[-1, -1, -1], 3, -1), [0, 0, -1]);
        assert_eq!(apportion(&[3_000, -1_000], 1_000, 2), [3, -1]);
        assert_eq!(apportion(&[], 7, 0), [0; 0]);
        assert_eq!([rounded(7, 2), rounded(-7, 2), rounded(1, 3), rounded(0, 5)], [4, -4, 0, 0]);
    }

    proptest! {
        #[test]
        fn apportion_adds_up_and_stays_within_one(parts in prop::collection::vec(-10_000i64..10_000, 1..20), denominator in 1i64..100) {
            let target = rounded(parts.iter().sum::<i64>().into(), denominator.into());
            let out = apportion(&parts, denominator, target);
            prop_assert_eq!(out.iter().sum::<i64>(), target);
            for (part, whole) in parts.iter().zip(&out) {
                prop_assert!((part - whole * denominator).abs() <= denominator);
            }
        }
    }
}
