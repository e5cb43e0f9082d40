//! `K/check-readings`.

mod create;
mod list;
mod void;
