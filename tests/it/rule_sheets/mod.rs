mod create;
mod registry;
