//! Sittings and items adjusted together: reading = mass of the item + offset of the sitting (+ drift of the item by time).
//!
//! Check weights enter with their known mass. They are what makes masses absolute: a group of sittings that share items but
//! have no check weight among them tells differences only, and its masses are labelled relative (the offsets' mean is set
//! to zero). Groups that share nothing are adjusted apart.

mod solve;

use std::collections::BTreeMap;

use serde::Serialize;

use super::gum::Dof;
use super::resolution::{positive_or_zero, resolution_u};
use crate::no_estimate::{NoEstimate, finite};
use solve::{Group, Row};

/// What lay on the pan.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Load<I> {
    /// An item of unknown mass.
    Item(I),
    /// A check weight.
    Weight {
        /// Its name; readings of one name are readings of one weight.
        name: I,
        /// Known mass, g.
        mass_g: f64,
        /// Standard uncertainty of that mass, g.
        u_g: f64,
    },
}

/// One reading of a sitting.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SittingReading<S, I> {
    /// The sitting.
    pub sitting: S,
    /// What lay on the pan.
    pub load: Load<I>,
    /// What the scale showed, g.
    pub reading_g: f64,
    /// When, in any unit from any start; used for drifting items only.
    pub time: f64,
}

/// What is assumed beside the readings.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct AdjustmentModel<I> {
    /// Resolution of the scale, g: the scatter is taken no smaller than d / sqrt 12.
    pub resolution_g: Option<f64>,
    /// Items whose mass may change steadily with time.
    pub drifting: Vec<I>,
}

impl<I> Default for AdjustmentModel<I> {
    fn default() -> Self {
        Self { resolution_g: None, drifting: Vec::new() }
    }
}

/// An adjusted mass.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ItemMass<I> {
    /// The item.
    pub item: I,
    /// Its mass, g (of a drifting item: at time 0); free of a datum when `relative`.
    pub mass_g: f64,
    /// Standard uncertainty, g: from the scatter and from the check weights' own.
    pub u_g: f64,
    /// Of that, from the scatter alone, g.
    pub u_scatter_g: f64,
    /// Change by unit of time, g, for a drifting item.
    pub drift_g: Option<f64>,
    /// Standard uncertainty of the drift, g.
    pub u_drift_g: Option<f64>,
    /// Mean of its readings as they stand, g: what one would quote without the adjustment.
    pub plain_mean_g: f64,
    /// Number of its readings.
    pub readings: usize,
    /// Which group of connected sittings it belongs to.
    pub group: usize,
    /// Whether no check weight ties the group, so that only differences within it mean anything.
    pub relative: bool,
}

/// An adjusted sitting.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SittingOffset<S> {
    /// The sitting.
    pub sitting: S,
    /// How much the scale showed too much, g.
    pub offset_g: f64,
    /// Standard uncertainty, g.
    pub u_g: f64,
    /// Its group.
    pub group: usize,
    /// Whether no check weight ties the group.
    pub relative: bool,
}

/// The adjustment.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Adjustment<S, I> {
    /// Items in order.
    pub items: Vec<ItemMass<I>>,
    /// Sittings in order.
    pub sittings: Vec<SittingOffset<S>>,
    /// Reading minus fit, g, in the order of the input.
    pub residuals_g: Vec<f64>,
    /// Residual standard deviation of one reading, g; `None` without degrees of freedom.
    pub s_g: Option<f64>,
    /// What the uncertainties were computed with, g: `s_g`, or d / sqrt 12 where that is greater.
    pub scatter_g: f64,
    /// Degrees of freedom left: readings minus what was estimated.
    pub dof: usize,
    /// Degrees of freedom of `scatter_g`.
    pub scatter_dof: Dof,
    /// Number of readings.
    pub n: usize,
    #[serde(skip)]
    covariance: Covariance,
}

/// What differences need: how each mass depends on the offsets and the check weights.
#[derive(Debug, Clone, PartialEq, Default)]
struct Covariance {
    group: Vec<Group>,
    item: Vec<solve::Dependence>,
    u_weight_g: Vec<f64>,
}

/// A difference of two adjusted masses.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct MassDifference {
    /// Second minus first, g.
    pub difference_g: f64,
    /// Standard uncertainty, g, with what both share taken once.
    pub u_g: f64,
    /// Degrees of freedom of the scatter it rests on.
    pub dof: Dof,
}

/// Adjusts all readings by least squares.
///
/// Source of the method: two-way additive model with unequal cell numbers, as in any text on linear models; the offsets are
/// solved for after the items are eliminated, so thousands of items cost little.
///
/// # Errors
/// `TooFew` without an item or with no degrees of freedom and no resolution; `NotFinite`, `OutOfRange`; `NoSpread` when
/// everything fits exactly and no resolution is given; `Singular` when an item's drift cannot be told from the sittings'
/// offsets; `Because` when one check weight is given two masses or uncertainties.
pub fn adjust<S: Ord + Clone, I: Ord + Clone>(
    readings: &[SittingReading<S, I>],
    model: &AdjustmentModel<I>,
) -> Result<Adjustment<S, I>, NoEstimate> {
    let n = readings.len();
    let mut sitting_at = BTreeMap::new();
    let mut item_at = BTreeMap::new();
    let mut weights: BTreeMap<&I, (f64, f64)> = BTreeMap::new();
    for reading in readings {
        finite("a reading in g", reading.reading_g)?;
        finite("a reading's time", reading.time)?;
        sitting_at.insert(&reading.sitting, 0usize);
        match &reading.load {
            Load::Item(item) => {
                item_at.insert(item, 0usize);
            }
            Load::Weight { name, mass_g, u_g } => {
                finite("a check weight's mass in g", *mass_g)?;
                positive_or_zero("a check weight's standard uncertainty in g", *u_g)?;
                if *weights.entry(name).or_insert((*mass_g, *u_g)) != (*mass_g, *u_g) {
                    return Err(NoEstimate::Because("one check weight is given two masses or uncertainties"));
                }
            }
        }
    }
    if item_at.is_empty() {
        return Err(NoEstimate::TooFew { what: "items on the scale", needed: 1, got: 0 });
    }
    let floor = model.resolution_g.map(resolution_u).transpose()?.filter(|floor| *floor > 0.0);
    sitting_at.values_mut().enumerate().for_each(|(i, at)| *at = i);
    item_at.values_mut().enumerate().for_each(|(i, at)| *at = i);
    let weight_at: BTreeMap<&I, usize> = weights.keys().enumerate().map(|(i, name)| (*name, i)).collect();
    let rows: Vec<Row> = readings
        .iter()
        .map(|reading| {
            let (item, weight, known) = match &reading.load {
                Load::Item(item) => (Some(item_at[item]), None, 0.0),
                Load::Weight { name, mass_g, .. } => (None, Some(weight_at[name]), *mass_g),
            };
            let sitting = sitting_at[&reading.sitting];
            Row { sitting, item, weight, y: reading.reading_g - known, time: reading.time }
        })
        .collect();
    let drifting: Vec<bool> = item_at.keys().map(|item| model.drifting.contains(item)).collect();
    let solved = solve::solve(&rows, sitting_at.len(), &drifting, weights.len())?;

    let s_g = (solved.dof > 0).then(|| (solved.rss / solved.dof as f64).sqrt());
    let largest = readings.iter().fold(0.0f64, |most, r| most.max(r.reading_g.abs()));
    let scattered = s_g.filter(|s| *s > 1e-13 * largest);
    let (scatter_g, scatter_dof) = match (scattered, floor) {
        (Some(s), floor) if s >= floor.unwrap_or(0.0) => (s, Dof::Finite(solved.dof as f64)),
        (_, Some(floor)) => (floor, Dof::Infinite),
        (_, None) if solved.dof == 0 => {
            return Err(NoEstimate::TooFew {
                what: "readings (or the scale's resolution)",
                needed: n + 1,
                got: n,
            });
        }
        (_, None) => return Err(NoEstimate::NoSpread { what: "repeats (give the scale's resolution)" }),
    };
    let u_weight_g: Vec<f64> = weights.values().map(|(_, u)| *u).collect();
    let spread = |variance: f64, by_weight: &[f64]| {
        let from_weights: f64 = by_weight.iter().zip(&u_weight_g).map(|(c, u)| (c * u).powi(2)).sum();
        (scatter_g * scatter_g * variance.max(0.0) + from_weights).sqrt()
    };
    let mut items = Vec::with_capacity(item_at.len());
    for (item, at) in &item_at {
        let found = &solved.items[*at];
        let group = &solved.groups[found.group];
        let drift = found.drift.as_ref();
        items.push(ItemMass {
            item: (*item).clone(),
            mass_g: finite("a mass in g", found.mass)?,
            u_g: finite("a mass's uncertainty in g", spread(found.variance, &found.dependence.by_weight))?,
            u_scatter_g: scatter_g * found.variance.max(0.0).sqrt(),
            drift_g: drift.map(|drift| drift.value),
            u_drift_g: drift.map(|drift| spread(drift.variance, &drift.by_weight)),
            plain_mean_g: found.plain_mean,
            readings: found.readings,
            group: found.group,
            relative: group.relative,
        });
    }
    let mut sittings = Vec::with_capacity(sitting_at.len());
    for (sitting, at) in &sitting_at {
        let found = &solved.sittings[*at];
        sittings.push(SittingOffset {
            sitting: (*sitting).clone(),
            offset_g: finite("an offset in g", found.offset)?,
            u_g: finite("an offset's uncertainty in g", spread(found.variance, &found.by_weight))?,
            group: found.group,
            relative: solved.groups[found.group].relative,
        });
    }
    let covariance = Covariance {
        item: solved.items.into_iter().map(|item| item.dependence).collect(),
        group: solved.groups,
        u_weight_g,
    };
    Ok(Adjustment {
        items,
        sittings,
        residuals_g: solved.residuals,
        s_g,
        scatter_g,
        dof: solved.dof,
        scatter_dof,
        n,
        covariance,
    })
}

impl<S, I: Ord> Adjustment<S, I> {
    /// Second mass minus first, with the uncertainty of the difference: shared sittings and check weights partly cancel.
    ///
    /// # Errors
    /// `Because` for an item that is not in the adjustment; `Singular` for items of two groups of which one is relative.
    pub fn difference(&self, first: &I, second: &I) -> Result<MassDifference, NoEstimate> {
        let find = |item: &I| {
            self.items
                .binary_search_by(|known| known.item.cmp(item))
                .map_err(|_| NoEstimate::Because("the item is not among those weighed"))
        };
        let (a, b) = (find(first)?, find(second)?);
        let (left, right) = (&self.items[a], &self.items[b]);
        if left.group != right.group && (left.relative || right.relative) {
            return Err(NoEstimate::Singular { what: "masses of groups that no check weight ties" });
        }
        let (one, other) = (&self.covariance.item[a], &self.covariance.item[b]);
        let u_g = if a == b {
            0.0
        } else {
            let shared = if left.group == right.group {
                self.covariance.group[left.group].between(one, other)
            } else {
                0.0
            };
            let own = |mass: &ItemMass<I>| mass.u_scatter_g.powi(2);
            let scatter = (own(left) + own(right) - 2.0 * self.scatter_g.powi(2) * shared).max(0.0);
            let weights: f64 = one
                .by_weight
                .iter()
                .zip(&other.by_weight)
                .zip(&self.covariance.u_weight_g)
                .map(|((a, b), u)| ((a - b) * u).powi(2))
                .sum();
            (scatter + weights).sqrt()
        };
        Ok(MassDifference { difference_g: right.mass_g - left.mass_g, u_g, dof: self.scatter_dof })
    }
}
