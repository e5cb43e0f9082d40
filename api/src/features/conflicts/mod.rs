//! Conflicts: what two people said against each other, with both values. The door opens them and moves them along; whoever
//! made the offer, or a keeper, settles them.

use diesel::sql_types::{Bool, Uuid as SqlUuid};
use domain::wire::conflict::ConflictBody;
use serde::Deserialize;
use uuid::Uuid;

use super::records::resource::Resource;
use super::records::routes::{self, Routes, list_query};

/// The resource.
pub const CONFLICTS: Resource = Resource::new("conflict", "conflicts", "conflict_id");

/// Whether a conflict waits for a person.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize, utoipa::ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum ConflictState {
    /// It does.
    Open,
    /// It has ended.
    Closed,
}

list_query! {
    /// Which conflicts.
    pub struct ConflictQuery {
        /// Only those that are open, or closed; all when absent.
        #[param(inline)]
        state: Option<ConflictState>,
        /// Only those about this record.
        #[param(value_type = Option<String>, format = Uuid)]
        record_id: Option<Uuid>,
    }
}

/// Its operations.
#[must_use]
pub fn routes() -> Routes<ConflictQuery> {
    routes::routes::<ConflictBody>(&CONFLICTS, "sync").narrowed(|query: ConflictQuery, mut select| {
        if let Some(state) = query.state {
            select = select.sql(" and r.open = ").bind::<Bool, _>(state == ConflictState::Open);
        }
        match query.record_id {
            Some(record) => select.sql(" and r.record_id = ").bind::<SqlUuid, _>(record),
            None => select,
        }
    })
}
