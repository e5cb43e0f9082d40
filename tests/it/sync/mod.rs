//! Sync: pushes, the feed, and what has to hold when they come from several sides at once.

mod bad_input;
mod changes;
mod concurrency;
mod cursors;
mod devices;
mod devices_restored;
mod digest;
mod faults;
mod groups;
mod interleaved;
mod masses;
mod merge;
mod numbers;
mod overview;
mod push;
mod replay;
mod restore;
mod stream;
mod together;
mod waits;
