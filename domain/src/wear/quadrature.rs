//! Gauss-Legendre nodes, for the smooth densities of two or three parameters.

/// Nodes and weights on -1 to 1, by Newton's method on the Legendre polynomial (Abramowitz and Stegun 25.4.29).
pub(super) fn legendre(n: usize) -> Vec<(f64, f64)> {
    (0..n)
        .map(|i| {
            let mut x = (std::f64::consts::PI * (i as f64 + 0.75) / (n as f64 + 0.5)).cos();
            let mut slope = 1.0;
            for _ in 0..20 {
                let (mut last, mut value) = (1.0, x);
                for k in 2..=n {
                    let k = k as f64;
                    (last, value) = (value, ((2.0 * k - 1.0) * x * value - (k - 1.0) * last) / k);
                }
                slope = n as f64 * (x * value - last) / (x * x - 1.0);
                let step = value / slope;
                x -= step;
                if step.abs() < 1e-16 {
                    break;
                }
            }
            (x, 2.0 / ((1.0 - x * x) * slope * slope))
        })
        .collect()
}

/// Nodes and weights on -1 to 1 of `panels` equal panels with `n` nodes each.
pub(super) fn composite(panels: usize, n: usize) -> Vec<(f64, f64)> {
    let nodes = legendre(n);
    let half = 1.0 / panels as f64;
    (0..panels)
        .flat_map(|panel| {
            let middle = -1.0 + half * (2 * panel + 1) as f64;
            nodes.iter().map(move |(x, w)| (middle + half * x, half * w)).collect::<Vec<_>>()
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn legendre_even_powers_integrated_exactly() {
        for n in [2, 7, 40, 48] {
            let nodes = legendre(n);
            for power in [0, 2, 2 * n as i32 - 2] {
                let sum: f64 = nodes.iter().map(|(x, w)| w * x.powi(power)).sum();
                assert!((sum - 2.0 / f64::from(power + 1)).abs() < 1e-13, "{n} nodes, power {power}: {sum}");
            }
        }
    }
}
