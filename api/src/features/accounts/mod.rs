//! Accounts. They are closed: the operator makes them on the command line.

pub mod routes;
pub mod store;
