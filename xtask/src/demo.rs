//! `cargo xtask demo`: the main job on real input, in front of whoever runs it.

use std::fs;
use std::io::IsTerminal;
use std::path::{Path, PathBuf};
use std::process::Command;

use crate::service::Service;
use crate::setup;
use crate::shell::{Failure, Tree, run as run_command, say, show};

/// Installs what is missing, builds the programs and plays the demo.
pub(crate) fn run(tree: &Tree) -> Result<(), Failure> {
    say("1. What this machine needs");
    setup::postgresql(tree)?;
    say("\n2. Building the service and the client");
    run_command(&mut tree.cargo(&["build", "--workspace", "--locked"]))?;
    let folders = Folders::make()?;
    say("\n3. The service, on its private PostgreSQL");
    let service = Service::start(tree, &folders.data)?;
    say(&format!("ready on {}", service.url()));
    finish(tree, &folders, service)
}

/// Where the demo keeps everything; it stays for whoever wants to look.
struct Folders {
    root: PathBuf,
    data: PathBuf,
}

impl Folders {
    fn make() -> Result<Self, Failure> {
        let root = std::env::temp_dir().join(format!("tarebook-demo-{}", std::process::id()));
        let data = root.join("service");
        match fs::create_dir_all(&data) {
            Ok(()) => Ok(Self { root, data }),
            Err(error) => Err(Failure::new(format!("{}: {error}", data.display()))),
        }
    }
}

/// Says how to go on by hand; with somebody at the terminal the service waits for them.
fn finish(tree: &Tree, folders: &Folders, service: Service) -> Result<(), Failure> {
    let docs = format!("{}/docs", service.url());
    let listen = service.url().replace("http://", "");
    if std::io::stdin().is_terminal() {
        say(&format!("\nThe service's documentation: {docs}\nPress Enter to stop the service."));
        drop(std::io::stdin().read_line(&mut String::new()));
    }
    service.stop()?;
    say("\nThe service has stopped. To go on by hand:");
    say(&format!("  {}", show(&serve_again(tree, &folders.data, &listen))));
    say(&format!("  and then open {docs}"));
    say(&format!("Everything that the demo made lies in {}", folders.root.display()));
    Ok(())
}

fn serve_again(tree: &Tree, data: &Path, listen: &str) -> Command {
    let mut command = tree.command(tree.built("tarebook"));
    command.args(["serve", "--listen", listen, "--data-dir"]).arg(data);
    command
}
