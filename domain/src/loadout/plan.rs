//! What a race's course asks of light, water, food and load.

mod lamp;
mod provisions;

use super::facts::LoadoutFacts;
use super::findings;
use super::layout::layout;
use super::masses::{leg_name, over_the_course};
use super::race::{Course, Dark};
use super::sources::Sources;
use crate::effort::{CAVEATS, Gait, Gradient, Range, Stretch, course_cost};
use crate::ids::RaceId;
use crate::provisions::{Entry, LoadoutCourse};
use crate::time::Timestamp;
use crate::wire::loadout_answers::{CostOf100g, DarkHours, DarkSpell, NumberRange, RacePlan};
use crate::wire::race::RaceBody;

/// Shown beside every plan.
const CAUTION: &str = "A plan from averages. Fog, forest, a slower day or a weak cell make the dark longer and the light \
     shorter; heat asks for more water, and more than thirst asks for is not safer. The organiser's rules and stop \
     decisions, local law and mountain rescue come first.";

/// More light than the dark hours ask for, as a share: judgement.
const MARGIN: f64 = 0.2;
/// The cells' own temperature that is planned with when none is given, in degrees Celsius: a cold night, the lamp on the
/// head. Judgement.
const CELL_C: f64 = 0.0;

/// What the runner adds.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct PlanOptions {
    /// Body mass in kilograms, private to the account.
    pub body_mass_kg: Option<f64>,
    /// The gradient, rise over run, above which the runner walks; the cheaper gait everywhere when absent.
    pub walk_above: Option<f64>,
    /// The cells' temperature in the cold, in degrees Celsius; 0 when absent.
    pub cell_c: Option<f64>,
    /// More light than the dark hours ask for, as a share; 0.2 when absent.
    pub margin: Option<f64>,
}

/// The plan of a race, with a loadout's light, water and food when one is given.
#[must_use]
pub fn plan(
    race_id: RaceId,
    race: &RaceBody,
    facts: Option<&LoadoutFacts>,
    options: &PlanOptions,
) -> RacePlan {
    let course = Course::of(race);
    let (dark, why_no_dark_h) = match course.dark() {
        Ok(dark) => (Some(dark), None),
        Err(why) => (None, Some(why)),
    };
    let mut plan = RacePlan {
        race_id,
        starts_at: race.starts_at,
        finish_at: course.finish_at(),
        expected_h: course.expected_h,
        dark_h: dark.as_ref().map(dark_hours),
        why_no_dark_h,
        lamp: None,
        water: None,
        food: None,
        cost_of_100_g: None,
        why_no_cost: None,
        findings: Vec::new(),
        caution: CAUTION.to_owned(),
    };
    let mut walked = None;
    if let Some(facts) = facts {
        let lines = layout(facts);
        let mut sources = Sources::default();
        let entries: Vec<Entry> = lines.iter().map(|line| sources.entry(line)).collect();
        let (over, why) = over_the_course(facts, Some(&course), &entries);
        let margin = options.margin.unwrap_or(MARGIN);
        let cell_c = options.cell_c.unwrap_or(CELL_C);
        plan.lamp = Some(lamp::lamp(&lines, dark.as_ref().map(|dark| dark.hours.lamp.hours), margin, cell_c));
        let over = over.ok();
        plan.water = Some(provisions::water(facts, &course, over.as_ref(), why.as_deref()));
        plan.food = Some(provisions::food(facts, &course, over.as_ref(), why.as_deref()));
        if let Some(over) = &over {
            plan.findings = findings::of_course(&over.findings, &lines, |leg| leg_name(Some(&course), leg));
        }
        walked = over;
    }
    match cost(&course, walked.as_ref(), options) {
        Ok(cost) => plan.cost_of_100_g = Some(cost),
        Err(why) => plan.why_no_cost = Some(why),
    }
    plan
}

fn hours(value: f64) -> f64 {
    (value * 1000.0).round() / 1000.0
}

fn dark_hours(dark: &Dark) -> DarkHours {
    let lamp = &dark.hours.lamp;
    DarkHours {
        sun_down: hours(dark.hours.sun_down.hours),
        civil: hours(lamp.hours),
        civil_bound: hours(lamp.bound_h),
        spells: lamp
            .spells
            .iter()
            .map(|s| DarkSpell { from: Timestamp::from_utc(s.from), to: Timestamp::from_utc(s.to) })
            .collect(),
        assumed: dark.assumed.clone(),
    }
}

/// What 100 g more costs, by the legs' distances and climbs.
fn cost(
    course: &Course<'_>,
    walked: Option<&LoadoutCourse>,
    options: &PlanOptions,
) -> Result<CostOf100g, String> {
    if course.legs.is_empty() {
        return Err("the race has no legs".into());
    }
    let mut stretches = Vec::new();
    for leg in course.legs {
        let (Some(climb), Some(descent)) = (leg.climb_m, leg.descent_m) else {
            return Err(format!("the leg to {} does not say its climb and its descent", leg.name));
        };
        let of = Stretch::from_totals(1000.0 * leg.distance_km.value(), climb.value(), descent.value());
        stretches.extend(of.map_err(|why| format!("the leg to {}: {why}", leg.name))?);
    }
    let gait = match options.walk_above.map(Gradient::new) {
        None => Gait::Cheaper,
        Some(Ok(gradient)) => Gait::WalkAbove(gradient),
        Some(Err(why)) => return Err(format!("the walking threshold: {why}")),
    };
    let load_kg =
        walked.and_then(|over| over.total.mean.as_ref().ok()).map_or(0.0, |mass| mass.value_g / 1000.0);
    // Energy for 100 g does not hang on the runner's mass; its share and the time do.
    let moving = options.body_mass_kg.map_or(70.0, |body| body + load_kg);
    let cost = course_cost(&stretches, gait, moving, course.expected_h.unwrap_or(0.0))
        .map_err(|why| why.to_string())?
        .per_100_g;
    let range = |range: Range| NumberRange {
        low: (range.low * 100.0).round() / 100.0,
        central: (range.central * 100.0).round() / 100.0,
        high: (range.high * 100.0).round() / 100.0,
    };
    let body = options.body_mass_kg.is_some();
    let why_absent = match (body, course.expected_h) {
        (false, _) => Some("share and time hang on the runner's body mass, which is not given"),
        (true, None) => {
            Some("time hangs on how long the runner expects to take, which the race does not say")
        }
        (true, Some(_)) => None,
    };
    Ok(CostOf100g {
        kcal: range(cost.kcal),
        percent: body.then(|| range(cost.percent)),
        minutes: (body && course.expected_h.is_some()).then(|| cost.whole_minutes().to_string()),
        why_absent: why_absent.map(str::to_owned),
        caveat: CAVEATS.to_owned(),
    })
}
