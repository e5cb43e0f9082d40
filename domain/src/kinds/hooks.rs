//! What some kinds decide together with other records. The door and the merge call these by their place and know no
//! kind by its name.

use uuid::Uuid;

use crate::sync::conflict::{Contradiction, Write};
use crate::sync::op::Op;
use crate::sync::record::{Lookup, Stored};
use crate::time::Timestamp;
use crate::wire::conflict::{About, ConflictBody, Settle};
use crate::wire::problem::{ErrorCode, FieldError};
use crate::wire::shape::Object;

/// Records that a decision looks at although the body does not name them: those that name the same record as it does.
#[derive(Debug, Clone, Copy)]
pub struct Companion {
    /// Their kind.
    pub kind: &'static str,
    /// Their field that holds the id. It is one of the kind's references, and a column of its table.
    pub field: &'static str,
    /// Only those whose text field has one of these values; the field is a column of the table as well.
    pub only: Option<(&'static str, &'static [&'static str])>,
    /// The id, from a body of the kind that has this hook; none where it needs no companions.
    pub of: fn(&Object) -> Option<Uuid>,
}

/// What keeps a record from being changed. Who knows of it is refused; who does not has made a contradiction.
#[derive(Debug, Clone, Copy)]
pub struct Freeze {
    /// The live record that does it, given the body that is to be changed or made.
    pub by: for<'a> fn(&Object, &'a dyn Lookup) -> Option<&'a Stored>,
    /// What the contradiction is about.
    pub about: About,
    /// How the one who knows is refused.
    pub code: ErrorCode,
    /// In words, with what to do next.
    pub words: &'static str,
}

/// What a kind decides together with other records.
#[derive(Debug, Clone, Copy)]
pub struct Hooks {
    /// Whose a record is: members change what is theirs, keepers everything. Without it the least role decides alone.
    /// Given the body that is offered, and the record as it stands.
    pub owner: Option<OwnerOf>,
    /// Records that name what it names.
    pub companions: &'static [Companion],
    /// Records that it names otherwise than by its references.
    pub names: Option<Names>,
    /// What keeps it from being changed.
    pub freeze: Option<Freeze>,
    /// What the record, as it stands after it was appended or voided, shows to be contradictory.
    pub contradicts: Option<Contradicts>,
    /// Completes a body that comes through a resource with what its author could see.
    pub complete: Option<fn(&mut Object, &dyn Lookup)>,
    /// What settles a contradiction that its `contradicts` found.
    pub settles: Option<Settles>,
    /// Whether a fact remembers the replica that it came from, because it belongs to the base of that one's later ops.
    pub marked: bool,
}

/// Whose a record is.
pub type OwnerOf = fn(&Object, Option<&Stored>, &dyn Lookup) -> Option<Uuid>;

/// Kinds and ids of records that a body names.
pub type Names = fn(&Object) -> Vec<(&'static str, Uuid)>;

/// What a fact shows to be contradictory.
pub type Contradicts = fn(&Stored, &dyn Lookup) -> Vec<Contradiction>;

/// What is written to settle a contradiction of facts, or what is wrong with the wish.
pub type Settles =
    fn(&ConflictBody, &Settle, &Op, Timestamp, &dyn Lookup) -> Result<Vec<Write>, Vec<FieldError>>;

impl Hooks {
    /// Nothing of it.
    pub const NONE: Self = Self {
        owner: None,
        companions: &[],
        names: None,
        freeze: None,
        contradicts: None,
        complete: None,
        settles: None,
        marked: false,
    };
}

/// Whoever made the record owns it; what is not there yet is nobody's.
pub(crate) fn by_author(_: &Object, stored: Option<&Stored>, _: &dyn Lookup) -> Option<Uuid> {
    stored.map(|stored| stored.created_by)
}
