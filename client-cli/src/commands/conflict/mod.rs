//! `tare conflict`.

pub mod drop;
pub mod list;
