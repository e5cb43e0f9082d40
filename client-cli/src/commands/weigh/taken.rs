//! A reading that was taken, from wherever it came.

use domain::mass_unit::MassUnit;
use domain::stable_reading::{StableReading, Tare};
use domain::time::Timestamp;
use domain::units::{MassMg, ReadingMg};
use domain::weighing_text::{TypedMass, parse_mass};
use domain::wire::check_reading::RawReading;
use domain::wire::text::{Mark, Name};
use domain::wire::weighing::{Source, WeighingBody};

use crate::error::{Error, Result};

/// A reading, and what is known of how it was taken.
#[derive(Debug, Clone, PartialEq)]
pub struct Taken {
    /// What the scale showed.
    pub reading: ReadingMg,
    /// As it was typed.
    pub raw: Option<RawReading>,
    /// How it came in.
    pub source: Source,
    /// Samples of a stream, and their spread.
    pub samples: Option<(u32, MassMg)>,
    /// The step of what was shown, when it may be coarser than the scale's own.
    pub step: Option<MassMg>,
    /// Whether the scale said that a tare lies behind it.
    pub tare_shown: bool,
    /// When it was read; when it is saved, if not said.
    pub at: Option<Timestamp>,
}

impl Taken {
    /// Reads a typed mass; grams without a unit.
    ///
    /// # Errors
    /// When it is none.
    pub fn typed(text: &str) -> Result<Self> {
        let typed = parse_mass(text, MassUnit::Gram)
            .map_err(|error| Error::usage(format!("{} is not a reading", text.trim())).because(error))?;
        Self::read(&typed, Source::Typed)
    }

    /// From a mass that was written down.
    ///
    /// # Errors
    /// When its text cannot be kept.
    pub fn read(typed: &TypedMass, source: Source) -> Result<Self> {
        let raw = RawReading { text: name(&typed.raw)?, unit: mark(typed.unit.symbol())? };
        // A display in another unit than grams may be coarser than the scale's step in grams; how finely it was read
        // can be told from its last digit only. Grams are taken to be typed as they are shown or shorter.
        let other_unit = typed.unit != MassUnit::Gram;
        let step = other_unit.then(|| MassMg::from_scaled(typed.last_digit_mg).ok()).flatten();
        Ok(Self {
            reading: typed.reading,
            raw: Some(raw),
            source,
            samples: None,
            step,
            tare_shown: false,
            at: None,
        })
    }

    /// From a stream that has settled.
    #[must_use]
    pub fn settled(stable: &StableReading, source: Source) -> Self {
        Self {
            reading: stable.median,
            raw: None,
            source,
            samples: Some((u32::try_from(stable.n).unwrap_or(u32::MAX), stable.spread)),
            step: MassMg::from_scaled(stable.step_mg).ok(),
            tare_shown: stable.tare == Tare::Shown,
            at: None,
        }
    }

    /// The step that this reading was read to when that is coarser than the scale's own.
    #[must_use]
    pub fn coarser_than(&self, resolution: MassMg) -> Option<MassMg> {
        self.step.filter(|step| *step > resolution)
    }

    /// Writes it into a weighing.
    pub fn write(&self, body: &mut WeighingBody) {
        body.raw = self.raw.clone();
        body.source = Some(self.source);
        if let Some((samples, spread)) = self.samples {
            body.samples = Some(samples);
            body.spread_g = Some(spread);
        }
        if self.tare_shown {
            body.tare_pressed = Some(true);
        }
    }
}

fn name(text: &str) -> Result<Name> {
    Name::new(text).map_err(|why| Error::usage("the reading cannot be kept").because(why))
}

fn mark(text: &str) -> Result<Mark> {
    Mark::new(text).map_err(|why| Error::internal("a unit cannot be kept").because(why))
}
