//! Checks of the computations against published values, one file a topic.

mod every_file_is_listed;
