//! Whether the service lives, whether it can work, and what it has done.

pub mod routes;
