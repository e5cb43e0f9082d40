//! Sync: what a change is, and how it meets what is stored. Pure: the service runs it under the kitroom's lock, the
//! client runs it over its replica, the tests run it over thousands of histories.

pub mod canonical;
pub mod client;
pub mod conflict;
pub mod feed;
pub mod merge;
pub mod op;
pub mod record;
mod settle;
pub mod working;
