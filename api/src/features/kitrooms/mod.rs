//! Kitrooms: the unit of membership and of sync. Whoever is no member of one gets the same answer as for one that does
//! not exist.

pub mod access;
pub mod routes;
pub mod store;
