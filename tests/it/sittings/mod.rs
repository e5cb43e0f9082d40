//! `K/sittings`.

mod create;
mod update;
