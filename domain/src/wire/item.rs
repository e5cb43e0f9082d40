//! An item of kit.

use std::collections::BTreeMap;

use chrono::NaiveDate;
use serde::{Deserialize, Serialize};

use super::text::{Mark, Name, Note};
use crate::ids::ItemId;
use crate::units::{HeadMm, Hours, Kilocalories, Lumens, MassMg, Millilitres};

macro_rules! item_kinds {
    ($($variant:ident = $name:literal,)*) => {
        /// What sort of thing an item is. Open: a client keeps a kind that it does not know.
        #[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
        #[expect(missing_docs, reason = "the names are the trade's own words")]
        pub enum ItemKind {
            $(#[serde(rename = $name)] $variant,)*
        }

        impl ItemKind {
            /// All kinds, in the order in which they are listed.
            pub const ALL: &'static [ItemKind] = &[$(ItemKind::$variant,)*];

            /// The name on the wire.
            #[must_use]
            pub fn name(self) -> &'static str {
                match self { $(ItemKind::$variant => $name,)* }
            }
        }
    };
}

item_kinds! {
    ShellJacket = "shell_jacket", ShellTrousers = "shell_trousers", WindJacket = "wind_jacket", MidLayer = "mid_layer",
    BaseTop = "base_top", BaseBottom = "base_bottom", Hat = "hat", NeckTube = "neck_tube", Gloves = "gloves",
    OverMitts = "over_mitts", Sleeves = "sleeves", Socks = "socks", Shoes = "shoes", Vest = "vest",
    DryBag = "dry_bag", SoftFlask = "soft_flask", Bladder = "bladder", Cup = "cup", HeadLamp = "head_lamp",
    SpareCell = "spare_cell", RearLight = "rear_light", FoilBlanket = "foil_blanket", BivvyBag = "bivvy_bag",
    FirstAid = "first_aid", Whistle = "whistle", Compass = "compass", Map = "map", GpsDevice = "gps_device",
    Phone = "phone", PhoneCase = "phone_case", PowerBank = "power_bank", Poles = "poles", Spikes = "spikes",
    Food = "food", DrinkMix = "drink_mix", AntiChafe = "anti_chafe", ToiletKit = "toilet_kit", IdCard = "id_card",
    Cash = "cash", Other = "other",
}

// Not derived: the derive does not see names that a macro hands on, and would show the variants' own.
#[cfg(feature = "openapi")]
impl utoipa::PartialSchema for ItemKind {
    fn schema() -> utoipa::openapi::RefOr<utoipa::openapi::schema::Schema> {
        utoipa::openapi::schema::ObjectBuilder::new()
            .schema_type(utoipa::openapi::schema::Type::String)
            .enum_values(Some(Self::ALL.iter().map(|kind| kind.name())))
            .description(Some(
                "What sort of thing an item is. Open: a client keeps a kind that it does not know.",
            ))
            .into()
    }
}

#[cfg(feature = "openapi")]
impl utoipa::ToSchema for ItemKind {}

impl ItemKind {
    /// The kind with this name on the wire.
    #[must_use]
    pub fn from_name(name: &str) -> Option<Self> {
        Self::ALL.iter().copied().find(|kind| kind.name() == name)
    }

    /// Whether it holds water, so that its mass is that of the empty vessel.
    #[must_use]
    pub fn is_vessel(self) -> bool {
        matches!(self, ItemKind::SoftFlask | ItemKind::Bladder | ItemKind::Cup)
    }
}

/// Where a waterproofness claim comes from. Closed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
#[serde(rename_all = "snake_case")]
pub enum HeadBasis {
    /// The maker's label.
    Label,
    /// A test certificate.
    Certificate,
    /// Somebody says so.
    Declared,
}

/// How breathability was measured. Values of different methods cannot be compared. Closed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
#[serde(rename_all = "snake_case")]
pub enum VapourMethod {
    /// Evaporative resistance Ret, ISO 11092, in m2 Pa/W.
    RetIso11092,
    /// JIS L 1099 A-1, g/m2 in 24 h.
    JisL1099A1,
    /// JIS L 1099 B-1, g/m2 in 24 h.
    JisL1099B1,
    /// JIS L 1099 B-2, g/m2 in 24 h.
    JisL1099B2,
    /// ASTM E96 BW, g/m2 in 24 h.
    AstmE96Bw,
    /// Anything else.
    Other,
}

/// Breathability: a value means nothing without its method.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
#[serde(deny_unknown_fields)]
pub struct Breathability {
    /// The value, in the method's unit.
    #[cfg_attr(feature = "openapi", schema(minimum = 0, maximum = 1_000_000))]
    pub value: f64,
    /// The method.
    pub method: VapourMethod,
}

/// How quickly an item must be in the hand. Closed; each is quicker than the next.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
#[serde(rename_all = "snake_case")]
pub enum Reach {
    /// While moving.
    Moving,
    /// At a stop, the vest on.
    AtStop,
    /// With the vest off.
    VestOff,
}

/// A value of an item's open attributes.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
#[serde(untagged)]
pub enum AttributeValue {
    /// Yes or no.
    Bool(bool),
    /// A number, in the unit that the attribute's name says.
    Number(f64),
    /// Words.
    Text(String),
}

/// What is stored of an item. An item is one thing; with `per_unit` it is a kind of like units, and mass, energy and
/// volume are those of one unit.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
#[serde(deny_unknown_fields)]
pub struct ItemBody {
    /// What its owner calls it.
    pub name: Name,
    /// What sort of thing it is.
    pub kind: ItemKind,
    /// Who made it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub maker: Option<Name>,
    /// The maker's name for it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub model: Option<Name>,
    /// Its size as the label says it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub size: Option<Mark>,
    /// A mark on the thing itself, by which it is found again.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub tag: Option<Mark>,
    /// Since when it is owned.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub acquired_on: Option<NaiveDate>,
    /// Whether this is a kind of like units (gels, plasters).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub per_unit: Option<bool>,
    /// The mass that the label claims, in grams.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub label_mass_g: Option<MassMg>,
    /// Its packed, pressed volume.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub volume_ml: Option<Millilitres>,
    /// How much a vessel, a vest or a bag holds.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub capacity_ml: Option<Millilitres>,
    /// The hydrostatic head that is claimed for it. Only a test is a measurement.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub head_mm: Option<HeadMm>,
    /// Who claims that head.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub head_basis: Option<HeadBasis>,
    /// Breathability, with its method.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub breathability: Option<Breathability>,
    /// Whether all seams are taped.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub seams_taped: Option<bool>,
    /// Whether it has a hood that cannot be taken off.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub hood: Option<bool>,
    /// A lamp's output.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub lumens: Option<Lumens>,
    /// How long a lamp burns on one cell.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub burn_h: Option<Hours>,
    /// Food energy.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub energy_kcal: Option<Kilocalories>,
    /// The last day on which it counts.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub expires_on: Option<NaiveDate>,
    /// How quickly it must be in the hand.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reach_needed: Option<Reach>,
    /// Other kinds that it may serve as: a folding mitten serves as gloves.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "openapi", schema(max_items = 10))]
    pub also_serves: Option<Vec<ItemKind>>,
    /// Items that cannot be taken together with this one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "openapi", schema(max_items = 50))]
    pub conflicts_with: Option<Vec<ItemId>>,
    /// Anything else that rules may test, by name.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub attributes: Option<BTreeMap<String, AttributeValue>>,
    /// Free text.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub notes: Option<Note>,
}
