//! `/v1/device-tokens`.

mod create;
mod delete;
