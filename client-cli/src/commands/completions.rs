//! `tare completions`.

use clap::CommandFactory;

use crate::app::App;
use crate::cli::{Cli, CompletionsArgs};
use crate::error::Result;

/// Prints the completions for a shell.
///
/// # Errors
/// When the output cannot be written.
pub fn cmd_completions(app: &mut App<'_>, args: &CompletionsArgs) -> Result<()> {
    let mut script = Vec::new();
    clap_complete::generate(args.shell, &mut Cli::command(), "tare", &mut script);
    app.ui.bytes(&script)
}
