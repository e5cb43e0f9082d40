//! The ledger: why one sealed loadout, or one season's, weighs more or less than another.

pub mod routes;
pub mod store;
