//! Energy of food, and how a rate of intake compares with the published bands.

use crate::no_estimate::{NoEstimate, within};

/// Nothing edible holds more, kcal/g; fat has 9.
pub const MAX_KCAL_PER_G: f64 = 9.1;

/// What a label states for a portion, g.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Nutrients {
    /// Carbohydrate without fibre and polyols.
    pub carbohydrate_g: f64,
    /// Protein.
    pub protein_g: f64,
    /// Fat.
    pub fat_g: f64,
    /// Fibre.
    pub fibre_g: f64,
    /// Alcohol.
    pub alcohol_g: f64,
    /// Polyols.
    pub polyols_g: f64,
}

impl Nutrients {
    /// Energy, kcal, by the factors 4, 4, 9, 2, 7 and 2.4 kcal/g of Regulation (EU) 1169/2011, annex XIV (recalled). A
    /// label's own figure goes before.
    ///
    /// # Errors
    /// [`NoEstimate`] for a mass outside 0 to 100 kg, or one that is not finite.
    pub fn energy_kcal(&self) -> Result<f64, NoEstimate> {
        [
            ("carbohydrate in g", self.carbohydrate_g, 4.0),
            ("protein in g", self.protein_g, 4.0),
            ("fat in g", self.fat_g, 9.0),
            ("fibre in g", self.fibre_g, 2.0),
            ("alcohol in g", self.alcohol_g, 7.0),
            ("polyols in g", self.polyols_g, 2.4),
        ]
        .iter()
        .try_fold(0.0, |sum, &(what, grams, factor)| Ok(sum + within(what, grams, 0.0, 1e5)? * factor))
    }
}

/// Kilojoules, at 4.184 kJ/kcal.
///
/// # Errors
/// [`NoEstimate`] for an energy that is negative or not finite.
pub fn kcal_to_kj(kcal: f64) -> Result<f64, NoEstimate> {
    Ok(within("energy in kcal", kcal, 0.0, 1e9)? * 4.184)
}

/// Energy density, kcal/g, checked against what food can hold: a slip between kJ and kcal shows here.
///
/// # Errors
/// [`NoEstimate::OutOfRange`] for a density above 9.1 kcal/g, or a mass that is not positive.
pub fn check_density(kcal: f64, grams: f64) -> Result<f64, NoEstimate> {
    let kcal = within("energy in kcal", kcal, 0.0, 1e9)?;
    let grams = within("mass in g", grams, 1e-3, 1e9)?;
    within("energy density in kcal/g", kcal / grams, 0.0, MAX_KCAL_PER_G)
}

/// Mass of food in g that holds an energy at a density.
///
/// # Errors
/// [`NoEstimate::OutOfRange`] for a negative energy, or a density outside 0.01 to 9.1 kcal/g.
pub fn food_mass_g(kcal: f64, kcal_per_g: f64) -> Result<f64, NoEstimate> {
    let kcal = within("energy in kcal", kcal, 0.0, 1e9)?;
    Ok(kcal / within("energy density in kcal/g", kcal_per_g, 0.01, MAX_KCAL_PER_G)?)
}

/// A published band of intake: International Society of Sports Nutrition position stand on single-stage ultra-marathons,
/// Tiller and others 2019, J Int Soc Sports Nutr 16:50 (abstract).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum IntakeBand {
    /// 150 to 400 kcal/h.
    Energy,
    /// 30 to 50 g/h.
    Carbohydrate,
    /// 5 to 10 g/h.
    Protein,
    /// 450 to 750 ml/h.
    Fluid,
}

/// Where a rate lies in a band. No judgement of a runner: many finish outside.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Band {
    /// Below the low end.
    Below,
    /// Within, ends included.
    Inside,
    /// Above the high end.
    Above,
}

impl IntakeBand {
    /// The band's ends, in kcal, g or ml an hour.
    #[must_use]
    pub fn ends(self) -> (f64, f64) {
        match self {
            Self::Energy => (150.0, 400.0),
            Self::Carbohydrate => (30.0, 50.0),
            Self::Protein => (5.0, 10.0),
            Self::Fluid => (450.0, 750.0),
        }
    }

    /// Where a rate lies.
    ///
    /// # Errors
    /// [`NoEstimate`] for a rate that is negative or not finite.
    pub fn place(self, per_hour: f64) -> Result<Band, NoEstimate> {
        let rate = within("rate an hour", per_hour, 0.0, 1e6)?;
        let (low, high) = self.ends();
        Ok(if rate < low {
            Band::Below
        } else if rate > high {
            Band::Above
        } else {
            Band::Inside
        })
    }
}
