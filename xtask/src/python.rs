//! The checks against Python's reference libraries, in an environment of their own (`.venv`).

use std::fs;
use std::path::PathBuf;
use std::process::Command;

use crate::setup;
use crate::shell::{Failure, Tree, run, say, succeeds};

const REQUIREMENTS: &str = "tests/python/requirements.txt";
/// A copy of the requirements that the environment was made with.
const STAMP: &str = ".venv/requirements.txt";

/// Python in the environment.
pub(crate) fn command(tree: &Tree) -> Command {
    tree.command(tree.path(".venv/bin/python"))
}

/// Makes the environment, or makes it anew when the requirements have changed.
pub(crate) fn prepare(tree: &Tree) -> Result<(), Failure> {
    let wanted = fs::read(tree.path(REQUIREMENTS));
    let wanted = wanted.map_err(|error| Failure::new(format!("{REQUIREMENTS}: {error}")))?;
    if fs::read(tree.path(STAMP)).is_ok_and(|had| had == wanted) && succeeds(command(tree).arg("--version")) {
        say("as the requirements say");
        return Ok(());
    }
    if !make(tree) {
        setup::install(tree, "Python and its venv module", &["python3", "python3-venv"])?;
        if !make(tree) {
            return Err(Failure::machine("python3 -m venv --clear .venv still fails: run it to see why"));
        }
    }
    say("installing the reference libraries into .venv");
    run(command(tree).args([
        "-m",
        "pip",
        "install",
        "--quiet",
        "--disable-pip-version-check",
        "-r",
        REQUIREMENTS,
    ]))?;
    fs::write(tree.path(STAMP), wanted).map_err(|error| Failure::new(format!("{STAMP}: {error}")))
}

fn make(tree: &Tree) -> bool {
    succeeds(tree.command("python3").args(["-m", "venv", "--clear", ".venv"]))
}

/// The computations against independent libraries.
pub(crate) fn differential(tree: &Tree) -> Result<(), Failure> {
    check(tree, "differential", "--calc", tree.built("examples/calc"), &[])
}

/// The same with many more cases.
pub(crate) fn differential_soak(tree: &Tree) -> Result<(), Failure> {
    check(tree, "differential", "--calc", tree.built("examples/calc"), &["--soak"])
}

/// The lightest sets against a general solver.
pub(crate) fn lightest(tree: &Tree) -> Result<(), Failure> {
    check(tree, "lightest", "--solve", tree.built("examples/solve"), &[])
}

/// The same with many more cases.
pub(crate) fn lightest_soak(tree: &Tree) -> Result<(), Failure> {
    check(tree, "lightest", "--solve", tree.built("examples/solve"), &["--soak"])
}

/// The times of both, with the release build.
pub(crate) fn lightest_bench(tree: &Tree) -> Result<(), Failure> {
    check(tree, "lightest", "--solve", tree.released("examples/solve"), &["--bench"])
}

/// The API document against a running service.
pub(crate) fn fuzz(tree: &Tree) -> Result<(), Failure> {
    fuzz_with(tree, &[])
}

/// The same for much longer.
pub(crate) fn fuzz_soak(tree: &Tree) -> Result<(), Failure> {
    fuzz_with(tree, &["--soak"])
}

fn fuzz_with(tree: &Tree, more: &[&str]) -> Result<(), Failure> {
    let mut script = command(tree);
    run(script.args(["tests/python/fuzz/run.py", "--server"]).arg(tree.built("tarebook")).args(more))
}

/// Runs `tests/python/TOPIC/run.py`, which asks an example program of `domain`.
fn check(tree: &Tree, topic: &str, option: &str, program: PathBuf, more: &[&str]) -> Result<(), Failure> {
    let mut script = command(tree);
    script.arg(format!("tests/python/{topic}/run.py")).arg(option).arg(program).args(more);
    run(&mut script)
}
