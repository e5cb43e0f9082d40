//! A weighing: one reading of one item on one scale.

use serde::{Deserialize, Serialize};

pub use super::check_reading::RawReading;
use super::text::Note;
use crate::ids::{ItemId, ScaleId, SittingId, WeighingId};
use crate::time::Timestamp;
use crate::units::{MassMg, ReadingMg};

/// How wet the item was. Closed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
#[serde(rename_all = "snake_case")]
pub enum Wetness {
    /// Dry.
    Dry,
    /// Damp.
    Damp,
    /// Wet.
    Wet,
}

/// How full a vessel was. Closed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
#[serde(rename_all = "snake_case")]
pub enum Fill {
    /// Empty.
    Empty,
    /// Partly filled.
    Part,
    /// Full.
    Full,
}

/// How the reading came in. Closed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
#[serde(rename_all = "snake_case")]
pub enum Source {
    /// Typed by a person.
    Typed,
    /// From a table of values.
    Csv,
    /// From a scale on a serial line.
    Serial,
    /// From a scale on USB, as a human interface device.
    Hid,
    /// From a scale over Bluetooth Low Energy.
    Ble,
}

/// What is stored of a weighing. Net mass of one unit = (`reading_g` - `tare_g`) / `units`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
#[serde(deny_unknown_fields)]
pub struct WeighingBody {
    /// The item.
    pub item_id: ItemId,
    /// The sitting, when it was taken in one. At most one of `sitting_id` and `scale_id`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub sitting_id: Option<SittingId>,
    /// The scale, when it was not taken in a sitting.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub scale_id: Option<ScaleId>,
    /// The step of the display in grams; required when neither sitting nor scale is named.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub resolution_g: Option<MassMg>,
    /// What the scale showed, in grams.
    pub reading_g: ReadingMg,
    /// A reading of the container alone, to subtract, in grams.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub tare_g: Option<ReadingMg>,
    /// Whether the scale's tare key was pressed first; it adds one reading of zero to the uncertainty.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub tare_pressed: Option<bool>,
    /// How many like units lay on the pan together (ten gels); 1 when absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "openapi", schema(minimum = 1, maximum = 10_000))]
    pub units: Option<u32>,
    /// How often the item was put on the pan anew for this reading; 1 when absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "openapi", schema(minimum = 1, maximum = 1000))]
    pub lifts: Option<u32>,
    /// How many samples of a stream made the reading.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "openapi", schema(minimum = 1, maximum = 1_000_000))]
    pub samples: Option<u32>,
    /// Greatest less least of those samples, in grams.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub spread_g: Option<MassMg>,
    /// The reading as it was typed or sent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub raw: Option<RawReading>,
    /// How wet it was; dry when absent. Only dry weighings make an item's mass.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub wetness: Option<Wetness>,
    /// How full the vessel was; empty when absent. Only empty vessels make an item's mass.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub fill: Option<Fill>,
    /// When it was read: the person's claim.
    pub observed_at: Timestamp,
    /// How the reading came in; `typed` when absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub source: Option<Source>,
    /// The weighing that this one replaces.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub supersedes_id: Option<WeighingId>,
    /// Anything worth knowing.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub note: Option<Note>,
}

impl WeighingBody {
    /// The net mass of one unit, in grams; may be zero or below for a reading that makes no sense.
    #[must_use]
    pub fn net_g(&self) -> f64 {
        let tare = self.tare_g.map_or(0, ReadingMg::scaled);
        (self.reading_g.scaled() - tare) as f64 / 1000.0 / f64::from(self.units.unwrap_or(1).max(1))
    }
}
