//! The log-rank test: do two or more pools last equally long?

use nalgebra::{DMatrix, DVector};
use serde::Serialize;

use super::life::{FEW_EVENTS, ItemLife, count_events, enough_events, risk_table};
use crate::distributions::chi_squared_sf;
use crate::no_estimate::{NoEstimate, finite};

/// Result of the log-rank test.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct LogRank {
    /// Chi-square statistic.
    pub chi2: f64,
    /// Degrees of freedom, pools minus one.
    pub dof: usize,
    /// P value.
    pub p: f64,
    /// Failures seen in each pool.
    pub observed: Vec<usize>,
    /// Failures to expect in each pool if all lasted equally.
    pub expected: Vec<f64>,
    /// Fewer than ten events altogether.
    pub few_events: bool,
}

/// Log-rank test of two or more pools, with the hypergeometric variance for ties and with left truncation.
///
/// Source: Mantel (1966); Peto and Peto (1972) (from memory).
///
/// # Errors
/// `TooFew` for fewer than two pools, an empty pool or fewer than five events altogether; `AllCensored`; `NotFinite`,
/// `OutOfRange`, `Unordered`; `Singular` when the pools were never at risk together.
pub fn log_rank(pools: &[&[ItemLife]]) -> Result<LogRank, NoEstimate> {
    let k = pools.len();
    if k < 2 {
        return Err(NoEstimate::TooFew { what: "pools", needed: 2, got: k });
    }
    let observed = pools.iter().map(|pool| count_events(pool)).collect::<Result<Vec<usize>, _>>()?;
    let all: Vec<ItemLife> = pools.iter().flat_map(|pool| pool.iter().copied()).collect();
    let events = enough_events(&all)?;
    let sorted = |pool: &[ItemLife], of: fn(&ItemLife) -> f64| {
        let mut ages: Vec<f64> = pool.iter().map(of).collect();
        ages.sort_by(f64::total_cmp);
        ages
    };
    let ages: Vec<(Vec<f64>, Vec<f64>)> =
        pools.iter().map(|pool| (sorted(pool, |life| life.entry), sorted(pool, |life| life.exit))).collect();
    let mut expected = vec![0.0; k];
    let mut variance = DMatrix::<f64>::zeros(k - 1, k - 1);
    for row in risk_table(&all) {
        let (d, n) = (row.events as f64, row.at_risk as f64);
        let share: Vec<f64> = ages
            .iter()
            .map(|(entries, exits)| {
                let at_risk = entries.partition_point(|entry| *entry < row.age)
                    - exits.partition_point(|exit| *exit < row.age);
                at_risk as f64 / n
            })
            .collect();
        for (sum, share) in expected.iter_mut().zip(&share) {
            *sum += d * share;
        }
        if row.at_risk > 1 {
            let factor = d * (n - d) / (n - 1.0);
            for i in 0..k - 1 {
                for j in 0..k - 1 {
                    let same = if i == j { share[i] } else { 0.0 };
                    variance[(i, j)] += factor * (same - share[i] * share[j]);
                }
            }
        }
    }
    const APART: NoEstimate = NoEstimate::Singular { what: "pools that were never at risk together" };
    let difference = DVector::from_fn(k - 1, |i, _| observed[i] as f64 - expected[i]);
    let cholesky = variance.cholesky().ok_or(APART)?;
    if cholesky.l_dirty().diagonal().iter().any(|pivot| pivot * pivot < 1e-10) {
        return Err(APART);
    }
    let chi2 = finite("the statistic", difference.dot(&cholesky.solve(&difference)))?.max(0.0);
    Ok(LogRank {
        chi2,
        dof: k - 1,
        p: chi_squared_sf(chi2, (k - 1) as f64),
        observed,
        expected,
        few_events: events < FEW_EVENTS,
    })
}
