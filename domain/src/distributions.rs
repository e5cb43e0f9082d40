//! Distribution functions that stay right far out in the tails, where P values and one-sided bounds are read.
//!
//! The incomplete beta and gamma functions are `statrs`'s. Its error function is right to eleven digits only, so that one
//! is `libm`'s. Quantiles are polished by Newton steps in the smaller tail, and the logarithm of the normal tail, which
//! no distribution type offers, is a continued fraction. Every function takes finite arguments;
//! callers check theirs first. Out-of-domain arguments give the limit, never NaN.

use std::f64::consts::{PI, SQRT_2};

use libm::erfc;
use statrs::distribution::{ChiSquared, Continuous, ContinuousCDF, StudentsT};
use statrs::function::erf::erfc_inv;

/// Beyond this many degrees of freedom Student's t differs from the normal distribution by less than the rounding of the
/// incomplete beta function; a Cornish-Fisher correction takes over.
const T_LARGE_DOF: f64 = 1e6;

/// Standard normal density.
#[must_use]
pub fn normal_pdf(x: f64) -> f64 {
    (-0.5 * x * x).exp() / (2.0 * PI).sqrt()
}

/// P(Z <= x) of the standard normal distribution.
#[must_use]
pub fn normal_cdf(x: f64) -> f64 {
    0.5 * erfc(-x / SQRT_2)
}

/// P(Z > x) of the standard normal distribution, without cancellation for large `x`.
#[must_use]
pub fn normal_sf(x: f64) -> f64 {
    0.5 * erfc(x / SQRT_2)
}

/// ln P(Z > x), finite for every finite `x` up to about 1e154 (beyond, the square itself overflows).
///
/// From x = 5 on by the continued fraction of the Mills ratio (Abramowitz and Stegun 26.2.14, from memory).
#[must_use]
pub fn normal_log_sf(x: f64) -> f64 {
    if x < -1.0 {
        (-normal_cdf(x)).ln_1p()
    } else if x < 5.0 {
        normal_sf(x).ln()
    } else {
        let mut tail = x;
        for k in (1..=60u32).rev() {
            tail = x + f64::from(k) / tail;
        }
        -0.5 * x * x - 0.5 * (2.0 * PI).ln() - tail.ln()
    }
}

/// The hazard (inverse Mills ratio) of the standard normal distribution, density over upper tail.
#[must_use]
pub fn normal_hazard(x: f64) -> f64 {
    (-0.5 * x * x - 0.5 * (2.0 * PI).ln() - normal_log_sf(x)).exp()
}

/// The x with P(Z <= x) = `p`; infinite at 0 and 1.
#[must_use]
pub fn normal_quantile(p: f64) -> f64 {
    if p <= 0.0 {
        return f64::NEG_INFINITY;
    }
    if p >= 1.0 {
        return f64::INFINITY;
    }
    let (tail, sign) = if p < 0.5 { (p, -1.0) } else { (1.0 - p, 1.0) };
    let mut x = SQRT_2 * erfc_inv(2.0 * tail);
    for _ in 0..2 {
        let density = normal_pdf(x);
        if density > 0.0 {
            x += (normal_sf(x) - tail) / density;
        }
    }
    sign * x
}

/// Two-sided normal quantile: the k with P(|Z| <= k) = `level`.
#[must_use]
pub fn normal_two_sided(level: f64) -> f64 {
    normal_quantile(0.5 + 0.5 * level)
}

fn t_distribution(dof: f64) -> Option<StudentsT> {
    if dof < T_LARGE_DOF { StudentsT::new(0.0, 1.0, dof).ok() } else { None }
}

/// The normal deviate with the same tail as t with many degrees of freedom, to second order in 1/dof.
fn t_as_normal(t: f64, dof: f64) -> f64 {
    let (t2, v) = (t * t, 1.0 / dof);
    t * (1.0 - v * (t2 + 1.0) / 4.0 + v * v * (13.0 * t2 * t2 + 8.0 * t2 + 3.0) / 96.0)
}

/// The inverse of [`t_as_normal`] (Abramowitz and Stegun 26.7.5, from memory).
fn normal_as_t(z: f64, dof: f64) -> f64 {
    let (z2, v) = (z * z, 1.0 / dof);
    z * (1.0 + v * (z2 + 1.0) / 4.0 + v * v * (5.0 * z2 * z2 + 16.0 * z2 + 3.0) / 96.0)
}

/// P(T > x) of Student's t with `dof` degrees of freedom (an infinite `dof` is the normal distribution).
#[must_use]
pub fn student_t_sf(x: f64, dof: f64) -> f64 {
    match t_distribution(dof) {
        Some(t) => t.sf(x),
        None => normal_sf(t_as_normal(x, dof)),
    }
}

/// P(T <= x) of Student's t with `dof` degrees of freedom.
#[must_use]
pub fn student_t_cdf(x: f64, dof: f64) -> f64 {
    student_t_sf(-x, dof)
}

/// The x with P(T <= x) = `p`; infinite at 0 and 1.
#[must_use]
pub fn student_t_quantile(p: f64, dof: f64) -> f64 {
    let (tail, sign) = if p < 0.5 { (p, -1.0) } else { (1.0 - p, 1.0) };
    sign * student_t_upper_quantile(tail, dof)
}

/// The x with P(T > x) = `tail`; the way to reach tails too small for `1 - p`.
#[must_use]
pub fn student_t_upper_quantile(tail: f64, dof: f64) -> f64 {
    if tail <= 0.0 {
        return f64::INFINITY;
    }
    if tail >= 1.0 {
        return f64::NEG_INFINITY;
    }
    if tail > 0.5 {
        return -student_t_upper_quantile(1.0 - tail, dof);
    }
    if tail == 0.5 {
        return 0.0;
    }
    let Some(t) = t_distribution(dof) else {
        return normal_as_t(-normal_quantile(tail), dof);
    };
    // Exact forms exist for one and two degrees of freedom.
    if dof == 1.0 {
        return 1.0 / (PI * tail).tan();
    }
    if dof == 2.0 {
        return (1.0 - 2.0 * tail) / (2.0 * tail * (1.0 - tail)).sqrt();
    }
    // Newton on ln P against ln x converges from anywhere on the upper side, because the tail is close to a power law.
    let mut x = -normal_quantile(tail);
    for _ in 0..60 {
        let sf = t.sf(x);
        let density = t.pdf(x);
        if !(sf > 0.0 && density > 0.0 && x > 0.0) {
            break;
        }
        let step = ((sf / tail).ln() * sf / (density * x)).clamp(-2.0, 2.0);
        x *= step.exp();
        if step.abs() < 1e-15 {
            break;
        }
    }
    x
}

/// Two-sided Student quantile: the k with P(|T| <= k) = `level`.
#[must_use]
pub fn student_t_two_sided(level: f64, dof: f64) -> f64 {
    student_t_upper_quantile(0.5 * (1.0 - level), dof)
}

/// P(X > x) of the chi-square distribution.
#[must_use]
pub fn chi_squared_sf(x: f64, dof: f64) -> f64 {
    if x <= 0.0 {
        return 1.0;
    }
    ChiSquared::new(dof).map_or(0.0, |chi2| chi2.sf(x))
}

/// The gamma function of a positive argument.
#[must_use]
pub fn gamma(x: f64) -> f64 {
    statrs::function::gamma::gamma(x)
}
