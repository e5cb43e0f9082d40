mod create;
mod list;
mod update;
