//! Sync: what changed since, and the way in for a device's own changes.

pub mod cursor;
pub mod feed;
pub mod push;
pub mod routes;
pub mod store;
pub mod stream;
pub mod waits;
