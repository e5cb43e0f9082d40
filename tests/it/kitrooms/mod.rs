//! `/v1/kitrooms`.

mod create;
mod delete;
mod list;
mod update;
