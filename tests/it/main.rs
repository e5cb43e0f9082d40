//! Tests of the whole: real servers, real processes, a real PostgreSQL.

mod accounts;
mod agreement;
mod authz;
mod embedded_pg;
mod every_file_is_listed;
mod migrations;
mod test_databases;
