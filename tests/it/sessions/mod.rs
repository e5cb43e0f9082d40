//! `/v1/sessions`, and what access tokens are good for.

mod create;
mod tokens;
