//! Spray grades: an ordinal property of the face fabric, apart from the head. Grades are counted and their median taken, never
//! their mean; by the method's own words they do not predict penetration by rain.

use serde::{Deserialize, Serialize};

use crate::no_estimate::NoEstimate;

/// Grade of the spray test, by ISO 4920 (5 to 0) and AATCC 22 (100 to 0); correspondence as published in summaries.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(try_from = "u8", into = "u8")]
pub enum SprayGrade {
    /// Whole face and back wet (AATCC 0).
    G0,
    /// Whole sprayed face wet (AATCC 50).
    G1,
    /// Partial wetting beyond the spray points (AATCC 70).
    G2,
    /// Wetting at the spray points (AATCC 80).
    G3,
    /// Slight random wetting (AATCC 90).
    G4,
    /// No wetting (AATCC 100).
    G5,
}

const GRADES: [(SprayGrade, u8, u8); 6] = [
    (SprayGrade::G0, 0, 0),
    (SprayGrade::G1, 1, 50),
    (SprayGrade::G2, 2, 70),
    (SprayGrade::G3, 3, 80),
    (SprayGrade::G4, 4, 90),
    (SprayGrade::G5, 5, 100),
];

impl SprayGrade {
    /// From an ISO 4920 grade.
    ///
    /// # Errors
    /// `OutOfRange` beyond 0 to 5.
    pub fn from_iso(grade: u8) -> Result<Self, NoEstimate> {
        GRADES.iter().find(|row| row.1 == grade).map(|row| row.0).ok_or(NoEstimate::OutOfRange {
            what: "the ISO 4920 grade",
            value: f64::from(grade),
            low: 0.0,
            high: 5.0,
        })
    }

    /// From an AATCC 22 rating.
    ///
    /// # Errors
    /// `Because` for a number that is not a rating.
    pub fn from_aatcc(rating: u8) -> Result<Self, NoEstimate> {
        GRADES
            .iter()
            .find(|row| row.2 == rating)
            .map(|row| row.0)
            .ok_or(NoEstimate::Because("AATCC 22 has the ratings 0, 50, 70, 80, 90 and 100"))
    }

    /// As ISO 4920 grade.
    #[must_use]
    pub fn iso(self) -> u8 {
        GRADES.iter().find(|row| row.0 == self).map_or(0, |row| row.1)
    }

    /// As AATCC 22 rating.
    #[must_use]
    pub fn aatcc(self) -> u8 {
        GRADES.iter().find(|row| row.0 == self).map_or(0, |row| row.2)
    }
}

impl TryFrom<u8> for SprayGrade {
    type Error = NoEstimate;

    fn try_from(grade: u8) -> Result<Self, NoEstimate> {
        Self::from_iso(grade)
    }
}

impl From<SprayGrade> for u8 {
    fn from(grade: SprayGrade) -> Self {
        grade.iso()
    }
}

/// Grades of several specimens or places.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct SpraySummary {
    /// Median grade; the lower of the middle two for an even number, since grades have no halves.
    pub median: SprayGrade,
    /// Worst grade.
    pub worst: SprayGrade,
    /// How many of each grade, from 0 to 5.
    pub counts: [usize; 6],
    /// Number of grades.
    pub n: usize,
}

/// Median, worst and counts.
///
/// # Errors
/// `TooFew` without grades.
pub fn summarise_spray(grades: &[SprayGrade]) -> Result<SpraySummary, NoEstimate> {
    let mut sorted = grades.to_vec();
    sorted.sort_unstable();
    let n = sorted.len();
    let Some(worst) = sorted.first().copied() else {
        return Err(NoEstimate::TooFew { what: "spray grades", needed: 1, got: 0 });
    };
    let mut counts = [0; 6];
    for grade in &sorted {
        counts[usize::from(grade.iso())] += 1;
    }
    Ok(SpraySummary { median: sorted[(n - 1) / 2], worst, counts, n })
}
