//! The client from outside, one file a topic.

mod scale_devices;
mod scale_fuzz;
mod scale_recordings;
