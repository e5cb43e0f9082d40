//! `K/items`.

mod create;
mod delete;
mod get;
mod list;
mod update;
