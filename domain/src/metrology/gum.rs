//! Combined and expanded uncertainty by JCGM 100:2008 (GUM).

use nalgebra::{DMatrix, SymmetricEigen};
use serde::Serialize;

use super::resolution::{confidence, positive_or_zero};
use crate::distributions::student_t_two_sided;
use crate::no_estimate::{NoEstimate, finite};

/// Degrees of freedom of an uncertainty: how well it is itself known.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Dof {
    /// From a type A evaluation, n minus the number of estimated parameters; or effective. At least 1.
    Finite(f64),
    /// Taken as exactly known, as of a rectangular distribution with given limits.
    Infinite,
}

impl Dof {
    /// As a number, infinite when infinite.
    #[must_use]
    pub fn value(self) -> f64 {
        match self {
            Self::Finite(dof) => dof,
            Self::Infinite => f64::INFINITY,
        }
    }

    /// Rounded down to a whole number, as G.4.1 of the GUM allows, so that the coverage factor errs on the wide side.
    #[must_use]
    pub fn truncated(self) -> Self {
        match self {
            // An effective number computed a rounding error below a whole one is that whole one.
            Self::Finite(dof) => Self::Finite((dof * (1.0 + 1e-12)).floor().max(1.0)),
            Self::Infinite => Self::Infinite,
        }
    }

    pub(crate) fn checked(self) -> Result<Self, NoEstimate> {
        match self {
            Self::Infinite => Ok(self),
            Self::Finite(dof) => {
                finite("the degrees of freedom", dof)?;
                if dof >= 1.0 {
                    Ok(self)
                } else {
                    Err(NoEstimate::OutOfRange {
                        what: "the degrees of freedom",
                        value: dof,
                        low: 1.0,
                        high: f64::MAX,
                    })
                }
            }
        }
    }
}

/// One input quantity of a measurement model.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Component {
    /// Partial derivative of the result by this input.
    pub sensitivity: f64,
    /// Standard uncertainty of this input, in its own unit.
    pub u: f64,
    /// Degrees of freedom of `u`.
    pub dof: Dof,
}

impl Component {
    /// An input that enters the result with factor 1.
    #[must_use]
    pub fn direct(u: f64, dof: Dof) -> Self {
        Self { sensitivity: 1.0, u, dof }
    }
}

/// Correlation of two inputs, given by their positions in the list.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Correlation {
    /// Position of the one.
    pub first: usize,
    /// Position of the other.
    pub second: usize,
    /// Correlation coefficient, -1 to 1.
    pub r: f64,
}

/// Combined standard uncertainty.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Combined {
    /// Combined standard uncertainty, in the unit of the result.
    pub u: f64,
    /// Effective degrees of freedom (Welch-Satterthwaite), not rounded. `None` when correlated inputs have finite degrees of
    /// freedom, for which the formula does not hold.
    pub dof: Option<Dof>,
}

/// Expanded uncertainty.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Expanded {
    /// Half-width of the interval, k u.
    pub half_width: f64,
    /// Coverage factor.
    pub k: f64,
    /// Level of confidence.
    pub level: f64,
    /// Degrees of freedom the factor was taken at, rounded down.
    pub dof: Dof,
}

/// Combines the inputs' uncertainties: u^2 = sum c_i^2 u_i^2 + 2 sum c_i c_j u_i u_j r_ij, with the effective degrees of
/// freedom u^4 / sum((c_i u_i)^4 / nu_i).
///
/// Inputs that no correlation names are independent. Source: JCGM 100:2008, 5.1.2, 5.2.2 and G.4.1.
///
/// # Errors
/// `TooFew` without inputs; `NotFinite` or `OutOfRange` for a bad number, a coefficient beyond 1 or a position beyond the
/// list; `Because` when the coefficients are not those of any set of variables, or the same pair is given twice.
pub fn combine(components: &[Component], correlations: &[Correlation]) -> Result<Combined, NoEstimate> {
    if components.is_empty() {
        return Err(NoEstimate::TooFew { what: "uncertainty components", needed: 1, got: 0 });
    }
    for component in components {
        finite("a sensitivity", component.sensitivity)?;
        positive_or_zero("a standard uncertainty", component.u)?;
        component.dof.checked()?;
    }
    let n = components.len();
    let contributions: Vec<f64> = components.iter().map(|c| c.sensitivity * c.u).collect();
    let largest = contributions.iter().fold(0.0f64, |most, c| most.max(c.abs()));
    finite("a component's contribution", largest)?;
    if largest == 0.0 {
        return Ok(Combined { u: 0.0, dof: Some(Dof::Infinite) });
    }
    // Relative to the largest, so that squares and fourth powers neither overflow nor vanish.
    let relative: Vec<f64> = contributions.iter().map(|c| c / largest).collect();
    let mut variance: f64 = relative.iter().map(|c| c * c).sum();
    let mut defined = true;
    if !correlations.is_empty() {
        let matrix = correlation_matrix(n, correlations)?;
        for i in 0..n {
            for j in i + 1..n {
                variance += 2.0 * relative[i] * relative[j] * matrix[(i, j)];
                let finite_dof = |k: usize| relative[k] != 0.0 && components[k].dof != Dof::Infinite;
                if matrix[(i, j)] != 0.0 && (finite_dof(i) || finite_dof(j)) {
                    defined = false;
                }
            }
        }
    }
    let variance = variance.max(0.0);
    let u = finite("the combined uncertainty", variance.sqrt() * largest)?;
    let denominator: f64 = relative.iter().zip(components).map(|(c, of)| c.powi(4) / of.dof.value()).sum();
    let dof = if !defined {
        None
    } else if denominator == 0.0 {
        Some(Dof::Infinite)
    } else {
        let effective = variance * variance / denominator;
        // Only perfect cancellation by correlated exact inputs can bring it below one.
        Some(if effective.is_finite() { Dof::Finite(effective.max(1.0)) } else { Dof::Infinite })
    };
    Ok(Combined { u, dof })
}

fn correlation_matrix(n: usize, correlations: &[Correlation]) -> Result<DMatrix<f64>, NoEstimate> {
    let mut matrix = DMatrix::<f64>::identity(n, n);
    for correlation in correlations {
        let Correlation { first, second, r } = *correlation;
        finite("a correlation coefficient", r)?;
        if r.abs() > 1.0 + 1e-9 {
            return Err(NoEstimate::OutOfRange {
                what: "a correlation coefficient",
                value: r,
                low: -1.0,
                high: 1.0,
            });
        }
        if first >= n || second >= n || first == second {
            return Err(NoEstimate::Because("a correlation does not name two of the inputs"));
        }
        if matrix[(first, second)] != 0.0 && matrix[(first, second)] != r {
            return Err(NoEstimate::Because("two correlations are given for the same two inputs"));
        }
        matrix[(first, second)] = r;
        matrix[(second, first)] = r;
    }
    let least = SymmetricEigen::new(matrix.clone()).eigenvalues.min();
    // Published coefficients are rounded to three decimals, so a little below zero is rounding and not nonsense.
    if least < -5e-3 * n as f64 {
        return Err(NoEstimate::Because("the correlation coefficients contradict each other"));
    }
    Ok(matrix)
}

impl Combined {
    /// Expanded uncertainty at a level of confidence (0 to 1), with the factor of Student's t at the effective degrees of
    /// freedom rounded down.
    ///
    /// Source: JCGM 100:2008, G.3.2 and G.4.1.
    ///
    /// # Errors
    /// `OutOfRange` for a level outside 0 to 1; `Because` when the effective degrees of freedom are not defined.
    pub fn expanded(&self, level: f64) -> Result<Expanded, NoEstimate> {
        confidence(level)?;
        let Some(dof) = self.dof else {
            return Err(NoEstimate::Because(
                "effective degrees of freedom are not defined for correlated inputs that have finite ones",
            ));
        };
        let dof = dof.checked()?.truncated();
        let k = student_t_two_sided(level, dof.value());
        Ok(Expanded { half_width: finite("the expanded uncertainty", k * self.u)?, k, level, dof })
    }

    /// Expanded uncertainty with a chosen factor, as k = 2 by convention (no level of confidence is claimed).
    ///
    /// # Errors
    /// `NotFinite` or `OutOfRange` for a factor that is not a positive finite number.
    pub fn times(&self, k: f64) -> Result<f64, NoEstimate> {
        finite("the expanded uncertainty", super::resolution::positive("the coverage factor", k)? * self.u)
    }
}
