//! Checks of the computations against published values, one file a topic.

mod distributions;
mod every_file_is_listed;
mod lightest_enumeration;
mod lightest_support;
mod mass;
mod metrology_basics;
mod metrology_rows;
mod rows;
