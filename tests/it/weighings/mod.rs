//! `K/weighings`.

mod create;
mod list;
mod supersede;
mod void;
