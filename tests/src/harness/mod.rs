//! A real PostgreSQL for every test, whichever way this machine can have one; on it the service as it is built for
//! production, and people and devices that ask it.

pub mod actors;
pub mod app;
pub mod bodies;
pub mod client;
pub mod db;
pub mod device;
pub mod logins;
pub mod masses;
mod provider;
mod reaper;
pub mod redact;
pub mod service;
pub mod tare;
