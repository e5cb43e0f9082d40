//! Which thing took the place of which: of one kind, the nearest in mass.

/// Pairs two lists of masses, each heaviest first, so that the differences add up to the least and no two pairs cross; the
/// shorter list is used up. Among equals the heavier ones are paired. Answers pairs of places.
pub(super) fn pairs(went: &[i64], came: &[i64]) -> Vec<(usize, usize)> {
    if went.len() > came.len() {
        return pairs(came, went).into_iter().map(|(a, b)| (b, a)).collect();
    }
    let (short, long) = (went.len(), came.len());
    // least[i][j]: the least sum when the last i of the shorter are paired within the last j of the longer.
    let mut least = vec![vec![Some(0i128); long + 1]; short + 1];
    for i in 1..=short {
        for j in 0..=long {
            least[i][j] = if j < i {
                None
            } else {
                let gap = i128::from(went[short - i]) - i128::from(came[long - j]);
                let paired = least[i - 1][j - 1].map(|sum| sum + gap.abs());
                let skipped = least[i][j - 1];
                match (paired, skipped) {
                    (Some(a), Some(b)) => Some(a.min(b)),
                    (one, other) => one.or(other),
                }
            };
        }
    }
    let (mut i, mut j, mut out) = (short, long, Vec::with_capacity(short));
    while i > 0 {
        let gap = (i128::from(went[short - i]) - i128::from(came[long - j])).abs();
        if least[i - 1][j - 1].map(|sum| sum + gap) == least[i][j] {
            out.push((short - i, long - j));
            i -= 1;
        }
        j -= 1;
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn pairs_are_the_nearest_in_mass_and_do_not_cross() {
        assert_eq!(pairs(&[300, 100], &[290]), [(0, 0)]);
        assert_eq!(pairs(&[300, 100], &[110]), [(1, 0)]);
        assert_eq!(pairs(&[200], &[300, 100]), [(0, 0)]);
        assert_eq!(pairs(&[300, 200, 100], &[205, 101]), [(1, 0), (2, 1)]);
        assert_eq!(pairs(&[], &[1, 2]), []);
        // Two of a kind against two: rank by rank, although 180 with 190 alone would be nearer.
        assert_eq!(pairs(&[250, 180], &[190, 120]), [(0, 0), (1, 1)]);
    }
}
