//! What deserves a look: before which race, by which day, and what to do about it.

pub mod routes;
pub mod store;
