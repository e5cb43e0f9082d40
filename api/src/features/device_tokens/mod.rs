//! Device tokens: what a device shows instead of a password. The secret is answered once; only its hash is kept.

pub mod routes;
pub mod store;
