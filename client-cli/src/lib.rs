//! The client: an offline replica in SQLite, the scale beside it, and a service to sync with when there is one.

pub mod app;
pub mod cli;
pub mod commands;
pub mod config;
pub mod document;
pub mod error;
pub mod local;
pub mod mint;
pub mod plot;
pub mod remote;
pub mod render;
pub mod scale;
pub mod sync;
pub mod ui;

use std::ffi::OsString;
use std::process::ExitCode;

use clap::Parser;
use clap::error::ErrorKind;

use crate::app::App;
use crate::cli::Cli;
use crate::config::Env;
use crate::error::{Kind, Result};
use crate::ui::Ui;

/// Runs one command and answers its exit code: 0 ok, 1 refused, 2 usage, 3 unreachable, 4 something waits for a person,
/// 70 a fault of the program or the disk.
pub fn run(
    args: impl IntoIterator<Item = OsString>,
    env: impl FnOnce() -> Result<Env>,
    ui: &mut Ui,
) -> ExitCode {
    ExitCode::from(run_to_code(args, env, ui))
}

/// The same, with the exit code as a number.
pub fn run_to_code(
    args: impl IntoIterator<Item = OsString>,
    env: impl FnOnce() -> Result<Env>,
    ui: &mut Ui,
) -> u8 {
    let cli = match Cli::try_parse_from(args) {
        Ok(cli) => cli,
        Err(error) => return explain(&error, ui),
    };
    ui.json = cli.json;
    let outcome = env().and_then(|env| {
        let mut app = App { env: &env, ui, kitroom: cli.kitroom };
        commands::run(&mut app, cli.command)
    });
    let outcome = outcome.and_then(|kind| ui.flush().map(|()| kind));
    match outcome {
        Ok(None) => 0,
        Ok(Some(kind)) => kind.exit_code(),
        Err(error) => {
            // What was printed before the failure still belongs to the reader.
            let _ = ui.flush();
            let text = if cli.json { error.to_json().to_string() } else { format!("tare: {error}") };
            ui.say(&text);
            error.kind.exit_code()
        }
    }
}

fn explain(error: &clap::Error, ui: &mut Ui) -> u8 {
    let text = error.render().to_string();
    if matches!(error.kind(), ErrorKind::DisplayHelp | ErrorKind::DisplayVersion) {
        let _ = ui.data(&text).and_then(|()| ui.flush());
        return 0;
    }
    ui.say(text.trim_end());
    Kind::Usage.exit_code()
}
