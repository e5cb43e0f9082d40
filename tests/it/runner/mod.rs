mod get;
mod update;
