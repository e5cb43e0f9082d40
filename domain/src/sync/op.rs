//! An op: one change that somebody asks for.

use serde::{Deserialize, Serialize};
use serde_json::Value;
use uuid::Uuid;

use crate::time::Timestamp;
use crate::wire::shape::Object;

/// What an op does to its record. Facts are appended and voided; mutable records are created, patched, deleted and
/// restored; conflicts are settled. Closed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
#[serde(rename_all = "snake_case")]
pub enum Action {
    /// Adds a fact.
    Append,
    /// Takes a fact out of every calculation; it stays in history.
    Void,
    /// Makes a mutable record.
    Create,
    /// Changes some of its fields (RFC 7396).
    Patch,
    /// Deletes it.
    Delete,
    /// Brings a deleted one back.
    Restore,
    /// Settles a conflict.
    Settle,
}

impl Action {
    /// The name on the wire.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Action::Append => "append",
            Action::Void => "void",
            Action::Create => "create",
            Action::Patch => "patch",
            Action::Delete => "delete",
            Action::Restore => "restore",
            Action::Settle => "settle",
        }
    }

    /// Which member of a pushed op holds its content.
    #[must_use]
    pub fn payload_field(self) -> &'static str {
        if self == Action::Patch { "patch" } else { "value" }
    }
}

/// An op, ready to be decided.
#[derive(Debug, Clone, PartialEq)]
pub struct Op {
    /// Its id; the same id is the same op for ever.
    pub op_id: Uuid,
    /// Its number within (replica, kitroom); none for an op that came in through a resource.
    pub op_no: Option<i64>,
    /// The ops that commit together.
    pub group: String,
    /// The kind of its record.
    pub kind: String,
    /// Its record.
    pub record_id: Uuid,
    /// What it does.
    pub action: Action,
    /// The last change of the kitroom that its author had seen.
    pub base_seq: i64,
    /// The content: a body, a patch, a reason, or how a conflict is settled.
    pub payload: Object,
    /// When it was done, by its author's clock. Decides nothing.
    pub done_at: Option<Timestamp>,
    /// Hash of what was asked for, as received, whatever its author had seen ([`super::canonical::op_hash`]).
    pub hash: [u8; 32],
    /// The version that the record must have, for an op that came in through a resource.
    pub if_version: Option<i64>,
}

/// Applies a merge patch (RFC 7396) to an object.
pub fn merge_patch(target: &mut Object, patch: &Object) {
    for (key, value) in patch {
        match value {
            Value::Null => {
                target.remove(key);
            }
            Value::Object(nested) => {
                let slot = target.entry(key.clone()).or_insert(Value::Null);
                if !slot.is_object() {
                    *slot = Value::Object(Object::new());
                }
                if let Value::Object(inner) = slot {
                    merge_patch(inner, nested);
                }
            }
            other => {
                target.insert(key.clone(), other.clone());
            }
        }
    }
}

/// How an op ended. Closed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
#[serde(rename_all = "snake_case")]
pub enum OpStatus {
    /// Done, and nobody else had changed the record since its base.
    Applied,
    /// Done, beside somebody else's change of other fields.
    Merged,
    /// Something in it contradicts what somebody else did: that is kept as a conflict that a person settles, whatever else
    /// is in it is done.
    Conflict,
    /// Nothing was left to do.
    Noop,
    /// Refused for good; the problem says why.
    Rejected,
    /// Not looked at, because an earlier part of the batch could not be finished; send it again.
    NotAttempted,
}

/// What the door answers for one op.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct OpResult {
    /// The op.
    pub op_id: Uuid,
    /// How it ended.
    pub status: OpStatus,
    /// The version that its record has now, when it has one; for a conflict, the number of the last change that it made.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub seq: Option<i64>,
    /// Whether this is the stored answer to an op that was sent before.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub replayed: bool,
    /// Why it was refused.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub problem: Option<crate::wire::problem::Problem>,
    /// The conflicts that it opened, or added to.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub conflict_ids: Vec<Uuid>,
}

/// Who asks for a change, and with what right at the moment of applying it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Actor {
    /// The account.
    pub account: Uuid,
    /// Its role in the kitroom now.
    pub role: Role,
    /// The replica that sends, for pushed ops.
    pub replica: Option<Uuid>,
}

/// What a member of a kitroom may do; each may do all that the one before may. Closed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
#[serde(rename_all = "snake_case")]
pub enum Role {
    /// Reads.
    Viewer,
    /// Also appends facts and keeps own loadouts.
    Member,
    /// Also changes every record and voids every fact.
    Keeper,
    /// Also decides about members and the kitroom itself.
    Owner,
}

impl Role {
    /// The name on the wire.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Role::Viewer => "viewer",
            Role::Member => "member",
            Role::Keeper => "keeper",
            Role::Owner => "owner",
        }
    }

    /// The role with this name.
    #[must_use]
    pub fn from_name(name: &str) -> Option<Self> {
        [Role::Viewer, Role::Member, Role::Keeper, Role::Owner].into_iter().find(|role| role.name() == name)
    }
}

/// When and how an op is decided.
#[derive(Debug, Clone, Copy)]
pub struct Deciding {
    /// The clock of whoever decides.
    pub now: Timestamp,
    /// Who asks.
    pub actor: Actor,
    /// Whether a time that lies more than 24 h ahead is refused (a person is there to mend it) or stored as suspect
    /// (it comes from a device that has been offline).
    pub refuse_future_times: bool,
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    #[test]
    fn merge_patch_rfc_7396_test_cases_hold() {
        // RFC 7396 appendix A, the rows whose target and patch are objects.
        let rows = [
            (json!({"a":"b"}), json!({"a":"c"}), json!({"a":"c"})),
            (json!({"a":"b"}), json!({"b":"c"}), json!({"a":"b","b":"c"})),
            (json!({"a":"b"}), json!({"a":null}), json!({})),
            (json!({"a":"b","b":"c"}), json!({"a":null}), json!({"b":"c"})),
            (json!({"a":["b"]}), json!({"a":"c"}), json!({"a":"c"})),
            (json!({"a":"c"}), json!({"a":["b"]}), json!({"a":["b"]})),
            (json!({"a":{"b":"c"}}), json!({"a":{"b":"d","c":null}}), json!({"a":{"b":"d"}})),
            (json!({"a":[{"b":"c"}]}), json!({"a":[1]}), json!({"a":[1]})),
            (json!({"e":null}), json!({"a":1}), json!({"e":null,"a":1})),
            (json!({}), json!({"a":{"bb":{"ccc":null}}}), json!({"a":{"bb":{}}})),
        ];
        for (target, patch, expected) in rows {
            let (Value::Object(mut target), Value::Object(patch)) = (target, patch) else {
                panic!("objects")
            };
            merge_patch(&mut target, &patch);
            assert_eq!(Value::Object(target), expected, "{patch:?}");
        }
    }
}
