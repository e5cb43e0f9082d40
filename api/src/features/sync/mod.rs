//! Sync: what changed since, and the way in for a device's own changes.

pub mod cursor;
pub mod routes;
pub mod store;
