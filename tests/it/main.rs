//! Tests of the whole: real servers, real processes, a real PostgreSQL.

mod accounts;
mod agreement;
mod authz;
mod check_readings;
mod device_tokens;
mod embedded_pg;
mod envelope;
mod every_file_is_listed;
mod items;
mod kitrooms;
mod migrations;
mod openapi;
mod process;
mod scales;
mod service;
mod sessions;
mod sittings;
mod sync;
mod test_databases;
mod weighings;
