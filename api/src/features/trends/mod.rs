//! What the history of an item says: how its mass moves, how its head will stand on a day, and how it is seen now.

pub mod routes;
