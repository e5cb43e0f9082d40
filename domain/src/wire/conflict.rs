//! Conflicts: what two people said against each other, kept with both values until one of them or a keeper settles it.

use serde::{Deserialize, Serialize};
use uuid::Uuid;

use super::shape::Object;
use crate::sync::op::Action;
use crate::time::Timestamp;

/// What contradicts what. Open: later versions may add to it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
#[serde(rename_all = "snake_case")]
pub enum About {
    /// Two people changed the same thing of a record.
    SameUnit,
    /// One deleted the record, the other changed it without knowing.
    DeletedVsEdited,
    /// One changed the record, the other deleted it without knowing.
    EditedVsDeleted,
    /// A fact came in for a record that was deleted; the fact is kept.
    DeletedVsFact,
    /// Two facts replace the same fact; both stand.
    DoubleSupersede,
    /// Events in an item's log that do not know of each other give it different states; the stricter holds.
    StateHeads,
    /// A loadout was sealed, and its content changed without knowing.
    SealedVsEdited,
}

impl About {
    /// The name on the wire.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            About::SameUnit => "same_unit",
            About::DeletedVsEdited => "deleted_vs_edited",
            About::EditedVsDeleted => "edited_vs_deleted",
            About::DeletedVsFact => "deleted_vs_fact",
            About::DoubleSupersede => "double_supersede",
            About::StateHeads => "state_heads",
            About::SealedVsEdited => "sealed_vs_edited",
        }
    }
}

/// Which side of a conflict is to hold. Closed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
#[serde(rename_all = "snake_case")]
pub enum Keep {
    /// What stands.
    Kept,
    /// What was offered.
    Offered,
    /// Neither: the value that is given, or, for facts, all of them.
    Other,
}

/// How a conflict is to be settled.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
#[serde(deny_unknown_fields)]
pub struct Settle {
    /// Which side holds.
    pub keep: Keep,
    /// With `other`: the fields that are in question, as they shall be; one that is left out is to be empty.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "openapi", schema(value_type = Option<Object>))]
    pub value: Option<Object>,
}

/// How a conflict ended.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct Resolution {
    /// Which side holds.
    pub keep: Keep,
    /// With `other`: the value that was given.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "openapi", schema(value_type = Option<Object>))]
    pub value: Option<Object>,
    /// What ended it: `settle`, or a later change that left nothing to settle.
    pub action: Action,
    /// The op that ended it.
    pub op_id: Uuid,
    /// Whose op that was.
    pub by: Uuid,
    /// When the server heard of it.
    pub at: Timestamp,
}

/// A fact that takes part in a conflict.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct ConflictFact {
    /// Its kind.
    #[cfg_attr(feature = "openapi", schema(example = "weighing"))]
    pub kind: String,
    /// Its id.
    pub id: Uuid,
}

/// What is stored of a conflict. It is open as long as it has no `resolution`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct ConflictBody {
    /// What contradicts what.
    pub about: About,
    /// The kind of the record that is in question.
    #[cfg_attr(feature = "openapi", schema(example = "item"))]
    pub kind: String,
    /// The record that is in question: for two facts that replace one, the one that they replace; for log events that
    /// disagree, their item.
    pub record_id: Uuid,
    /// The merge units that are in question; a unit is a field, a group of fields, or `map.key`.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub units: Vec<String>,
    /// What the one who offered had seen in these units, where that is still known.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "openapi", schema(value_type = Option<Object>))]
    pub base: Option<Object>,
    /// What stands in these units, kept up to date; absent while the record is deleted or is not there.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "openapi", schema(value_type = Option<Object>))]
    pub kept: Option<Object>,
    /// What was offered for these units; absent when the offer was to delete the record.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "openapi", schema(value_type = Option<Object>))]
    pub offered: Option<Object>,
    /// The facts that take part, the last one offered at the end; at most 500 are listed.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    #[cfg_attr(feature = "openapi", schema(max_items = 500))]
    pub among: Vec<ConflictFact>,
    /// What the offer asked for.
    pub action: Action,
    /// The op that made the offer; of several by one device for the same thing, the last.
    pub op_id: Uuid,
    /// Whose offer it was.
    pub offered_by: Uuid,
    /// The replica that it came from; absent when it came through a resource.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub replica_id: Option<Uuid>,
    /// When it was done, by the clock of the device. Decides nothing.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub done_at: Option<Timestamp>,
    /// How it ended; absent while it is open.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub resolution: Option<Resolution>,
}

impl ConflictBody {
    /// Whether it waits for a person.
    #[must_use]
    pub fn is_open(&self) -> bool {
        self.resolution.is_none()
    }
}
