//! Water and food leg by leg.

use crate::loadout::facts::LoadoutFacts;
use crate::loadout::race::Course;
use crate::provisions::{Band, Finding, IntakeBand, LoadoutCourse};
use crate::wire::loadout_answers::{FoodLeg, FoodPlan, WaterLeg, WaterPlan};

fn rounded(value: f64) -> f64 {
    (value * 10.0).round() / 10.0
}

/// A rate beside the published band. No advice: many finish outside.
fn band(kind: IntakeBand, per_hour: f64, unit: &str) -> Option<String> {
    let (low, high) = kind.ends();
    let place = match kind.place(per_hour).ok()? {
        Band::Below => "below",
        Band::Inside => "inside",
        Band::Above => "above",
    };
    Some(format!(
        "{place} {low} to {high} {unit}, the range for racing of the ISSN position stand of 2019 (JISSN 16:50); many finish \
         outside it"
    ))
}

pub(super) fn water(
    facts: &LoadoutFacts,
    course: &Course<'_>,
    walked: Option<&LoadoutCourse>,
    why: Option<&str>,
) -> WaterPlan {
    let rate = facts.loadout.drink_ml_per_h.map(|rate| rate.value());
    let why_absent = match (rate, walked) {
        (None, _) => Some("the loadout has no drink_ml_per_h".to_owned()),
        (Some(_), None) => why.map(str::to_owned),
        (Some(_), Some(_)) => None,
    };
    let mut legs = Vec::new();
    if let (Some(_), Some(walked), Some(hours)) = (rate, walked, &course.hours) {
        for (at, arrival) in walked.arrivals.iter().enumerate() {
            let dry = walked.findings.iter().find_map(|finding| match finding {
                Finding::WaterRunsOut { leg, lacking_h } if *leg == at => Some(*lacking_h),
                _ => None,
            });
            legs.push(WaterLeg {
                leg: at as u32 + 1,
                name: course.legs[at].name.to_string(),
                hours: hours[at],
                leaving_ml: rounded(arrival.leaving_water_ml),
                left_ml: rounded(arrival.water_ml),
                reserve_ml: rounded(arrival.reserve_water_ml),
                dry_h: rounded(dry.unwrap_or(0.0)),
            });
        }
    }
    WaterPlan {
        drink_ml_per_h: rate,
        legs,
        band: rate.and_then(|rate| band(IntakeBand::Fluid, rate, "ml/h")),
        why_absent,
    }
}

pub(super) fn food(
    facts: &LoadoutFacts,
    course: &Course<'_>,
    walked: Option<&LoadoutCourse>,
    why: Option<&str>,
) -> FoodPlan {
    let rate = facts.loadout.eat_kcal_per_h.map(|rate| rate.value());
    let why_absent = match (rate, walked) {
        (None, _) => Some("the loadout has no eat_kcal_per_h".to_owned()),
        (Some(_), None) => why.map(str::to_owned),
        (Some(_), Some(_)) => None,
    };
    let mut legs = Vec::new();
    if let (Some(_), Some(walked), Some(hours)) = (rate, walked, &course.hours) {
        for (at, arrival) in walked.arrivals.iter().enumerate() {
            let empty = walked.findings.iter().find_map(|finding| match finding {
                Finding::FoodRunsOut { leg, lacking_h } if *leg == at => Some(*lacking_h),
                _ => None,
            });
            legs.push(FoodLeg {
                leg: at as u32 + 1,
                name: course.legs[at].name.to_string(),
                hours: hours[at],
                leaving_kcal: rounded(arrival.leaving_food_kcal),
                left_kcal: rounded(arrival.food_kcal),
                reserve_kcal: rounded(arrival.reserve_kcal),
                empty_h: rounded(empty.unwrap_or(0.0)),
            });
        }
    }
    FoodPlan {
        eat_kcal_per_h: rate,
        legs,
        band: rate.and_then(|rate| band(IntakeBand::Energy, rate, "kcal/h")),
        why_absent,
    }
}
