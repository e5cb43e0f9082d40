//! Items of kit, each answered with its mass, the uncertainty of it and what it rests on, its state and its stock.

use diesel::sql_types::Text;
use domain::condition::{StateView, StockView};
use domain::wire::item::ItemBody;
use domain::wire::log_entry::ItemState;
use domain::wire::mass::ItemMass;

use super::records::resource::{Projection, Resource, SelectPage};
use super::records::routes::{self, Routes, list_query};

/// The resource.
pub const ITEMS: Resource = Resource {
    projections: &[
        Projection { table: "item_masses", key: "item_id", value: "mass" },
        Projection { table: "item_states", key: "item_id", value: "state" },
        Projection { table: "item_stocks", key: "item_id", value: "stock" },
    ],
    ..Resource::new("item", "items", "item_id")
};

list_query! {
    /// Which items.
    pub struct ItemQuery {
        /// Only this kind.
        #[param(example = "shell_jacket")]
        kind: Option<String>,
        /// Only items in this state.
        state: Option<ItemState>,
        /// Only this size, as the label says it.
        size: Option<String>,
        /// Only items with this in their name or tag, whatever the case.
        q: Option<String>,
    }
}

/// Its operations.
#[must_use]
pub fn routes() -> Routes<ItemQuery> {
    routes::routes::<ItemBody>(&ITEMS, "kit")
        .with_derived::<ItemMass>()
        .with_derived::<StateView>()
        .with_derived::<StockView>()
        .narrowed(narrow)
}

fn narrow(query: ItemQuery, mut select: SelectPage) -> SelectPage {
    if let Some(kind) = query.kind {
        select = select.sql(" and r.kind = ").bind::<Text, _>(kind);
    }
    if let Some(state) = query.state {
        select = select.sql(" and item_states.state->>'state' = ").bind::<Text, _>(state.name());
    }
    if let Some(size) = query.size {
        select = select.sql(" and r.size = ").bind::<Text, _>(size);
    }
    if let Some(q) = query.q {
        let q = q.to_lowercase();
        select = select
            .sql(" and (position(")
            .bind::<Text, _>(q.clone())
            .sql(" in lower(r.name)) > 0 or position(")
            .bind::<Text, _>(q)
            .sql(" in lower(r.tag)) > 0)");
    }
    select
}
