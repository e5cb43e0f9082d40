//! What a plan needs to know of the runner: private to the account.

pub mod routes;
pub mod store;
