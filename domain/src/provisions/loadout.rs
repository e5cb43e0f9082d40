//! Carried mass from the entries of a loadout: what is worn, carried, eaten, drunk, picked up and handed off.

use super::depletion::deplete;
use super::legs::{Check, Finding, Required, check_required};
use super::load::{MassFigure, Masses, MaximumMass};
use crate::no_estimate::{NoEstimate, within};
use crate::units::{Hours, Kilocalories, MassMg, Millilitres};

/// Where an entry is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum CarryPlace {
    /// Worn: part of the total, not of what is carried.
    OnBody,
    /// In a hand.
    InHand,
    /// In the vest or a belt.
    Stowed,
    /// In a drop bag until it is picked up, and stowed from then on.
    DropBag,
}

/// A part of an uncertainty that entries share, such as a scale's calibration: it adds up linearly.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SharedPart {
    /// What is shared (a scale, a sitting, an item in several entries), in the caller's own numbering from 0 without
    /// large gaps.
    pub source: u32,
    /// Standard uncertainty of one unit through it, g.
    pub u_g: f64,
}

/// The mass of one unit, empty.
#[derive(Debug, Clone, PartialEq)]
pub struct EntryMass {
    /// Mass.
    pub mass: MassMg,
    /// Its own standard uncertainty, g; none for a label's mass.
    pub own_u_g: Option<f64>,
    /// Parts shared with other entries.
    pub shared: Vec<SharedPart>,
}

/// A line of a loadout.
#[derive(Debug, Clone, PartialEq)]
pub struct Entry {
    /// Mass of one unit, empty; none when unknown, which is not zero.
    pub mass: Option<EntryMass>,
    /// Number of units.
    pub quantity: u32,
    /// Where it is.
    pub place: CarryPlace,
    /// Whether it is food.
    pub food: bool,
    /// Food energy of one unit; none when unknown.
    pub energy: Option<Kilocalories>,
    /// Water in one unit when filled (1 g/ml).
    pub fill: Option<Millilitres>,
    /// Kept to the finish: neither eaten nor drunk.
    pub reserve: bool,
    /// First leg on which it is carried.
    pub from_leg: usize,
    /// Last leg on which it is carried; none for the finish.
    pub to_leg: Option<usize>,
}

/// What can be had at the end of a leg.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Refill {
    /// Vessels are brought back to their fill.
    pub water: bool,
    /// Food to eat there; nothing is taken along.
    pub food: bool,
    /// A drop bag waits.
    pub drop_bag: bool,
}

/// A leg of the course.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Leg {
    /// Expected duration.
    pub hours: Hours,
    /// At its end.
    pub refill: Refill,
}

/// A loadout and how fast its provisions are used.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Loadout<'a> {
    /// The entries.
    pub entries: &'a [Entry],
    /// Energy eaten, kcal/h.
    pub eat_kcal_per_h: f64,
    /// Water drunk, ml/h.
    pub drink_ml_per_h: f64,
    /// What must be left on every arrival.
    pub required: Required,
}

/// What is left on an arrival, before anything is refilled, picked up or handed off.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LoadoutArrival {
    /// Carried: in hand and stowed, g.
    pub carried_g: f64,
    /// With what is worn, g.
    pub total_g: f64,
    /// Energy of all food left, kcal.
    pub food_kcal: f64,
    /// Of that, marked as reserve, kcal.
    pub reserve_kcal: f64,
    /// All water left, ml.
    pub water_ml: f64,
    /// Of that, in vessels marked as reserve, ml.
    pub reserve_water_ml: f64,
    /// Energy of all food on leaving for the leg, kcal.
    pub leaving_food_kcal: f64,
    /// All water on leaving for the leg, ml.
    pub leaving_water_ml: f64,
}

/// A loadout over a course.
#[derive(Debug, Clone, PartialEq)]
pub struct LoadoutCourse {
    /// In hand and stowed.
    pub carried: Masses,
    /// With what is worn.
    pub total: Masses,
    /// Arrival at the end of each leg.
    pub arrivals: Vec<LoadoutArrival>,
    /// What to be told about.
    pub findings: Vec<Finding>,
}

impl Entry {
    fn is_carried(&self) -> bool {
        self.place != CarryPlace::OnBody
    }

    fn active(&self, leg: usize) -> bool {
        self.from_leg <= leg && self.to_leg.is_none_or(|last| leg <= last)
    }

    /// Energy that is there when untouched, kcal.
    fn kcal(&self) -> f64 {
        if self.food { self.energy.map_or(0.0, |e| e.value()) * f64::from(self.quantity) } else { 0.0 }
    }

    /// Water that is there when filled, ml.
    fn water(&self) -> f64 {
        self.fill.map_or(0.0, |fill| fill.value()) * f64::from(self.quantity)
    }

    fn grams(&self) -> f64 {
        self.mass.as_ref().map_or(0.0, |m| m.mass.value()) * f64::from(self.quantity)
    }
}

/// How much of an entry is there: of its own mass (1 unless eaten) and of its water.
#[derive(Debug, Clone, Copy, Default)]
struct Share {
    own: f64,
    water: f64,
}

/// A sum of entries' masses: own parts of the uncertainty in quadrature, shared parts linearly by source (JCGM 100:2008,
/// 5.2.2: inputs with a correlation of 1 add up linearly).
#[derive(Debug, Clone, PartialEq, Default)]
pub struct MassSum {
    value_g: f64,
    own_variance: f64,
    unknown: bool,
    shared: Vec<f64>,
}

impl MassSum {
    /// Adds an entry's own mass times `own` and its water times `water`; a negative share takes away. Nothing is added,
    /// also no doubt, where both are zero.
    pub fn add(&mut self, entry: &Entry, own: f64, water: f64) {
        if own == 0.0 && water == 0.0 {
            return;
        }
        self.value_g += own * entry.grams() + water * entry.water();
        let units = own * f64::from(entry.quantity);
        let Some(mass) = &entry.mass else {
            self.unknown = true;
            return;
        };
        match mass.own_u_g {
            Some(u) => self.own_variance += (units * u).powi(2),
            None => self.unknown = self.unknown || units != 0.0,
        }
        for part in &mass.shared {
            let at = part.source as usize;
            if at >= self.shared.len() {
                self.shared.resize(at + 1, 0.0);
            }
            self.shared[at] += units * part.u_g;
        }
    }

    /// Adds a mass that is reckoned without an uncertainty, such as water at 1 g/ml.
    pub fn add_grams(&mut self, grams: f64) {
        self.value_g += grams;
    }

    /// The mass with its uncertainty.
    #[must_use]
    pub fn figure(&self) -> MassFigure {
        let variance = self.own_variance + self.shared.iter().map(|u| u * u).sum::<f64>();
        MassFigure { value_g: self.value_g, u_g: (!self.unknown).then(|| variance.sqrt()) }
    }
}

fn figure(entries: &[Entry], shares: &[Share], counts: impl Fn(&Entry) -> bool) -> MassFigure {
    let mut sum = MassSum::default();
    for (entry, share) in entries.iter().zip(shares).filter(|(entry, _)| counts(entry)) {
        sum.add(entry, share.own, share.water);
    }
    sum.figure()
}

fn grams(entries: &[Entry], shares: &[Share], counts: impl Fn(&Entry) -> bool) -> f64 {
    let there = entries.iter().zip(shares).filter(|(entry, _)| counts(entry));
    there.map(|(entry, share)| share.own * entry.grams() + share.water * entry.water()).sum()
}

fn check(loadout: &Loadout<'_>) -> Result<(), NoEstimate> {
    within("food in kcal/h", loadout.eat_kcal_per_h, 0.0, 1e5)?;
    within("water in ml/h", loadout.drink_ml_per_h, 0.0, 1e5)?;
    check_required(&loadout.required)?;
    for entry in loadout.entries {
        if entry.to_leg.is_some_and(|last| last < entry.from_leg) {
            return Err(NoEstimate::Because("an entry is handed off before it is picked up"));
        }
        if let Some(mass) = &entry.mass {
            within("uncertainty in g", mass.own_u_g.unwrap_or(0.0), 0.0, 1e6)?;
            for part in &mass.shared {
                within("shared uncertainty in g", part.u_g, 0.0, 1e6)?;
            }
        }
    }
    Ok(())
}

fn findings_of_entries(entries: &[Entry], legs: &[Leg]) -> Vec<Finding> {
    let mut found = Vec::new();
    for (index, entry) in entries.iter().enumerate() {
        if entry.mass.is_none() {
            found.push(Finding::MassUnknown { entry: index });
        }
        if entry.food && entry.energy.is_none() {
            found.push(Finding::EnergyUnknown { entry: index });
        }
        if entry.from_leg >= legs.len().max(1) {
            found.push(Finding::NeverPickedUp { entry: index });
        } else if entry.place == CarryPlace::DropBag
            && entry.from_leg.checked_sub(1).is_some_and(|before| !legs[before].refill.drop_bag)
        {
            found.push(Finding::NoDropBagThere { entry: index, leg: entry.from_leg });
        }
    }
    found
}

/// The shares of what is used, at the beginning, the mean and the end of a leg, and the hours that went without.
struct Used {
    mean: f64,
    left: f64,
    lacking_h: f64,
}

/// Uses a stock that lies in several entries, from each in proportion to what it still holds.
fn use_in_proportion(stock: f64, rate: f64, hours: f64) -> Used {
    let depletion = deplete(stock, rate, hours);
    let (mean, left) =
        if stock > 0.0 { (depletion.mean / stock, depletion.left / stock) } else { (1.0, 1.0) };
    Used { mean, left, lacking_h: depletion.lacking_h }
}

/// The masses of a loadout over a course, and what is left on every arrival.
///
/// Food that is not reserve is eaten in proportion to the energy that each entry still holds, its mass with it (wrappers are
/// taken as nothing); water is drunk in proportion from vessels that are not reserve. A water refill brings vessels back to
/// their fill; a food refill brings nothing. An entry counts from its `from_leg` to its `to_leg`, whole when it is
/// picked up; what is left of it goes with it when it is handed off. Within a leg the load only falls, so the heaviest
/// moment is the leaving for some leg. Without legs the figures beyond the start say why they are missing.
///
/// # Errors
/// [`NoEstimate`] for rates, requirements or uncertainties that are negative or not finite, or an entry handed off before
/// it is picked up.
pub fn loadout_course(loadout: &Loadout<'_>, legs: &[Leg]) -> Result<LoadoutCourse, NoEstimate> {
    check(loadout)?;
    let entries = loadout.entries;
    let mut findings = findings_of_entries(entries, legs);
    let mut shares: Vec<Share> = vec![Share { own: 1.0, water: 1.0 }; entries.len()];
    let mut sums = vec![Share::default(); entries.len()];
    let mut arrivals = Vec::with_capacity(legs.len());
    let mut maxima: [Option<MaximumMass>; 2] = [None, None];
    let mut finish = [None, None];
    let total_h: f64 = legs.iter().map(|leg| leg.hours.value()).sum();
    let scopes: [fn(&Entry) -> bool; 2] = [Entry::is_carried, |_| true];

    let there = |shares: &[Share], leg: usize| -> Vec<Share> {
        entries.iter().zip(shares).map(|(e, s)| if e.active(leg) { *s } else { Share::default() }).collect()
    };
    let start = there(&shares, 0);
    for (index, leg) in legs.iter().enumerate() {
        if index > 0 && legs[index - 1].refill.water {
            for (share, _) in shares.iter_mut().zip(entries).filter(|(_, e)| e.active(index)) {
                share.water = 1.0;
            }
        }
        let leaving = there(&shares, index);
        for (maximum, scope) in maxima.iter_mut().zip(scopes) {
            let value_g = grams(entries, &leaving, scope);
            if maximum.is_none_or(|m| value_g > m.mass.value_g) {
                *maximum = Some(MaximumMass { mass: figure(entries, &leaving, scope), leg: index });
            }
        }

        let hours = leg.hours.value();
        let sum = |amount: fn(&Entry, &Share) -> f64, reserve: Option<bool>, shares: &[Share]| -> f64 {
            entries
                .iter()
                .zip(shares)
                .filter(|(e, _)| reserve.is_none_or(|r| r == e.reserve))
                .map(|(e, s)| amount(e, s))
                .sum()
        };
        let kcal = |e: &Entry, s: &Share| s.own * e.kcal();
        let water = |e: &Entry, s: &Share| s.water * e.water();
        let eaten = use_in_proportion(sum(kcal, Some(false), &leaving), loadout.eat_kcal_per_h, hours);
        let drunk = use_in_proportion(sum(water, Some(false), &leaving), loadout.drink_ml_per_h, hours);
        for (i, entry) in entries.iter().enumerate().filter(|(_, e)| e.active(index)) {
            let mut mean = leaving[i];
            if !entry.reserve {
                if entry.kcal() > 0.0 {
                    mean.own *= eaten.mean;
                    shares[i].own *= eaten.left;
                }
                mean.water *= drunk.mean;
                shares[i].water *= drunk.left;
            }
            sums[i].own += hours * mean.own;
            sums[i].water += hours * mean.water;
        }

        let arriving = there(&shares, index);
        if index + 1 == legs.len() {
            finish = scopes.map(|scope| Some(figure(entries, &arriving, scope)));
        }
        let [carried_g, total_g] = scopes.map(|scope| grams(entries, &arriving, scope));
        let arrival = LoadoutArrival {
            carried_g,
            total_g,
            food_kcal: sum(kcal, None, &arriving),
            reserve_kcal: sum(kcal, Some(true), &arriving),
            water_ml: sum(water, None, &arriving),
            reserve_water_ml: sum(water, Some(true), &arriving),
            leaving_food_kcal: sum(kcal, None, &leaving),
            leaving_water_ml: sum(water, None, &leaving),
        };
        let check = Check {
            leg: index,
            last: index + 1 == legs.len(),
            food: (arrival.food_kcal, eaten.lacking_h),
            water: (arrival.water_ml, drunk.lacking_h),
            food_used: loadout.eat_kcal_per_h > 0.0,
            water_used: loadout.drink_ml_per_h > 0.0,
        };
        findings.extend(check.findings(&loadout.required));
        arrivals.push(arrival);
    }

    let no_legs = NoEstimate::Because("the race has no legs");
    for sum in &mut sums {
        (sum.own, sum.water) = (sum.own / total_h, sum.water / total_h);
    }
    let masses = |scope: usize| Masses {
        start: figure(entries, &start, scopes[scope]),
        mean: if legs.is_empty() {
            Err(no_legs.clone())
        } else if total_h == 0.0 {
            Err(NoEstimate::Because("the legs take no time"))
        } else {
            Ok(figure(entries, &sums, scopes[scope]))
        },
        maximum: maxima[scope].ok_or(no_legs.clone()),
        finish: finish[scope].ok_or(no_legs.clone()),
    };
    Ok(LoadoutCourse { carried: masses(0), total: masses(1), arrivals, findings })
}
