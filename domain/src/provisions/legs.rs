//! Carried mass from what one leaves each station with.

use super::depletion::deplete;
use crate::no_estimate::{NoEstimate, within};

/// A leg, with what one sets out on it with.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LegLoad {
    /// Duration, h.
    pub hours: f64,
    /// Food on leaving, g.
    pub food_g: f64,
    /// Water on leaving, ml (1 g each).
    pub water_ml: f64,
}

/// How fast provisions are used.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Rates {
    /// Food, g/h.
    pub food_g_per_h: f64,
    /// Energy density of the food, kcal/g.
    pub kcal_per_g: f64,
    /// Water, ml/h.
    pub water_ml_per_h: f64,
}

/// What must be left on every arrival; 0 for no demand.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Required {
    /// Food energy, kcal.
    pub food_kcal: f64,
    /// Water, ml.
    pub water_ml: f64,
}

/// Something to be told about.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Finding {
    /// Water is used up on a leg, or on arrival at a station exactly; `lacking_h` hours are dry.
    WaterRunsOut {
        /// The leg.
        leg: usize,
        /// Hours without.
        lacking_h: f64,
    },
    /// Food is used up on a leg, or on arrival at a station exactly.
    FoodRunsOut {
        /// The leg.
        leg: usize,
        /// Hours without.
        lacking_h: f64,
    },
    /// Less food energy than required on arrival.
    FoodReserveLow {
        /// The leg that ends there.
        leg: usize,
        /// What is left, kcal.
        left_kcal: f64,
        /// What is required, kcal.
        required_kcal: f64,
    },
    /// Less water than required on arrival.
    WaterReserveLow {
        /// The leg that ends there.
        leg: usize,
        /// What is left, ml.
        left_ml: f64,
        /// What is required, ml.
        required_ml: f64,
    },
    /// An entry's mass is not known: every mass is at least what is shown.
    MassUnknown {
        /// Index of the entry.
        entry: usize,
    },
    /// A food's energy is not known: it counts as carried, not as energy, and is not eaten.
    EnergyUnknown {
        /// Index of the entry.
        entry: usize,
    },
    /// An entry is to be picked up from a drop bag where none waits.
    NoDropBagThere {
        /// Index of the entry.
        entry: usize,
        /// The leg before which it was to be picked up.
        leg: usize,
    },
    /// An entry lies in a drop bag and is never picked up on this course.
    NeverPickedUp {
        /// Index of the entry.
        entry: usize,
    },
}

/// What is left on an arrival.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Arrival {
    /// Carried mass, g.
    pub carried_g: f64,
    /// Food, g.
    pub food_g: f64,
    /// Food energy, kcal.
    pub food_kcal: f64,
    /// Water, ml.
    pub water_ml: f64,
}

/// A course leg by leg.
#[derive(Debug, Clone, PartialEq)]
pub struct LegByLeg {
    /// Carried at the start, g.
    pub start_g: f64,
    /// Time-weighted mean, g.
    pub mean_g: f64,
    /// At most, g.
    pub maximum_g: f64,
    /// The leg on leaving for which that is; the first of equals.
    pub maximum_leg: usize,
    /// At the finish, g.
    pub finish_g: f64,
    /// Arrival at the end of each leg.
    pub arrivals: Vec<Arrival>,
    /// What to be told about, in order of the legs.
    pub findings: Vec<Finding>,
}

/// The findings of one arrival, which both ways of reckoning share.
pub(super) struct Check {
    pub leg: usize,
    pub last: bool,
    pub food: (f64, f64),
    pub water: (f64, f64),
    pub food_used: bool,
    pub water_used: bool,
}

impl Check {
    /// `food` and `water` are what is left and the hours without.
    pub(super) fn findings(&self, required: &Required) -> Vec<Finding> {
        let mut found = Vec::new();
        let leg = self.leg;
        // To arrive with nothing is a warning except at the finish.
        let out = |(left, lacking_h): (f64, f64)| lacking_h > 1e-9 || left <= 1e-9 && !self.last;
        if self.water_used && out(self.water) {
            found.push(Finding::WaterRunsOut { leg, lacking_h: self.water.1 });
        }
        if self.food_used && out(self.food) {
            found.push(Finding::FoodRunsOut { leg, lacking_h: self.food.1 });
        }
        if self.food.0 < required.food_kcal - 1e-6 {
            let (left_kcal, required_kcal) = (self.food.0, required.food_kcal);
            found.push(Finding::FoodReserveLow { leg, left_kcal, required_kcal });
        }
        if self.water.0 < required.water_ml - 1e-6 {
            let (left_ml, required_ml) = (self.water.0, required.water_ml);
            found.push(Finding::WaterReserveLow { leg, left_ml, required_ml });
        }
        found
    }
}

pub(super) fn check_required(required: &Required) -> Result<(), NoEstimate> {
    within("required food in kcal", required.food_kcal, 0.0, 1e6)?;
    within("required water in ml", required.water_ml, 0.0, 1e6)?;
    Ok(())
}

/// Carried mass over a course: `base_g` that stays, food and water that are used at steady rates, each leg set out on with
/// what `legs` says (whatever arrived).
///
/// # Errors
/// [`NoEstimate`] without legs or with legs that take no time altogether, and for negative, absurd or non-finite numbers.
pub fn carried_mass(
    base_g: f64,
    legs: &[LegLoad],
    rates: Rates,
    required: &Required,
) -> Result<LegByLeg, NoEstimate> {
    let base = within("base mass in g", base_g, 0.0, 1e9)?;
    let eat = within("food in g/h", rates.food_g_per_h, 0.0, 1e5)?;
    let density = within("energy density in kcal/g", rates.kcal_per_g, 0.0, super::MAX_KCAL_PER_G)?;
    let drink = within("water in ml/h", rates.water_ml_per_h, 0.0, 1e5)?;
    check_required(required)?;
    let [first, ..] = legs else {
        return Err(NoEstimate::TooFew { what: "legs", needed: 1, got: 0 });
    };
    let mut result = LegByLeg {
        start_g: base + first.food_g + first.water_ml,
        mean_g: 0.0,
        maximum_g: 0.0,
        maximum_leg: 0,
        finish_g: 0.0,
        arrivals: Vec::with_capacity(legs.len()),
        findings: Vec::new(),
    };
    let mut total_h = 0.0;
    for (leg, load) in legs.iter().enumerate() {
        let hours = within("leg in h", load.hours, 0.0, 1e4)?;
        let food = deplete(within("food in g", load.food_g, 0.0, 1e7)?, eat, hours);
        let water = deplete(within("water in ml", load.water_ml, 0.0, 1e7)?, drink, hours);
        let leaving = base + load.food_g + load.water_ml;
        if leg == 0 || leaving > result.maximum_g {
            (result.maximum_g, result.maximum_leg) = (leaving, leg);
        }
        result.mean_g += hours * (base + food.mean + water.mean);
        total_h += hours;
        let arrival = Arrival {
            carried_g: base + food.left + water.left,
            food_g: food.left,
            food_kcal: food.left * density,
            water_ml: water.left,
        };
        result.finish_g = arrival.carried_g;
        let check = Check {
            leg,
            last: leg + 1 == legs.len(),
            food: (arrival.food_kcal, food.lacking_h),
            water: (arrival.water_ml, water.lacking_h),
            food_used: eat > 0.0,
            water_used: drink > 0.0,
        };
        result.findings.extend(check.findings(required));
        result.arrivals.push(arrival);
    }
    if total_h == 0.0 {
        return Err(NoEstimate::Because("the legs take no time"));
    }
    result.mean_g /= total_h;
    Ok(result)
}
