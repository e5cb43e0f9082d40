//! `cargo xtask bench`: the measurements, in the release build.

use crate::python;
use crate::shell::{Failure, Tree};
use crate::step::{Step, Work, run_all};

const STEPS: &[Step] = &[
    Step {
        name: "Python's reference libraries are there",
        hint: "They go to .venv in this folder; remove that folder to begin afresh.",
        work: Work::Call(python::prepare),
    },
    Step {
        name: "release build",
        hint: "The compiler's first error is the one to read.",
        work: Work::Cargo(&["build", "--workspace", "--release", "--locked", "--bins", "--examples"]),
    },
    Step {
        name: "the computations (benches of every crate)",
        hint: "Run one again: cargo bench --workspace --benches NAME",
        work: Work::Cargo(&["bench", "--workspace", "--locked", "--benches"]),
    },
    Step {
        name: "the lightest set beside a general solver, in one run",
        hint: "Run it again: .venv/bin/python tests/python/lightest/run.py --help",
        work: Work::Call(python::lightest_bench),
    },
];

/// Runs all of it.
pub(crate) fn run(tree: &Tree) -> Result<(), Failure> {
    run_all("bench", tree, STEPS)
}
