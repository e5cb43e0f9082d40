//! The trend of an item's mass, told apart from the drift of the scale.

use std::collections::BTreeMap;

use chrono::NaiveDate;
use uuid::Uuid;

use super::joint::{joint_drift, scale_movement};
use super::mass_words;
use crate::ids::ItemId;
use crate::mass::{Evidence, ItemFacts, WeighingFact, sitting_masses};
use crate::no_estimate::NoEstimate;
use crate::trends::{MIN_SERIES, Series, mann_kendall, pettitt, theil_sen};
use crate::wire::mass_trend::{MassPoint, MassSlope, MassStep, MassTrendView};

/// Days with weighings below which no trend is told: with four, even a steady rise has an exact two-sided p of 2/24.
pub const LEAST_DAYS: usize = 5;
/// Level of the slope's interval.
const LEVEL: f64 = 0.95;
/// A step is told below this p.
const STEP_P: f64 = 0.05;
/// Days in a year, for rates.
pub(super) const YEAR_D: f64 = 365.0;

/// The trend of an item's mass from its weighings by sitting.
///
/// `weighings` may hold those of the whole kitroom: the other items on the same scales tell the item's drift from the
/// scales'. Sittings of one day are averaged before any test, since the tests assume independent values. Slope: Theil and
/// Sen; test: Mann and Kendall; step: Pettitt, from ten days on.
#[must_use]
pub fn mass_trend(
    name: &str,
    item_id: ItemId,
    item: ItemFacts,
    weighings: &[WeighingFact],
    evidence: &Evidence,
) -> MassTrendView {
    let own: Vec<WeighingFact> =
        weighings.iter().filter(|fact| fact.body.item_id == item_id).cloned().collect();
    let points = sitting_masses(item, &own, evidence);
    let mut days: BTreeMap<NaiveDate, Vec<f64>> = BTreeMap::new();
    for point in &points {
        days.entry(point.at.utc().date_naive()).or_default().push(point.mass_g);
    }
    let dates: Vec<NaiveDate> = days.keys().copied().collect();
    let masses: Vec<f64> =
        days.values().map(|masses| masses.iter().sum::<f64>() / masses.len() as f64).collect();
    let times: Vec<f64> = dates.iter().map(|day| (*day - dates[0]).num_days() as f64).collect();
    let mut refusals = Vec::new();
    let slope = if points.is_empty() {
        refusals.push("There is no weighing that counts (dry, and a vessel empty): weigh it.".to_owned());
        None
    } else {
        kept(slope(&times, &masses), &mut refusals, |reason| slope_refusal(reason, &masses))
    };
    let step = if slope.is_some() {
        kept(step(&dates, &times, &masses), &mut refusals, |reason| match reason {
            NoEstimate::TooFew { got, .. } => Some(format!(
                "No single change of level is looked for below {MIN_SERIES} days with weighings; there are {got}."
            )),
            _ => None,
        })
        .filter(|step| step.p < STEP_P)
    } else {
        None
    };
    let item_key: Uuid = item_id.into();
    let joint = kept(joint_drift(item_key, item, weighings, evidence), &mut refusals, |reason| {
        match reason {
        _ if points.is_empty() || points.len() < 3 => None,
        NoEstimate::Singular { .. } | NoEstimate::TooFew { .. } => Some(
            "Whether the item or the scale moved cannot be told: read a check weight, or weigh other things, in the \
             same sittings."
                .to_owned(),
        ),
        other => Some(format!("No fit of sittings and items together: {other}.")),
    }
    });
    let mut view = MassTrendView {
        name: name.to_owned(),
        points: points
            .iter()
            .map(|point| MassPoint {
                at: point.at,
                mass_g: point.mass_g,
                u_g: point.u_g,
                n: point.n,
                checked: point.checked,
            })
            .collect(),
        n_days: dates.len() as u32,
        slope,
        step,
        joint,
        scale: scale_movement(&own, weighings, evidence),
        refusals,
        sentences: Vec::new(),
    };
    view.sentences = mass_words::sentences(&view, &dates);
    view
}

/// The value, or its refusal in words among the others.
fn kept<T>(
    found: Result<T, NoEstimate>,
    refusals: &mut Vec<String>,
    words: impl Fn(&NoEstimate) -> Option<String>,
) -> Option<T> {
    match found {
        Ok(value) => Some(value),
        Err(reason) => {
            refusals.extend(words(&reason));
            None
        }
    }
}

fn slope_refusal(reason: &NoEstimate, masses: &[f64]) -> Option<String> {
    Some(match reason {
        NoEstimate::TooFew { got, .. } => format!(
            "No trend is told below {LEAST_DAYS} days with weighings, since fewer cannot tell one from chance; there \
             {} {got}.",
            if *got == 1 { "is" } else { "are" }
        ),
        NoEstimate::NoSpread { .. } => {
            format!("All {} days show {} g: no change to estimate.", masses.len(), masses[0])
        }
        other => format!("No trend: {other}."),
    })
}

fn slope(times: &[f64], masses: &[f64]) -> Result<MassSlope, NoEstimate> {
    if masses.len() < LEAST_DAYS {
        return Err(NoEstimate::TooFew { what: "days", needed: LEAST_DAYS, got: masses.len() });
    }
    let line = theil_sen(times, masses, LEVEL)?;
    let test = mann_kendall(&Series::new(times, masses)?)?;
    let at = |time: f64| line.intercept_joint + line.slope * time;
    Ok(MassSlope {
        per_year_g: line.slope * YEAR_D,
        low_g: line.interval.low * YEAR_D,
        high_g: line.interval.high * YEAR_D,
        level: LEVEL,
        p: test.p(),
        p_exact: test.p_exact.is_some(),
        at_first_g: at(times[0]),
        at_last_g: at(times[times.len() - 1]),
        n: masses.len() as u32,
    })
}

fn step(dates: &[NaiveDate], times: &[f64], masses: &[f64]) -> Result<MassStep, NoEstimate> {
    let found = pettitt(&Series::new(times, masses)?)?;
    let before = found.points_before()?;
    let mean = |part: &[f64]| part.iter().sum::<f64>() / part.len() as f64;
    Ok(MassStep {
        after_on: dates[before - 1],
        before_on: dates[before],
        from_g: mean(&masses[..before]),
        to_g: mean(&masses[before..]),
        p: found.p,
        n: masses.len() as u32,
    })
}
