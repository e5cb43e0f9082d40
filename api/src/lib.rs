//! The service `tarebook`.

pub mod platform;
