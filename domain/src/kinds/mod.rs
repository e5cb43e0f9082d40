//! The registry of record kinds: all that the door, the feed, the digest and the client's replica know of a kind.

pub mod check_reading;
pub mod conflict;
pub mod hooks;
pub mod item;
pub mod loadout;
pub mod loadout_entry;
pub mod log_entry;
pub mod pocket;
pub mod race;
pub mod rule_sheet;
pub mod scale;
pub mod seal;
pub mod season;
pub mod sitting;
pub mod stock_entry;
pub mod weighing;

use serde_json::Value;
use uuid::Uuid;

pub use self::hooks::{Companion, Freeze, Hooks};
use crate::sync::op::{Action, Actor, Role};
use crate::sync::record::{Lookup, Stored};
use crate::wire::problem::FieldError;
use crate::wire::shape::{self, Object};

/// How a kind's records come about.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Nature {
    /// Appended and voided, never changed.
    Fact,
    /// Created, patched, deleted, restored.
    Mutable,
    /// Made by the service where people contradict each other; settled.
    Conflict,
}

/// A field that holds the id of another record.
#[derive(Debug, Clone, Copy)]
pub struct Ref {
    /// The field.
    pub field: &'static str,
    /// The kind that it refers to.
    pub kind: &'static str,
    /// How the body says that the record is another kitroom's, so that it is not looked up here.
    pub elsewhere: Option<Elsewhere>,
}

/// A reference to a record of another kitroom. Whoever makes or renews one has to be a member there.
#[derive(Debug, Clone, Copy)]
pub struct Elsewhere {
    /// The field that names the kitroom.
    pub kitroom: &'static str,
    /// The field that holds what was seen of the record there.
    pub seen: &'static str,
}

impl Ref {
    /// To a record of the same kitroom.
    #[must_use]
    pub const fn to(field: &'static str, kind: &'static str) -> Self {
        Self { field, kind, elsewhere: None }
    }
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
    /// The state of this item.
    State(Uuid),
    /// The stock of this item.
    Stock(Uuid),
    /// The state of this loadout.
    Loadout(Uuid),
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
    /// The largest record, in bytes of its canonical JSON.
    pub max_bytes: usize,
    /// Reads a body into its canonical spelling.
    pub normalise: fn(&Object) -> Result<Object, Vec<FieldError>>,
    /// What a body must fulfil beyond its shape, given the records that it refers to.
    pub validate: Validate,
    /// What a change of such a record makes stale.
    pub dirties: fn(&Stored, &dyn Lookup) -> Vec<Dirty>,
    /// What it decides together with other records.
    pub hooks: Hooks,
}

/// The field of a fact that names the one that it replaces.
pub const SUPERSEDES: &str = "supersedes_id";

/// All kinds; a kind comes after those that it refers to.
pub static KINDS: &[Kind] = &[
    item::KIND,
    pocket::KIND,
    scale::KIND,
    sitting::KIND,
    check_reading::KIND,
    weighing::KIND,
    season::KIND,
    rule_sheet::KIND,
    race::KIND,
    loadout::KIND,
    loadout_entry::KIND,
    seal::KIND,
    log_entry::KIND,
    stock_entry::KIND,
    conflict::KIND,
];

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

    /// Whether a body is incomplete without a field that it does not have.
    #[must_use]
    pub fn misses(&self, body: &Object, field: &str) -> bool {
        let at = shape::pointer(&[field]);
        !body.contains_key(field)
            && (self.normalise)(body).is_err_and(|errors| {
                errors.iter().any(|error| error.pointer == at && error.code == "missing")
            })
    }

    /// Whether it knows this action.
    #[must_use]
    pub fn knows(&self, action: Action) -> bool {
        let nature = match action {
            Action::Append | Action::Void => Nature::Fact,
            Action::Create | Action::Patch | Action::Delete | Action::Restore => Nature::Mutable,
            Action::Settle => Nature::Conflict,
        };
        nature == self.nature
    }

    /// Whether `actor` may do `action`, given the record as it stands and, for one that is made, its body.
    #[must_use]
    pub fn allows(
        &self,
        actor: &Actor,
        action: Action,
        stored: Option<&Stored>,
        body: &Object,
        lookup: &dyn Lookup,
    ) -> bool {
        // What is not there is nobody's: that is said instead.
        let own = |owner: Option<Uuid>| owner.is_none_or(|owner| owner == actor.account);
        let authors = actor.role >= Role::Member && own(stored.map(|stored| stored.created_by));
        match self.hooks.owner {
            _ if actor.role >= Role::Keeper => actor.role >= self.least_role,
            Some(owner) => {
                let owned = actor.role >= self.least_role && own(owner(body, stored, lookup));
                owned || (action == Action::Void && authors)
            }
            None if action == Action::Void => authors,
            None => actor.role >= self.least_role,
        }
    }

    /// The facts that replace the same fact, for a kind of facts that can be replaced.
    #[must_use]
    pub fn rivals(&self) -> Option<Companion> {
        let of = |body: &Object| reference_id(body, SUPERSEDES);
        let rivals = Companion { kind: self.name, field: SUPERSEDES, only: None, of };
        self.refs.iter().any(|reference| reference.field == SUPERSEDES).then_some(rivals)
    }

    /// Whether a decision about such a record may look at companions.
    #[must_use]
    pub fn has_companions(&self) -> bool {
        !self.hooks.companions.is_empty() || self.rivals().is_some()
    }

    /// The records that a decision about this body looks at besides those that it refers to, each with the id that they
    /// name: for a fact that replaces another, its rivals; and what its kind asks for.
    pub fn companions<'a>(&'a self, body: &'a Object) -> impl Iterator<Item = (Companion, Uuid)> + 'a {
        let all = self.rivals().into_iter().chain(self.hooks.companions.iter().copied());
        all.filter_map(|companion| Some((companion, (companion.of)(body)?)))
    }

    /// The ids that a body refers to, with the kinds they are of.
    pub fn references<'a>(&'a self, body: &'a Object) -> impl Iterator<Item = (&'static Ref, Uuid)> + 'a {
        let here =
            |reference: &&Ref| reference.elsewhere.is_none_or(|there| !body.contains_key(there.kitroom));
        self.refs
            .iter()
            .filter(here)
            .filter_map(|reference| Some((reference, reference_id(body, reference.field)?)))
    }

    /// The other kitrooms whose records a body refers to, each with the reference.
    pub fn kitrooms_named<'a>(&'a self, body: &'a Object) -> impl Iterator<Item = (&'static Ref, Uuid)> + 'a {
        self.refs
            .iter()
            .filter_map(|reference| Some((reference, reference_id(body, reference.elsewhere?.kitroom)?)))
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
        let field = |field: &str| body.get(field).cloned().unwrap_or(Value::Null);
        match self.parts_of(unit) {
            Unit::Group(fields) => fields.iter().map(|name| field(name)).collect(),
            Unit::Key(map, key) => body.get(map).and_then(|map| map.get(key)).cloned().unwrap_or(Value::Null),
            Unit::Field(name) => field(name),
        }
    }

    /// The part of a body that these merge units are.
    #[must_use]
    pub fn unit_fields(&self, units: &[String], body: &Object) -> Object {
        let mut part = Object::new();
        for unit in units {
            let mut take = |name: &str| {
                if let Some(value) = body.get(name) {
                    part.insert(name.to_owned(), value.clone());
                }
            };
            match self.parts_of(unit) {
                Unit::Group(fields) => fields.iter().for_each(|name| take(name)),
                Unit::Field(name) => take(name),
                Unit::Key(map, key) => {
                    if let Some(value) = body.get(map).and_then(|map| map.get(key))
                        && let Value::Object(map) = part.entry(map).or_insert_with(|| Object::new().into())
                    {
                        map.insert(key.to_owned(), value.clone());
                    }
                }
            }
        }
        part
    }

    /// The merge patch (RFC 7396) that gives these merge units the values that they have in `part`; what is not in it
    /// goes.
    #[must_use]
    pub fn unit_patch(&self, units: &[String], part: &Object) -> Object {
        let mut patch = Object::new();
        let value = |name: &str| part.get(name).cloned().unwrap_or(Value::Null);
        for unit in units {
            match self.parts_of(unit) {
                Unit::Group(fields) => {
                    patch.extend(fields.iter().map(|name| ((*name).to_owned(), value(name))));
                }
                Unit::Field(name) => {
                    patch.insert(name.to_owned(), value(name));
                }
                Unit::Key(map, key) => {
                    let value = part.get(map).and_then(|map| map.get(key)).cloned().unwrap_or(Value::Null);
                    if let Value::Object(map) = patch.entry(map).or_insert_with(|| Object::new().into()) {
                        map.insert(key.to_owned(), value);
                    }
                }
            }
        }
        patch
    }

    fn parts_of<'a>(&self, unit: &'a str) -> Unit<'a> {
        if let Some(group) = self.groups.iter().find(|group| group.name == unit) {
            return Unit::Group(group.fields);
        }
        match unit.split_once('.') {
            Some((map, key)) if self.maps.contains(&map) => Unit::Key(map, key),
            _ => Unit::Field(unit),
        }
    }
}

/// What a merge unit consists of.
enum Unit<'a> {
    Group(&'static [&'static str]),
    Key(&'a str, &'a str),
    Field(&'a str),
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
