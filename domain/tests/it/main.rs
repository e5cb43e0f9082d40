//! Checks of the computations against published values, one file a topic.

mod distributions;
mod effort;
mod every_file_is_listed;
mod light;
mod light_laws;
mod lightest_enumeration;
mod lightest_support;
mod mass;
mod metrology_basics;
mod metrology_rows;
mod provisions;
mod rows;
mod rules_oracle;
mod rules_patterns;
mod rules_sheets;
mod rules_support;
mod rules_verdicts;
mod stable_reading_rows;
mod trends;
mod trends_laws;
mod wind_chill;
