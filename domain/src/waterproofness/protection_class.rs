//! Classes of EN 343, each with its edition: the same number means different things in different years.
//!
//! Both tables as reproduced publicly; the originals were not opened.

use serde::{Deserialize, Serialize};

use super::head::pa_to_head;
use crate::metrology::resolution::{positive, positive_or_zero};
use crate::no_estimate::{NoEstimate, within};

/// Edition of EN 343.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
pub enum Edition {
    /// EN 343:2003+A1:2007.
    #[serde(rename = "EN 343:2003+A1:2007")]
    En343Of2003,
    /// EN 343:2019.
    #[serde(rename = "EN 343:2019")]
    En343Of2019,
}

/// Resistance to water penetration, as edition and class.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub struct WaterClass {
    /// Edition.
    pub edition: Edition,
    /// 1 to 3 or 4.
    pub class: u8,
}

/// Water vapour resistance, as edition and class.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub struct RetClass {
    /// Edition.
    pub edition: Edition,
    /// 1 to 3 or 4.
    pub class: u8,
}

/// Pressures in Pa at which water came through; what was not tested stays unknown and shows nothing.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub struct WaterEvidence {
    /// New fabric.
    pub fabric_before_pa: Option<f64>,
    /// Fabric after the pre-treatments, the least of them.
    pub fabric_after_pa: Option<f64>,
    /// Seams before pre-treatment.
    pub seams_before_pa: Option<f64>,
    /// Seams after pre-treatment.
    pub seams_after_pa: Option<f64>,
}

impl WaterEvidence {
    fn reaches(&self, least: &Least) -> bool {
        let shown = |evidence: Option<f64>, least: Option<f64>| match (evidence, least) {
            (_, None) => true,
            (Some(pressure), Some(least)) => pressure >= least,
            (None, Some(_)) => false,
        };
        shown(self.fabric_before_pa, least.fabric_before)
            && shown(self.fabric_after_pa, least.fabric_after)
            && shown(self.seams_before_pa, least.seams_before)
            && shown(self.seams_after_pa, least.seams_after)
    }
}

/// Least pressures in Pa of a class.
struct Least {
    class: u8,
    fabric_before: Option<f64>,
    fabric_after: Option<f64>,
    seams_before: Option<f64>,
    seams_after: Option<f64>,
}

const fn least(
    class: u8,
    fabric_before: Option<f64>,
    fabric_after: Option<f64>,
    seams_before: Option<f64>,
    seams_after: Option<f64>,
) -> Least {
    Least { class, fabric_before, fabric_after, seams_before, seams_after }
}

const LEAST_2003: [Least; 3] = [
    least(3, None, Some(13_000.0), Some(13_000.0), None),
    least(2, None, Some(8_000.0), Some(8_000.0), None),
    least(1, Some(8_000.0), None, Some(8_000.0), None),
];

const LEAST_2019: [Least; 4] = [
    least(4, None, Some(20_000.0), None, Some(20_000.0)),
    least(3, None, Some(13_000.0), Some(13_000.0), None),
    least(2, None, Some(8_000.0), Some(8_000.0), None),
    least(1, Some(8_000.0), None, None, None),
];

impl Edition {
    fn least(self) -> &'static [Least] {
        match self {
            Self::En343Of2003 => &LEAST_2003,
            Self::En343Of2019 => &LEAST_2019,
        }
    }
}

/// The highest class that the evidence shows; `None` when it shows none.
///
/// # Errors
/// `NotFinite`, `OutOfRange` for a pressure that is not a finite number from 0 on.
pub fn water_class(evidence: &WaterEvidence, edition: Edition) -> Result<Option<WaterClass>, NoEstimate> {
    let all = [
        evidence.fabric_before_pa,
        evidence.fabric_after_pa,
        evidence.seams_before_pa,
        evidence.seams_after_pa,
    ];
    for pressure in all.into_iter().flatten() {
        positive_or_zero("a pressure in Pa", pressure)?;
    }
    let reached = edition.least().iter().find(|least| evidence.reaches(least));
    Ok(reached.map(|least| WaterClass { edition, class: least.class }))
}

/// Class of an evaporative resistance Ret in m2 Pa/W (boundaries belong to the better class).
///
/// # Errors
/// `NotFinite`, `OutOfRange` for a resistance that is not above 0.
pub fn ret_class(ret: f64, edition: Edition) -> Result<RetClass, NoEstimate> {
    positive("Ret in m2 Pa/W", ret)?;
    let class = match edition {
        Edition::En343Of2003 if ret <= 20.0 => 3,
        Edition::En343Of2019 if ret <= 15.0 => 4,
        Edition::En343Of2019 if ret <= 25.0 => 3,
        _ if ret <= 40.0 => 2,
        _ => 1,
    };
    Ok(RetClass { edition, class })
}

/// Whether a class by itself proves a head: only when its least fabric pressure reaches it.
///
/// Class 4 of 2019 stands for 20 kPa, 2039 mm of water; it does not show a 10 000 mm rule to be met.
///
/// # Errors
/// `NotFinite`, `OutOfRange`; `Because` for a class that the edition does not have.
pub fn class_demonstrates_head(class: WaterClass, head_mm: f64) -> Result<bool, NoEstimate> {
    positive("the head in mm", head_mm)?;
    let least = class
        .edition
        .least()
        .iter()
        .find(|least| least.class == class.class)
        .ok_or(NoEstimate::Because("the edition has no such class"))?;
    let pressure = least.fabric_after.or(least.fabric_before).unwrap_or(0.0);
    Ok(pa_to_head(pressure)? >= head_mm)
}

/// Recommended longest continuous wear in minutes by Ret class (columns 1, 2, 3) and temperature of the surroundings, edition
/// 2003+A1; `None` where the table sets no limit.
const WEAR_2003: [(f64, [Option<f64>; 3]); 5] = [
    (5.0, [None, None, None]),
    (10.0, [Some(240.0), None, None]),
    (15.0, [Some(100.0), None, None]),
    (20.0, [Some(75.0), Some(250.0), None]),
    (25.0, [Some(60.0), Some(105.0), Some(205.0)]),
];

/// Recommended longest continuous wear in minutes at a temperature up to 25 C; `None` when no limit is set. Between rows the
/// warmer row holds.
///
/// # Errors
/// `NotFinite`, `OutOfRange` above 25 C or below -50 C; `Because` for a class outside the table, which is that of the edition
/// 2003+A1.
pub fn wear_limit(class: RetClass, temperature_c: f64) -> Result<Option<f64>, NoEstimate> {
    within("the temperature in C", temperature_c, -50.0, 25.0)?;
    if class.edition != Edition::En343Of2003 || !(1..=3).contains(&class.class) {
        return Err(NoEstimate::Because(
            "the table of wearing times is that of classes 1 to 3 of EN 343:2003+A1:2007",
        ));
    }
    let row = WEAR_2003.iter().find(|(row, _)| temperature_c <= *row);
    Ok(row.and_then(|(_, minutes)| minutes[usize::from(class.class) - 1]))
}
