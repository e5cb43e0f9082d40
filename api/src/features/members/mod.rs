//! Members of a kitroom. A kitroom keeps at least one owner; a personal one has one owner, and viewers.

pub mod routes;
pub mod store;
