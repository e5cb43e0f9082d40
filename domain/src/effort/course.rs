//! The cost of a course, and of 100 g more on it.

use std::fmt;

use super::minetti::{Gait, Gradient};
use super::{JOULES_PER_KCAL, STANDARD_GRAVITY};
use crate::no_estimate::{NoEstimate, finite, within};

/// What must stand beside every figure of this module.
pub const CAVEATS: &str = "A model from ten runners on treadmills, smaller than day-to-day variation. It leaves out \
the muscle damage of descents, heat, cold, balance, sleep and morale, and says nothing about what is safe to leave \
behind: the organiser's list and the forecast decide that.";

/// The range on an increment: loads near the waist cost somewhat more than in proportion (Teunissen, Grabowski and Kram
/// 2007, J Exp Biol 210:4418, fig. 3), unloading saves less than in proportion (same, fig. 2: 0.73 to 0.81 per cent for
/// one per cent). The width is a judgement.
const LOW_FACTOR: f64 = 0.8;
const HIGH_FACTOR: f64 = 1.3;

/// A stretch of one gradient.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Stretch {
    distance_m: f64,
    gradient: Gradient,
}

impl Stretch {
    /// From a distance along the ground in metres and a gradient (rise over run).
    ///
    /// # Errors
    /// [`NoEstimate`] for a negative, infinite or NaN distance, or a gradient beyond 0.45 either way.
    pub fn new(distance_m: f64, gradient: f64) -> Result<Self, NoEstimate> {
        Ok(Self {
            distance_m: within("distance in m", distance_m, 0.0, 1e7)?,
            gradient: Gradient::new(gradient)?,
        })
    }

    /// A leg of which only totals are known, as a climb and a descent of one and the same steepness: of all profiles
    /// with these totals it has the gentlest gradients, so that its cost is, as a rule, a lower estimate.
    ///
    /// # Errors
    /// [`NoEstimate`] for negative or non-finite totals, or when the leg is steeper than 0.45 on average.
    pub fn from_totals(distance_m: f64, climb_m: f64, descent_m: f64) -> Result<Vec<Self>, NoEstimate> {
        let distance = within("distance in m", distance_m, 0.0, 1e7)?;
        let climb = within("climb in m", climb_m, 0.0, 1e6)?;
        let descent = within("descent in m", descent_m, 0.0, 1e6)?;
        let height = climb + descent;
        if height == 0.0 {
            return Ok(vec![Self::new(distance, 0.0)?]);
        }
        if distance == 0.0 {
            return Err(NoEstimate::Because("a leg without distance has climb or descent"));
        }
        let gradient = height / distance;
        Ok(vec![
            Self::new(distance * climb / height, gradient)?,
            Self::new(distance * descent / height, -gradient)?,
        ])
    }
}

/// A central value and the range in which it may well lie.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Range {
    /// Low end.
    pub low: f64,
    /// In exact proportion to the mass.
    pub central: f64,
    /// High end.
    pub high: f64,
}

impl Range {
    fn around(central: f64) -> Self {
        Self { low: LOW_FACTOR * central, central, high: HIGH_FACTOR * central }
    }
}

/// A time difference as it may be shown: whole minutes, never seconds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct WholeMinutes {
    /// The range, each end to the nearest minute.
    pub likely: (u32, u32),
    /// The range, rounded outwards.
    pub plausible: (u32, u32),
}

impl fmt::Display for WholeMinutes {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.likely {
            (_, 0) => write!(f, "less than 1 min"),
            (low, high) if low == high => write!(f, "about {high} min"),
            (low, high) => write!(f, "about {low}-{high} min"),
        }?;
        write!(f, " (plausible {}-{})", self.plausible.0, self.plausible.1)
    }
}

/// What 100 g more costs on a course.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Per100g {
    /// Energy, kcal.
    pub kcal: Range,
    /// Share of the course's energy, per cent.
    pub percent: Range,
    /// Time at an unchanged metabolic power, minutes. For showing, use [`Per100g::whole_minutes`].
    pub minutes: Range,
}

impl Per100g {
    /// The time as it may be shown.
    #[must_use]
    pub fn whole_minutes(&self) -> WholeMinutes {
        let Range { low, high, .. } = self.minutes;
        WholeMinutes {
            likely: (low.round() as u32, high.round() as u32),
            plausible: (low.floor() as u32, high.ceil() as u32),
        }
    }
}

/// The cost of a course.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CourseCost {
    /// Net energy per kilogram of everything that moves, J/kg.
    pub energy_j_kg: f64,
    /// Net energy of the runner and the load, kcal.
    pub energy_kcal: f64,
    /// Climbing and descending distance included, m.
    pub distance_m: f64,
    /// What 100 g more costs.
    pub per_100_g: Per100g,
    /// Number of stretches.
    pub n: usize,
}

/// The cost of a course of stretches for a moving mass (runner and load together) in kg, expected to take `hours`:
/// `E = m sum C(i) d`, so that 100 g cost `0.1 sum C(i) d`, the share `0.1/m`, and at constant metabolic power the same
/// share of the time. `C` from [`Gait::cost_j_kg_m`].
///
/// # Errors
/// [`NoEstimate`] without stretches or distance, for a moving mass outside 20 to 300 kg, or a time outside 0 to 10 000 h.
pub fn course_cost(
    stretches: &[Stretch],
    gait: Gait,
    moving_mass_kg: f64,
    hours: f64,
) -> Result<CourseCost, NoEstimate> {
    let mass = within("moving mass in kg", moving_mass_kg, 20.0, 300.0)?;
    let hours = within("time in h", hours, 0.0, 10_000.0)?;
    let distance_m: f64 = stretches.iter().map(|s| s.distance_m).sum();
    if stretches.is_empty() || distance_m == 0.0 {
        return Err(NoEstimate::TooFew { what: "stretches with a distance", needed: 1, got: 0 });
    }
    let energy_j_kg: f64 = stretches.iter().map(|s| s.distance_m * gait.cost_j_kg_m(s.gradient)).sum();
    let share = 0.1 / mass;
    Ok(CourseCost {
        energy_j_kg,
        energy_kcal: energy_j_kg * mass / JOULES_PER_KCAL,
        distance_m,
        per_100_g: Per100g {
            kcal: Range::around(0.1 * energy_j_kg / JOULES_PER_KCAL),
            percent: Range::around(100.0 * share),
            minutes: Range::around(60.0 * hours * share),
        },
        n: stretches.len(),
    })
}

/// The least that lifting costs, whatever the gait: `m g h / efficiency`, kcal. Muscle turns about a quarter of its
/// energy into work (0.25 is common practice).
///
/// # Errors
/// [`NoEstimate`] for a negative or non-finite mass or height, or an efficiency outside 0.01 to 1.
pub fn lift_floor_kcal(mass_kg: f64, height_m: f64, efficiency: f64) -> Result<f64, NoEstimate> {
    let mass = within("mass in kg", mass_kg, 0.0, 1e4)?;
    let height = within("height in m", height_m, 0.0, 1e6)?;
    let efficiency = within("efficiency", efficiency, 0.01, 1.0)?;
    finite("lifting energy", mass * STANDARD_GRAVITY * height / efficiency / JOULES_PER_KCAL)
}
