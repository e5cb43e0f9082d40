//! What the tests of the real server and the real client stand on.

pub mod harness;
pub mod load;
pub mod proof;
pub mod scenario;
