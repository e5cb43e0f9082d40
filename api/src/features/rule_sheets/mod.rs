//! Rule sheets: a race's mandatory kit.

pub mod routes;

use domain::wire::rule_sheet::RuleSheetBody;

use super::records::resource::Resource;
use super::records::routes::{Routes, routes as of};

/// The resource.
pub const RULE_SHEETS: Resource = Resource::new("rule_sheet", "rule-sheets", "rule_sheet_id");

/// Its operations.
#[must_use]
pub fn routes() -> Routes {
    of::<RuleSheetBody>(&RULE_SHEETS, "races")
}
