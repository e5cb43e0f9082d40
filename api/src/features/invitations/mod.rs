//! Invitations: a secret that makes whoever has it a member, once, until it expires. Only its hash is kept.

pub mod routes;
pub mod store;
