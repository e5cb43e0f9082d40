//! The mass of an item: from readings and check weights to one number with its uncertainty and its evidence.
//!
//! What is corrected and what is not: a reading is corrected by the check readings of its own sitting only (an offset,
//! not a gain). Air buoyancy is left in, as conventional mass has it. A fit over sittings and items never moves a
//! mass; it is a report.

mod current;
mod evidence;
mod repeats;

pub use current::{ScaleOffset, SittingMass, item_mass, scale_offset, sitting_masses};
pub use evidence::{CheckFact, Evidence, ItemFacts, ScaleEvidence, SittingEvidence, WeighingFact};
pub use repeats::{RepeatSums, sitting_repeats};
