//! `cargo xtask test`: everything that has to hold before a change goes in.

use crate::shell::{Failure, Tree};
use crate::step::{Step, Work, run_all};
use crate::{openapi, purity, python, setup};

/// In order: what the machine needs, what is quick to check, then the tests.
const STEPS: &[Step] = &[
    Step {
        name: "PostgreSQL's programs are there",
        hint: "The tests run a private PostgreSQL from the system's own programs.",
        work: Work::Call(setup::postgresql),
    },
    Step {
        name: "Python's reference libraries are there",
        hint: "They go to .venv in this folder; remove that folder to begin afresh.",
        work: Work::Call(python::prepare),
    },
    Step { name: "format", hint: "Run: cargo fmt --all", work: Work::Cargo(&["fmt", "--all", "--check"]) },
    Step {
        name: "lints",
        hint: "Each warning says how to mend it; an exception is an #[expect] with its reason.",
        work: Work::Cargo(&[
            "clippy",
            "--workspace",
            "--all-targets",
            "--locked",
            "--quiet",
            "--",
            "-D",
            "warnings",
        ]),
    },
    Step {
        name: "domain stays pure",
        hint: "domain computes from plain values: no clock, no file, no socket, no process.",
        work: Work::Call(purity::check),
    },
    Step {
        name: "build",
        hint: "The compiler's first error is the one to read.",
        work: Work::Cargo(&["build", "--workspace", "--all-targets", "--locked"]),
    },
    Step {
        name: "unit, API, migration and sync tests",
        hint: "Run one again: cargo test --workspace NAME -- --nocapture",
        work: Work::Cargo(&["test", "--workspace", "--locked", "--no-fail-fast"]),
    },
    Step {
        name: "the committed API document is the code's",
        hint: "Run: cargo xtask openapi, look at the difference, commit it.",
        work: Work::Call(openapi::check_drift),
    },
    Step {
        name: "the API document is valid OpenAPI (openapi-spec-validator)",
        hint: "The validator names the place in openapi/openapi.json.",
        work: Work::Call(openapi::check_validity),
    },
    Step {
        name: "differential checks against Python's libraries",
        hint: "Run one again: .venv/bin/python tests/python/differential/run.py --help",
        work: Work::Call(python::differential),
    },
    Step {
        name: "the lightest set against a general solver",
        hint: "Run it again: .venv/bin/python tests/python/lightest/run.py --help",
        work: Work::Call(python::lightest),
    },
    Step {
        name: "the API document against a running service (schemathesis)",
        hint: "Run one operation again: .venv/bin/python tests/python/fuzz/run.py --server target/debug/tarebook --only ID",
        work: Work::Call(python::fuzz),
    },
];

/// Runs all of it.
pub(crate) fn run(tree: &Tree) -> Result<(), Failure> {
    run_all("test", tree, STEPS)
}
