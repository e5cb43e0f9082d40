//! What the service does, a folder a resource: `routes` reads requests, `store` speaks SQL.

pub mod accounts;
pub mod check_readings;
pub mod device_tokens;
pub mod health;
pub mod invitations;
pub mod items;
pub mod kitrooms;
pub mod members;
pub mod records;
pub mod scales;
pub mod sessions;
pub mod sittings;
pub mod sync;
pub mod weighings;
