//! What the resources of all record kinds have in common: a request becomes an op, goes through the door, and the
//! record as it stands is answered. Each resource names its kind and its projection; nothing here knows one.

pub mod gathered;
pub mod idempotency;
pub mod listed;
pub mod resource;
pub mod routes;
pub mod service;
