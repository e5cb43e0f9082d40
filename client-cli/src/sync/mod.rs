//! Syncing: send what was done here, get what was done elsewhere. Any step may be cut off and repeated.

mod lock;
mod rooms;
pub mod run;
mod transfer;

pub use run::{Answer, Question, Summary, Trouble, run};
