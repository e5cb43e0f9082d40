//! Checks of the computations against published values, one file a topic.

mod every_file_is_listed;
mod rules_oracle;
mod rules_patterns;
mod rules_sheets;
mod rules_support;
mod rules_verdicts;
