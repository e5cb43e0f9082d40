//! Tarebook's service: the gear database and weight log, with sync, on PostgreSQL.

pub mod app;
pub mod cli;
pub mod config;
pub mod door;
pub mod features;
pub mod openapi;
pub mod platform;
pub mod routes;
pub mod schema;
