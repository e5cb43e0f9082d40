//! Installing what a fresh Debian or Ubuntu lacks; anywhere else, saying what to install.

use std::path::{Path, PathBuf};
use std::process::Command;

use crate::shell::{Failure, Tree, capture, run, say, show, succeeds};

/// The programs of PostgreSQL that the service, its tests and its backups run.
const PROGRAMS: &[&str] = &["postgres", "initdb", "psql", "pg_dump", "pg_restore", "pgbench"];

/// Makes sure of PostgreSQL's programs.
pub(crate) fn postgresql(tree: &Tree) -> Result<(), Failure> {
    if let Some(folder) = postgresql_folder() {
        say(&format!("found in {}", folder.display()));
        return Ok(());
    }
    install(tree, "PostgreSQL's server programs", &["postgresql", "postgresql-contrib"])?;
    match postgresql_folder() {
        Some(folder) => {
            say(&format!("installed in {}", folder.display()));
            Ok(())
        }
        None => Err(Failure::machine(format!("the packages lack some of {}", PROGRAMS.join(", ")))),
    }
}

/// `cargo xtask pg-bin`.
pub(crate) fn print_folder(_: &Tree) -> Result<(), Failure> {
    let folder = postgresql_folder().ok_or_else(|| Failure::machine("PostgreSQL's programs are missing"))?;
    say(&folder.display().to_string());
    Ok(())
}

/// The folder that has them all: on the search path, or where Debian and Ubuntu put the newest.
pub(crate) fn postgresql_folder() -> Option<PathBuf> {
    let path = std::env::vars_os().find(|(name, _)| name == "PATH").map(|(_, value)| value);
    let on_path: Vec<PathBuf> = path.iter().flat_map(std::env::split_paths).collect();
    let real = on_path
        .iter()
        .filter_map(|dir| dir.join("postgres").canonicalize().ok()?.parent().map(Path::to_owned));
    real.chain(versions()).find(|dir| PROGRAMS.iter().all(|program| dir.join(program).is_file()))
}

fn versions() -> Vec<PathBuf> {
    let entries = std::fs::read_dir("/usr/lib/postgresql").into_iter().flatten().flatten();
    let mut all: Vec<(u32, PathBuf)> = entries
        .filter_map(|entry| Some((entry.file_name().to_str()?.parse().ok()?, entry.path().join("bin"))))
        .collect();
    all.sort_by_key(|(major, _)| std::cmp::Reverse(*major));
    all.into_iter().map(|(_, dir)| dir).collect()
}

/// Installs packages when root, says so first, and otherwise says what to type.
pub(crate) fn install(tree: &Tree, what: &str, packages: &[&str]) -> Result<(), Failure> {
    if !succeeds(Command::new("apt-get").arg("--version")) {
        let text =
            format!("{what} are missing: install them from your system's packages, then run this again.");
        return Err(Failure::machine(text));
    }
    let mut apt = tree.command("apt-get");
    apt.args(["install", "--yes", "--no-install-recommends"]).args(packages);
    if capture(Command::new("id").arg("-u"))?.trim_ascii() != b"0" {
        let line = format!("sudo apt-get update && sudo {}", show(&apt));
        return Err(Failure::machine(format!("{what} are missing. Type this, then run it again:\n  {line}")));
    }
    say(&format!("{what} are missing; installing {} with apt-get", packages.join(" ")));
    apt.env("DEBIAN_FRONTEND", "noninteractive");
    // The lists of a fresh machine are empty or old; without them nothing is found.
    run(tree.command("apt-get").args(["update", "--quiet=2"]))?;
    run(&mut apt)
}
