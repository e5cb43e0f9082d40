//! `cargo xtask demo`: the main job on real input, in front of whoever runs it.

use crate::setup;
use crate::shell::{Failure, Tree, run as run_command};

/// Installs what is missing, builds the programs and plays the demo.
pub(crate) fn run(tree: &Tree) -> Result<(), Failure> {
    setup::postgresql(tree)?;
    run_command(&mut tree.cargo(&["build", "--workspace", "--locked"]))
}
