//! How many records a kitroom may hold.

use domain::sync::op::{Action, Op};
use domain::sync::working::Working;
use domain::wire::problem::{ErrorCode, Problem};

/// The first op of a group that would make a record beyond the bound, and the problem to refuse the group with. `held`
/// is the number from the lock's statement: changes through resources that waited for the lock together may each see the
/// number before the others, so that the bound can be passed by a few records, never by more.
pub fn over(working: &Working, held: i64, at_most: i64, ops: &[&Op]) -> Option<(usize, Problem)> {
    let room = usize::try_from(at_most - held).unwrap_or(0).saturating_sub(working.made());
    let mut makes =
        ops.iter().enumerate().filter(|(_, op)| matches!(op.action, Action::Create | Action::Append));
    let (at, _) = makes.nth(room)?;
    let words =
        format!("the kitroom holds as many records as it may: {at_most}; the operator can raise that");
    Some((at, Problem::new(ErrorCode::QuotaExceeded, words).with("records_at_most", at_most)))
}
