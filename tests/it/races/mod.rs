mod create;
mod plan;
