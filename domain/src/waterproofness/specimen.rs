//! What a hydrostatic test of one specimen says, and when several may be averaged.

use serde::{Deserialize, Serialize};

use crate::metrology::resolution::{positive, positive_or_zero};
use crate::no_estimate::{NoEstimate, finite};

/// Whether a head was seen, or only bounded.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub enum Relation {
    /// The head was reached and water came through there.
    #[serde(rename = "=")]
    Exact,
    /// The test ended at this head without leaking.
    #[serde(rename = ">=")]
    AtLeast,
    /// It leaked before this head.
    #[serde(rename = "<")]
    Below,
}

/// Which drop ends the test.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Drops {
    /// The first place (home tests).
    First,
    /// The third place (ISO 811:2018, AATCC 127).
    Third,
}

/// Rate of increase of the head.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Rate {
    /// 10 cm of water a minute (ISO 811: plus or minus 0.5).
    Ten,
    /// 60 cm of water a minute (ISO 811: plus or minus 3).
    Sixty,
    /// Another rate, cm of water a minute.
    Other(f64),
}

impl Rate {
    /// The nominal rate that a measured one belongs to.
    ///
    /// # Errors
    /// `NotFinite`, `OutOfRange` for a rate that is not above 0.
    pub fn from_cm_per_min(rate: f64) -> Result<Self, NoEstimate> {
        positive("the rate in cm/min", rate)?;
        Ok(if (rate - 10.0).abs() <= 0.5 {
            Self::Ten
        } else if (rate - 60.0).abs() <= 3.0 {
            Self::Sixty
        } else {
            Self::Other(rate)
        })
    }

    /// In cm of water a minute.
    #[must_use]
    pub fn cm_per_min(self) -> f64 {
        match self {
            Self::Ten => 10.0,
            Self::Sixty => 60.0,
            Self::Other(rate) => rate,
        }
    }
}

/// Where on the garment.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Part {
    /// A clean panel.
    Fabric,
    /// A taped seam.
    Seam,
}

/// What must be equal before two heads may be compared or averaged.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct TestConditions {
    /// Rate; results by different rates may not be the same (ISO 811).
    pub rate: Rate,
    /// Which drop ends the test.
    pub drops: Drops,
    /// Fabric or seam.
    pub part: Part,
}

/// One specimen's head.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct SpecimenHead {
    /// Head, conventional mm of water.
    pub head_mm: f64,
    /// Seen or bounded.
    pub relation: Relation,
    /// How it was tested.
    pub conditions: TestConditions,
}

/// Mean of a sample's specimens.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SpecimenMean {
    /// Mean head, mm.
    pub mean_mm: f64,
    /// Standard deviation between specimens, mm; `None` for one.
    pub sd_mm: Option<f64>,
    /// Standard uncertainty of the mean from that scatter, mm.
    pub u_mm: Option<f64>,
    /// Number of specimens.
    pub n: usize,
    /// Whether there are the five that ISO 811 asks for.
    pub enough: bool,
}

/// Specimens that ISO 811 asks for.
const ISO_811_SPECIMENS: usize = 5;

/// Head of one specimen from the heads (mm) at which water appeared at its places, in any order.
///
/// The result is the head at the first or third place. When fewer places leaked before the test was stopped, it is bounded
/// from below by the head at which it stopped. Drops that do not grow and drops at the clamp's edge are left out by the tester.
/// Source: ISO 811:2018 and AATCC 127, third-place rule.
///
/// # Errors
/// `NotFinite`, `OutOfRange` below 0; `TooFew` places when no stopping head is given; `Because` for a test that stopped before
/// a place leaked.
pub fn specimen_head(
    places_mm: &[f64],
    stopped_at_mm: Option<f64>,
    conditions: TestConditions,
) -> Result<SpecimenHead, NoEstimate> {
    for place in places_mm {
        positive_or_zero("a head in mm", *place)?;
    }
    positive("the rate in cm/min", conditions.rate.cm_per_min())?;
    let mut sorted = places_mm.to_vec();
    sorted.sort_by(f64::total_cmp);
    if let Some(stopped) = stopped_at_mm {
        positive_or_zero("the head at which the test stopped, in mm", stopped)?;
        if sorted.last().is_some_and(|last| *last > stopped) {
            return Err(NoEstimate::Because("a place leaked after the test had stopped"));
        }
    }
    let needed = match conditions.drops {
        Drops::First => 1,
        Drops::Third => 3,
    };
    match (sorted.get(needed - 1), stopped_at_mm) {
        (Some(head_mm), _) => Ok(SpecimenHead { head_mm: *head_mm, relation: Relation::Exact, conditions }),
        (None, Some(head_mm)) => Ok(SpecimenHead { head_mm, relation: Relation::AtLeast, conditions }),
        (None, None) => {
            Err(NoEstimate::TooFew { what: "places where water came through", needed, got: sorted.len() })
        }
    }
}

/// Mean of specimens tested alike.
///
/// # Errors
/// `TooFew` without specimens; `NotFinite`, `OutOfRange`; `AllCensored`; `Because` when some heads are bounds and others were
/// seen, or when rate, drop rule or part differ.
pub fn mean_head(specimens: &[SpecimenHead]) -> Result<SpecimenMean, NoEstimate> {
    let Some(first) = specimens.first() else {
        return Err(NoEstimate::TooFew { what: "specimens", needed: 1, got: 0 });
    };
    if specimens.iter().any(|specimen| specimen.conditions != first.conditions) {
        return Err(NoEstimate::Because("heads by different rates, drop rules or parts are not averaged"));
    }
    let censored = specimens.iter().filter(|specimen| specimen.relation != Relation::Exact).count();
    if censored == specimens.len() {
        return Err(NoEstimate::AllCensored);
    }
    if censored > 0 {
        return Err(NoEstimate::Because("a bound (>= or <) is not averaged with heads that were seen"));
    }
    for specimen in specimens {
        positive_or_zero("a head in mm", specimen.head_mm)?;
    }
    let n = specimens.len();
    let mean_mm = finite("the mean in mm", specimens.iter().map(|s| s.head_mm / n as f64).sum())?;
    let squares: f64 = specimens.iter().map(|s| (s.head_mm - mean_mm).powi(2)).sum();
    let sd_mm = if n > 1 {
        Some(finite("the standard deviation in mm", (squares / (n - 1) as f64).sqrt())?)
    } else {
        None
    };
    let u_mm = sd_mm.map(|sd| sd / (n as f64).sqrt());
    Ok(SpecimenMean { mean_mm, sd_mm, u_mm, n, enough: n >= ISO_811_SPECIMENS })
}

/// Minutes from zero to a head at a rate.
///
/// # Errors
/// `NotFinite`, `OutOfRange`.
pub fn test_duration_min(head_mm: f64, rate: Rate) -> Result<f64, NoEstimate> {
    let mm_per_min = 10.0 * positive("the rate in cm/min", rate.cm_per_min())?;
    finite("the duration in min", positive_or_zero("the head in mm", head_mm)? / mm_per_min)
}
