//! A real PostgreSQL for every test, whichever way this machine can have one.

pub mod db;
mod provider;
mod reaper;
