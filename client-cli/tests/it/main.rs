//! The client from outside, one file a topic.

mod devices;
mod every_file_is_listed;
mod help;
mod items;
mod linking;
mod masses;
mod model;
mod process;
mod scale_checks;
mod scale_devices;
mod scale_fuzz;
mod scale_recordings;
mod sitting;
mod syncing;
mod syncing_trouble;
mod weighing;
mod weighing_csv;
