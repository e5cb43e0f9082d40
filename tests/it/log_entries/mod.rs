mod create;
mod list;
mod state;
