//! `K/scales`.

mod create;
mod update;
