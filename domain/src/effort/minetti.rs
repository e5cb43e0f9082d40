//! Cost of transport against gradient: Minetti, Moia, Roi, Susta and Ferretti 2002, "Energy cost of walking and running
//! at extreme uphill and downhill slopes", J Appl Physiol 93:1039. Ten elite mountain runners on a treadmill, net of
//! rest, gradients within 0.45 either way; nothing is extrapolated beyond that.

use crate::no_estimate::{NoEstimate, within};

/// The steepest gradient that was measured, either way (rise over run).
pub const MAX_GRADIENT: f64 = 0.45;

/// Highest power first, J/kg/m.
const RUNNING: [f64; 6] = [155.4, -30.4, -43.3, 46.3, 19.5, 3.6];
const WALKING: [f64; 6] = [280.5, -58.7, -76.8, 51.9, 19.6, 2.5];

/// A gradient within the range of the measurements, as rise over run: 0.10 climbs 10 m in 100 m.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd)]
pub struct Gradient(f64);

impl Gradient {
    /// From rise over run.
    ///
    /// # Errors
    /// [`NoEstimate::NotFinite`], or [`NoEstimate::OutOfRange`] beyond 0.45 either way: the polynomials rise without
    /// bound there, and a clipped gradient would be a made-up number.
    pub fn new(rise_over_run: f64) -> Result<Self, NoEstimate> {
        within("gradient", rise_over_run, -MAX_GRADIENT, MAX_GRADIENT).map(Self)
    }

    /// As rise over run.
    #[must_use]
    pub fn value(self) -> f64 {
        self.0
    }
}

/// How the ground is covered.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Gait {
    /// Running throughout.
    Running,
    /// Walking throughout.
    Walking,
    /// Whichever costs less on each stretch.
    Cheaper,
    /// Running up to a gradient and walking what is steeper, which is how most describe their own habit.
    WalkAbove(Gradient),
}

fn polynomial(coefficients: &[f64; 6], i: f64) -> f64 {
    coefficients.iter().fold(0.0, |sum, c| sum * i + c)
}

impl Gait {
    /// Net metabolic cost in joules per kilogram of everything that moves and per metre of ground.
    ///
    /// The paper's standard deviations between its ten subjects are about 7 % on the level and up the steepest climb,
    /// and 20 % downhill.
    #[must_use]
    pub fn cost_j_kg_m(self, gradient: Gradient) -> f64 {
        let i = gradient.0;
        match self {
            Self::Running => polynomial(&RUNNING, i),
            Self::Walking => polynomial(&WALKING, i),
            Self::Cheaper => polynomial(&RUNNING, i).min(polynomial(&WALKING, i)),
            Self::WalkAbove(threshold) if i > threshold.0 => polynomial(&WALKING, i),
            Self::WalkAbove(_) => polynomial(&RUNNING, i),
        }
    }
}

/// Where a cost curve is lowest.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LeastCost {
    /// The gradient, rise over run.
    pub gradient: f64,
    /// The cost there.
    pub cost: f64,
}

/// Golden-section search for the least value of a curve with one valley on `[a, b]`, to about 1e-10 of the abscissa's
/// attainable precision (a minimum is flat, so its place is known only to the root of the machine precision).
fn least(curve: impl Fn(f64) -> f64, mut a: f64, mut b: f64) -> LeastCost {
    let shrink = (5f64.sqrt() - 1.0) / 2.0;
    let (mut c, mut d) = (b - shrink * (b - a), a + shrink * (b - a));
    let (mut at_c, mut at_d) = (curve(c), curve(d));
    for _ in 0..80 {
        if at_c < at_d {
            (b, d, at_d) = (d, c, at_c);
            c = b - shrink * (b - a);
            at_c = curve(c);
        } else {
            (a, c, at_c) = (c, d, at_d);
            d = a + shrink * (b - a);
            at_d = curve(d);
        }
    }
    let gradient = f64::midpoint(a, b);
    LeastCost { gradient, cost: curve(gradient) }
}

/// The gradient at which a metre of ground costs least in running, J/kg/m (a descent of about 18 %).
#[must_use]
pub fn least_cost_per_metre() -> LeastCost {
    least(|i| polynomial(&RUNNING, i), -MAX_GRADIENT, 0.0)
}

/// The climb at which a metre of height costs least in running, in J/kg per metre climbed (about 34 %).
#[must_use]
pub fn least_cost_per_metre_climbed() -> LeastCost {
    least(|i| polynomial(&RUNNING, i) / i, 0.05, MAX_GRADIENT)
}
