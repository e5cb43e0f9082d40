//! The client `tare`.

pub mod scale;
