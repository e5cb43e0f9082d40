//! What every feature stands on. Imports no feature.

pub mod answer;
pub mod auth;
pub mod clock;
pub mod db;
pub mod dump;
pub mod embedded_pg;
pub mod error;
pub mod extract;
pub mod jsonb;
pub mod limits;
pub mod paging;
pub mod password;
pub mod sql;
pub mod telemetry;
pub mod token;
pub mod workers;
