//! `tare man`.

use clap::CommandFactory;

use crate::app::App;
use crate::cli::{Cli, ManArgs};
use crate::error::{Error, Result};

/// Prints the manual page of `tare`, or writes one for each command.
///
/// # Errors
/// When the output or the files cannot be written.
pub fn cmd_man(app: &mut App<'_>, args: &ManArgs) -> Result<()> {
    let mut command = Cli::command();
    command.build();
    let Some(folder) = &args.to else {
        let mut page = Vec::new();
        clap_mangen::Man::new(command).render(&mut page)?;
        return app.ui.bytes(&page);
    };
    std::fs::create_dir_all(folder)?;
    clap_mangen::generate_to(command, folder).map_err(|error| {
        Error::refused(format!("the manual could not be written to {}", folder.display())).because(error)
    })?;
    let folder = folder.display().to_string();
    app.done(
        &format!("the manual is in {folder}; read it with: man -l {folder}/tare.1"),
        || serde_json::json!({ "folder": folder }),
    )
}
