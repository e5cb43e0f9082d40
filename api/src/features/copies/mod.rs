//! Copies of the whole database: what it holds, before one is written or brought back.

pub mod store;
