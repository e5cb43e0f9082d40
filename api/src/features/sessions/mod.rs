//! Sessions: a login gives a short-lived access token and a refresh token. An unknown address and a wrong password get
//! the same answer after the same time.

pub mod routes;
pub mod store;
