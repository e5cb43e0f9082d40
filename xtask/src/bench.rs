//! `cargo xtask bench`: the measurements, in the release build.

use crate::shell::{Failure, Tree};
use crate::step::{Step, Work, run_all};

const STEPS: &[Step] = &[Step {
    name: "the computations (benches of every crate)",
    hint: "Run one again: cargo bench --workspace NAME",
    work: Work::Cargo(&["bench", "--workspace", "--locked", "--benches"]),
}];

/// Runs all of it.
pub(crate) fn run(tree: &Tree) -> Result<(), Failure> {
    run_all("bench", tree, STEPS)
}
