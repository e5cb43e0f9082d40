//! `cargo xtask soak`: the randomised tests with many more cases.

use crate::shell::{Failure, Tree};
use crate::step::{Step, Work, run_all};
use crate::{python, setup};

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
    Step {
        name: "build",
        hint: "The compiler's first error is the one to read.",
        work: Work::Cargo(&["build", "--workspace", "--all-targets", "--locked"]),
    },
    Step {
        name: "property tests, 4096 cases each",
        hint: "The smallest failing case is printed and kept in a proptest-regressions file: commit that.",
        work: Work::CargoWith(
            ("PROPTEST_CASES", "4096"),
            &["test", "--workspace", "--locked", "--no-fail-fast"],
        ),
    },
    Step {
        name: "sync histories, a million",
        hint: "The seed is named: run it alone with `cargo run -p domain --example histories -- 1 SEED`.",
        work: Work::Cargo(&[
            "run",
            "--release",
            "--locked",
            "-p",
            "domain",
            "--example",
            "histories",
            "--",
            "1000000",
        ]),
    },
    Step {
        name: "the scales' decoders, a million damaged inputs",
        hint: "The panic names the input: give its bytes to the decoder in a test.",
        work: Work::Cargo(&[
            "run",
            "--release",
            "--locked",
            "-p",
            "client-cli",
            "--example",
            "fuzz_decoders",
            "--",
            "1000000",
        ]),
    },
    Step {
        name: "sync against transactions held open, killed programs and broken lines, 500 and 200 histories; 1,000 times the numbers",
        hint: "Run one history again: target/debug/sync-proof interleaved 1 SEED, or faults 1 SEED",
        work: Work::Cargo(&["run", "--locked", "-p", "system-tests", "--bin", "sync-proof", "--", "soak"]),
    },
    Step {
        name: "differential checks, many cases",
        hint: "Run one again: .venv/bin/python tests/python/differential/run.py --help",
        work: Work::Call(python::differential_soak),
    },
    Step {
        name: "the lightest set, many cases",
        hint: "Run it again: .venv/bin/python tests/python/lightest/run.py --help",
        work: Work::Call(python::lightest_soak),
    },
    Step {
        name: "the API document against a running service (schemathesis), for twenty minutes",
        hint: "Run one operation again: .venv/bin/python tests/python/fuzz/run.py --server target/debug/tarebook --only ID",
        work: Work::Call(python::fuzz_soak),
    },
];

/// Runs all of it.
pub(crate) fn run(tree: &Tree) -> Result<(), Failure> {
    run_all("soak", tree, STEPS)
}
