//! The proof that sync loses nothing: histories of several replicas against the real service, while transactions are held
//! open, processes die, lines break, disks fill and backups are put back; and one checker over what was recorded.

pub mod checker;
pub mod faults;
pub mod history;
// The devices, people and chance of the histories against the model drive those against the real service, too.
#[path = "../../../domain/tests/it/histories/mod.rs"]
#[expect(dead_code, reason = "the model of the service and the mutants are the other tests' own")]
mod histories;
pub mod interleaved;
pub mod numbers;
pub mod truth;
