//! Syncing: send what was done here, get what was done elsewhere. Any step may be cut off and repeated. What is to be
//! sent, kept, asked again or given up is decided by the machine in `domain::sync::client`; here its effects are carried
//! out.

mod drive;
mod export;
mod lock;
mod rooms;
pub mod run;
pub mod verify;
pub mod watch;
mod words;

pub use export::export_unsent;
pub use lock::take as take_lock;
pub use run::{Answer, Question, Removed, Summary, Trouble, Wish, run, run_with};
