//! `cargo xtask bench`: the measurements, in the release build.

use crate::shell::{Failure, Tree, run as run_command};
use crate::step::{Step, Work, run_all};
use crate::{python, setup};

const STEPS: &[Step] = &[
    Step {
        name: "PostgreSQL's programs are there",
        hint: "The service runs a private PostgreSQL from the system's own programs; pgbench comes with them.",
        work: Work::Call(setup::postgresql),
    },
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
        name: "the service beside pgbench on the same statements, its start, the client",
        hint: "Run one part again: target/release/load start|posts|pages|pushes|hot|feed|loadouts|tare",
        work: Work::Call(load),
    },
    Step {
        name: "a device takes in 100,000 records, at most 3 s of its own work",
        hint: "Run it again: cargo run --release -p client-cli --example pull_speed",
        work: Work::Cargo(&[
            "run",
            "--release",
            "--locked",
            "--package",
            "client-cli",
            "--example",
            "pull_speed",
        ]),
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

/// The program lies with the service and the client that it runs: beside the folder of this program's build.
fn load(tree: &Tree) -> Result<(), Failure> {
    run_command(&mut tree.command(tree.built("../release/load")))
}
