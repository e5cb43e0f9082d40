//! A stock that is used at a steady rate.

/// What a leg does to a stock.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Depletion {
    /// What is left at the end.
    pub left: f64,
    /// Mean over the leg.
    pub mean: f64,
    /// How long nothing was left, h.
    pub lacking_h: f64,
}

/// Uses a stock at a rate per hour for some hours: with `r L <= x` the integral is `x L - r L^2/2`, else `x^2/(2 r)`.
pub(super) fn deplete(stock: f64, rate: f64, hours: f64) -> Depletion {
    let used = rate * hours;
    if used <= stock || hours == 0.0 {
        Depletion { left: (stock - used).max(0.0), mean: stock - used / 2.0, lacking_h: 0.0 }
    } else {
        let lasts = stock / rate;
        Depletion { left: 0.0, mean: stock * lasts / 2.0 / hours, lacking_h: hours - lasts }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn deplete_stock_that_ends_on_the_way_has_the_mean_of_a_triangle() {
        assert_eq!(deplete(100.0, 50.0, 4.0), Depletion { left: 0.0, mean: 25.0, lacking_h: 2.0 });
        assert_eq!(deplete(100.0, 25.0, 4.0), Depletion { left: 0.0, mean: 50.0, lacking_h: 0.0 });
        assert_eq!(deplete(0.0, 0.0, 4.0), Depletion { left: 0.0, mean: 0.0, lacking_h: 0.0 });
        assert_eq!(deplete(7.0, 3.0, 0.0), Depletion { left: 7.0, mean: 7.0, lacking_h: 0.0 });
    }
}
