//! One fact in an item's condition history.

use serde::{Deserialize, Serialize};

use super::text::{Mark, Name, Note};
use crate::ids::{ItemId, LoadoutId, LogEntryId};
use crate::time::Timestamp;
use crate::units::{Celsius, HeadMm, Hours, Kilometres};

macro_rules! words {
    ($(#[$doc:meta])* $name:ident { $($(#[$vdoc:meta])* $variant:ident = $word:literal,)* }) => {
        $(#[$doc])*
        #[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
        pub enum $name {
            $($(#[$vdoc])* #[serde(rename = $word)] $variant,)*
        }

        impl $name {
            /// All of them.
            pub const ALL: &'static [$name] = &[$($name::$variant,)*];

            /// The name on the wire.
            #[must_use]
            pub fn name(self) -> &'static str {
                match self { $($name::$variant => $word,)* }
            }

            /// The one with this name on the wire.
            #[must_use]
            pub fn from_name(name: &str) -> Option<Self> {
                Self::ALL.iter().copied().find(|one| one.name() == name)
            }
        }

        // Not derived: the derive does not see names that a macro hands on.
        #[cfg(feature = "openapi")]
        impl utoipa::PartialSchema for $name {
            fn schema() -> utoipa::openapi::RefOr<utoipa::openapi::schema::Schema> {
                crate::openapi::words(Self::ALL.iter().map(|one| one.name()))
            }
        }

        #[cfg(feature = "openapi")]
        impl utoipa::ToSchema for $name {}
    };
}

words! {
    /// What happened. Closed.
    LogEvent {
        /// Used: hours worn, carried, in the wet; distance.
        Use = "use",
        /// Washed.
        Wash = "wash",
        /// Reproofed: restores the spray grade, not the head.
        Reproof = "reproof",
        /// Repaired.
        Repair = "repair",
        /// Looked over; a grade from 5 (as new) to 1 (not to be used).
        Inspection = "inspection",
        /// A spray test, graded 0 to 5 (ISO 4920).
        SprayTest = "spray_test",
        /// A hydrostatic head test, a measurement.
        HeadTest = "head_test",
        /// A lamp burnt until it was done.
        BurnTest = "burn_test",
        /// The seal of a pack was opened (a foil blanket, a first-aid pouch).
        Opened = "opened",
        /// Damaged.
        Damage = "damage",
        /// Not to be used before somebody has cleared it.
        Quarantine = "quarantine",
        /// Serviceable again.
        Clear = "clear",
        /// To be watched.
        Watch = "watch",
        /// Taken out of use.
        Retire = "retire",
        /// Taken back into use.
        Reinstate = "reinstate",
    }
}

impl LogEvent {
    /// The state that the event puts the item in; none for an event that leaves it.
    #[must_use]
    pub fn sets(self) -> Option<ItemState> {
        match self {
            LogEvent::Quarantine => Some(ItemState::Quarantined),
            LogEvent::Watch => Some(ItemState::OnWatch),
            LogEvent::Retire => Some(ItemState::Retired),
            LogEvent::Clear | LogEvent::Reinstate => Some(ItemState::Serviceable),
            _ => None,
        }
    }
}

words! {
    /// Whether an item may be used. Closed; each is more restrictive than the one before.
    ItemState {
        /// May be used.
        Serviceable = "serviceable",
        /// May be used, and is looked at more often.
        OnWatch = "on_watch",
        /// Not to be used before somebody has cleared it.
        Quarantined = "quarantined",
        /// Taken out of use.
        Retired = "retired",
    }
}

words! {
    /// Why an item was retired. Closed.
    RetireReason {
        /// Water comes through the fabric.
        Leak = "leak",
        /// The layers come apart.
        Delamination = "delamination",
        /// A seam or its tape.
        Seam = "seam",
        /// A zip.
        Zip = "zip",
        /// Elastic.
        Elastic = "elastic",
        /// Lost: not a failure.
        Lost = "lost",
        /// Anything else.
        Other = "other",
    }
}

words! {
    /// How the head lies to the number. Closed.
    HeadRelation {
        /// Water came through there.
        Exactly = "=",
        /// No water came through up to there.
        AtLeast = ">=",
        /// Water came through before.
        Below = "<",
    }
}

words! {
    /// At which drop the head was read. Closed.
    DropRule {
        /// The first.
        First = "first",
        /// The third place, as ISO 811 does.
        Third = "third",
    }
}

words! {
    /// What was under the water. Closed.
    TestedPart {
        /// Clean fabric.
        Fabric = "fabric",
        /// A seam.
        Seam = "seam",
    }
}

words! {
    /// Which side faced the water. Closed.
    TestedFace {
        /// The outer side.
        Outer = "outer",
        /// The inner side.
        Inner = "inner",
    }
}

words! {
    /// What the head was tested with. Closed.
    TestRig {
        /// A laboratory's instrument.
        Laboratory = "laboratory",
        /// An open column of water.
        Column = "column",
        /// A closed rig with a pump and a gauge.
        Pump = "pump",
    }
}

/// The greatest number of heads that a state event can have seen.
pub const MAX_AFTER: usize = 50;

/// What is stored of a log entry. Which fields belong to which event: see [`crate::kinds::log_entry`].
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
#[serde(deny_unknown_fields)]
pub struct LogEntryBody {
    /// The item.
    pub item_id: ItemId,
    /// What happened.
    pub event: LogEvent,
    /// When: the person's claim.
    pub observed_at: Timestamp,
    /// `use`: hours on the body or strapped on.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub worn_h: Option<Hours>,
    /// `use`: hours in the vest or the hand.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub carried_h: Option<Hours>,
    /// `use`: how many of those hours were wet.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub wet_h: Option<Hours>,
    /// `use`: how far.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub distance_km: Option<Kilometres>,
    /// `use`, `damage`, `retire`: the loadout that it was in.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub loadout_id: Option<LoadoutId>,
    /// `wash`: the machine's program or the care procedure.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub program: Option<Mark>,
    /// `wash`: what with. `reproof`: which agent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub detergent: Option<Name>,
    /// `repair`, `inspection`, `damage`: which part. `head_test`: `fabric` or `seam`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub part: Option<Mark>,
    /// `inspection`: 5 (as new) to 1 (not to be used). `spray_test`: 5 (no wetting) to 0 (face and back), ISO 4920.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "openapi", schema(minimum = 0, maximum = 5))]
    pub grade: Option<u32>,
    /// `head_test`: the head.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub head_mm: Option<HeadMm>,
    /// `head_test`: how the head lies to the number; `=` when absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub relation: Option<HeadRelation>,
    /// `head_test`: how fast the pressure rose, in centimetres of water a minute (60 and 10 in ISO 811).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "openapi", schema(minimum = 0.1, maximum = 10_000))]
    pub rate_cm_min: Option<f64>,
    /// `head_test`: at which drop it was read.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub drops: Option<DropRule>,
    /// `head_test`: which side faced the water.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub face: Option<TestedFace>,
    /// `head_test`: at how many places.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "openapi", schema(minimum = 1, maximum = 1000))]
    pub places: Option<u32>,
    /// `head_test`: what with.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub rig: Option<TestRig>,
    /// `burn_test`: for how long it burnt.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub burn_h: Option<Hours>,
    /// `burn_test`: in which mode.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub mode: Option<Mark>,
    /// `burn_test`, `head_test`: how cold or warm it was.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub temperature_c: Option<Celsius>,
    /// `retire`: why.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reason: Option<RetireReason>,
    /// The state events that this one saw as the latest (quarantine, clear, watch, retire, reinstate). Through a
    /// resource it may be left out: the ones that stand now are taken.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "openapi", schema(max_items = 50))]
    pub after: Option<Vec<LogEntryId>>,
    /// The entry that this one replaces.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub supersedes_id: Option<LogEntryId>,
    /// Anything worth knowing.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub note: Option<Note>,
}
