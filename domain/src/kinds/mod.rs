//! The registry of record kinds: all that the door, the feed, the digest and the client's replica know of a kind.

pub mod check_reading;
pub mod item;
pub mod scale;
pub mod sitting;
pub mod weighing;

use serde_json::Value;
use uuid::Uuid;

use crate::sync::op::{Action, Actor, Role};
use crate::sync::record::{Lookup, Stored};
use crate::wire::problem::FieldError;
use crate::wire::shape::Object;

/// Whether a kind's records are facts or can be changed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Nature {
    /// Appended and voided, never changed.
    Fact,
    /// Created, patched, deleted, restored.
    Mutable,
}

/// A field that holds the id of another record.
#[derive(Debug, Clone, Copy)]
pub struct Ref {
    /// The field.
    pub field: &'static str,
    /// The kind that it refers to.
    pub kind: &'static str,
}

/// Fields that are merged as one.
#[derive(Debug, Clone, Copy)]
pub struct Group {
    /// The unit's name.
    pub name: &'static str,
    /// Its fields.
    pub fields: &'static [&'static str],
}

/// A derived value that a change makes stale.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Dirty {
    /// The mass of this item.
    Item(Uuid),
    /// The offset of this sitting, and with it every item weighed in it.
    Sitting(Uuid),
    /// How well the scale of this sitting repeats; every item weighed on it, if that changes.
    Repeats(Uuid),
}

/// Which validations look at.
pub type Validate = fn(&Object, Option<&Stored>, &dyn Lookup) -> Vec<FieldError>;

/// One kind of record.
#[derive(Debug)]
pub struct Kind {
    /// The name on the wire.
    pub name: &'static str,
    /// The plural, as its table is called.
    pub table: &'static str,
    /// Fact or mutable.
    pub nature: Nature,
    /// Fields merged as one, beyond single fields.
    pub groups: &'static [Group],
    /// Fields that are maps and are merged key by key.
    pub maps: &'static [&'static str],
    /// Fields that cannot change once they are written.
    pub write_once: &'static [&'static str],
    /// The fields that hold ids of other records.
    pub refs: &'static [Ref],
    /// The least role that may change it.
    pub least_role: Role,
    /// Reads a body into its canonical spelling.
    pub normalise: fn(&Object) -> Result<Object, Vec<FieldError>>,
    /// What a body must fulfil beyond its shape, given the records that it refers to.
    pub validate: Validate,
    /// What a change of such a record makes stale.
    pub dirties: fn(&Stored, &dyn Lookup) -> Vec<Dirty>,
}

/// All kinds; a kind comes after those that it refers to.
pub static KINDS: &[Kind] = &[item::KIND, scale::KIND, sitting::KIND, check_reading::KIND, weighing::KIND];

/// The kind with this name.
#[must_use]
pub fn kind(name: &str) -> Option<&'static Kind> {
    KINDS.iter().find(|kind| kind.name == name)
}

impl Kind {
    /// Whether its records are facts.
    #[must_use]
    pub fn is_fact(&self) -> bool {
        self.nature == Nature::Fact
    }

    /// Whether it knows this action.
    #[must_use]
    pub fn knows(&self, action: Action) -> bool {
        matches!(action, Action::Append | Action::Void) == self.is_fact()
    }

    /// Whether `actor` may do `action`, given the record as it stands.
    #[must_use]
    pub fn allows(&self, actor: &Actor, action: Action, stored: Option<&Stored>) -> bool {
        match action {
            Action::Void => {
                actor.role >= Role::Keeper
                    // What is not there is nobody's: that is said instead.
                    || (actor.role >= Role::Member && stored.is_none_or(|s| s.created_by == actor.account))
            }
            _ => actor.role >= self.least_role,
        }
    }

    /// The ids that a body refers to, with the kinds they are of.
    pub fn references<'a>(&'a self, body: &'a Object) -> impl Iterator<Item = (&'static Ref, Uuid)> + 'a {
        self.refs.iter().filter_map(|reference| Some((reference, reference_id(body, reference.field)?)))
    }

    /// The merge unit that a field belongs to; for a field of a map, that of its key.
    #[must_use]
    pub fn unit_of(&self, field: &str, key: Option<&str>) -> String {
        if let Some(group) = self.groups.iter().find(|group| group.fields.contains(&field)) {
            return group.name.to_owned();
        }
        match key {
            Some(key) if self.maps.contains(&field) => format!("{field}.{key}"),
            _ => field.to_owned(),
        }
    }

    /// The merge units that a patch touches, with each unit's fields.
    #[must_use]
    pub fn units_of_patch(&self, patch: &Object, body: &Object) -> Vec<String> {
        let mut units = Vec::new();
        for (field, value) in patch {
            if self.maps.contains(&field.as_str()) {
                let current = body.get(field).and_then(Value::as_object);
                match value {
                    Value::Object(map) => units.extend(map.keys().map(|key| self.unit_of(field, Some(key)))),
                    // The whole map goes: every key that is there now.
                    _ => units
                        .extend(current.into_iter().flatten().map(|(key, _)| self.unit_of(field, Some(key)))),
                }
            } else {
                units.push(self.unit_of(field, None));
            }
        }
        units.sort();
        units.dedup();
        units
    }

    /// The value of a merge unit in a body, for comparing.
    #[must_use]
    pub fn unit_value(&self, unit: &str, body: &Object) -> Value {
        if let Some(group) = self.groups.iter().find(|group| group.name == unit) {
            return group
                .fields
                .iter()
                .map(|field| body.get(*field).cloned().unwrap_or(Value::Null))
                .collect();
        }
        if let Some((map, key)) = unit.split_once('.')
            && self.maps.contains(&map)
        {
            return body.get(map).and_then(|map| map.get(key)).cloned().unwrap_or(Value::Null);
        }
        body.get(unit).cloned().unwrap_or(Value::Null)
    }
}

/// The id in a field of a body.
#[must_use]
pub fn reference_id(body: &Object, field: &str) -> Option<Uuid> {
    body.get(field)?.as_str().and_then(|text| Uuid::parse_str(text).ok())
}

/// Nothing to check beyond the shape.
pub(crate) fn no_rule(_: &Object, _: Option<&Stored>, _: &dyn Lookup) -> Vec<FieldError> {
    Vec::new()
}

/// Nothing derived hangs on it.
pub(crate) fn no_dirt(_: &Stored, _: &dyn Lookup) -> Vec<Dirty> {
    Vec::new()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn kinds_refer_only_to_kinds_before_them_or_to_themselves() {
        for (at, kind) in KINDS.iter().enumerate() {
            for reference in kind.refs {
                let target = KINDS.iter().position(|other| other.name == reference.kind);
                assert!(target.is_some_and(|target| target <= at), "{} -> {}", kind.name, reference.kind);
            }
        }
    }
}
