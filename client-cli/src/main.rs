//! `tare`, the client of Tarebook.

use std::process::ExitCode;

use client_cli::ui::Ui;

fn main() -> ExitCode {
    client_cli::run(std::env::args_os(), client_cli::config::Env::of_process, &mut Ui::of_process())
}
