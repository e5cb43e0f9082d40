//! How an item lies on the scale.

use clap::Args;
use domain::mass_unit::MassUnit;
use domain::units::ReadingMg;
use domain::weighing_text::parse_mass;
use domain::wire::weighing::{Fill, WeighingBody, Wetness};

use crate::error::{Error, Result};

/// Dry, empty, one thing, put on once, unless said otherwise.
#[derive(Debug, Clone, Default, PartialEq, Args)]
pub struct Conditions {
    /// It is wet: kept, but not taken for its mass.
    #[arg(long, conflicts_with = "damp")]
    pub wet: bool,
    /// It is damp: kept, but not taken for its mass.
    #[arg(long)]
    pub damp: bool,
    /// A full vessel.
    #[arg(long, conflicts_with = "part")]
    pub full: bool,
    /// A vessel that is partly filled.
    #[arg(long)]
    pub part: bool,
    /// How many like units lie on the scale together.
    #[arg(long, value_name = "N")]
    pub units: Option<u32>,
    /// How often it was put on anew for this reading.
    #[arg(long, value_name = "N")]
    pub lifts: Option<u32>,
    /// What the container alone weighs, to be taken off.
    #[arg(long, value_name = "MASS")]
    pub tare: Option<String>,
    /// The scale's tare key was pressed with a container on.
    #[arg(long, conflicts_with = "tare")]
    pub tare_pressed: bool,
}

impl Conditions {
    /// In a few words, empty when there is nothing unusual.
    #[must_use]
    pub fn describe(&self) -> String {
        let mut words = Vec::new();
        let flags = [(self.wet, "wet"), (self.damp, "damp"), (self.full, "full"), (self.part, "part full")];
        words.extend(flags.iter().filter(|(is_so, _)| *is_so).map(|(_, word)| (*word).to_owned()));
        words.extend(self.units.map(|units| format!("x{units}")));
        words.extend(self.tare.as_ref().map(|tare| format!("less {tare}")));
        words.join(" ")
    }

    /// What one unit weighs by this reading, in grams.
    #[must_use]
    pub fn unit_g(&self, shown: ReadingMg) -> f64 {
        let tare = self.tare.as_deref().and_then(|text| reading(text).ok()).map_or(0.0, |tare| tare.value());
        (shown.value() - tare) / f64::from(self.units.unwrap_or(1).max(1))
    }

    /// Writes them into a weighing.
    ///
    /// # Errors
    /// When the tare is no mass.
    pub fn write(&self, body: &mut WeighingBody) -> Result<()> {
        body.wetness = match (self.wet, self.damp) {
            (true, _) => Some(Wetness::Wet),
            (_, true) => Some(Wetness::Damp),
            _ => None,
        };
        body.fill = match (self.full, self.part) {
            (true, _) => Some(Fill::Full),
            (_, true) => Some(Fill::Part),
            _ => None,
        };
        body.units = self.units;
        body.lifts = self.lifts;
        body.tare_g = self.tare.as_deref().map(reading).transpose()?;
        if self.tare_pressed {
            body.tare_pressed = Some(true);
        }
        Ok(())
    }
}

fn reading(text: &str) -> Result<ReadingMg> {
    parse_mass(text, MassUnit::Gram)
        .map(|typed| typed.reading)
        .map_err(|error| Error::usage(format!("the tare {text} is not a mass")).because(error))
}
