//! Checks of the computations against published values, one file a topic.

mod distributions;
mod every_file_is_listed;
mod lightest_bad_input;
mod lightest_enumeration;
mod lightest_fixtures;
mod lightest_rules;
mod lightest_support;
mod mass;
mod metrology_basics;
mod metrology_rows;
mod rows;
mod rules_oracle;
mod rules_patterns;
mod rules_sheets;
mod rules_support;
mod rules_verdicts;
