//! Rule sheets.

use super::{Hooks, Kind, Nature, no_dirt};
use crate::rules;
use crate::sync::op::Role;
use crate::sync::record::{Lookup, Stored};
use crate::wire::problem::FieldError;
use crate::wire::rule_sheet::RuleSheetBody;
use crate::wire::shape::{self, Object};
use crate::wire::sync::MAX_RECORD_BYTES;

/// The kind.
pub const KIND: Kind = Kind {
    name: "rule_sheet",
    table: "rule_sheets",
    nature: Nature::Mutable,
    groups: &[],
    maps: &[],
    write_once: &[],
    refs: &[],
    least_role: Role::Keeper,
    max_bytes: MAX_RECORD_BYTES,
    normalise: shape::normalise::<RuleSheetBody>,
    validate,
    dirties: no_dirt,
    hooks: Hooks::NONE,
};

fn validate(body: &Object, _: Option<&Stored>, _: &dyn Lookup) -> Vec<FieldError> {
    let Ok(sheet) = shape::read::<RuleSheetBody>(body) else { return Vec::new() };
    match rules::validate(&sheet.sheet()) {
        Ok(()) => Vec::new(),
        Err(problems) => problems
            .into_iter()
            .map(|problem| FieldError::new(problem.pointer, "rule", problem.message))
            .collect(),
    }
}
