//! `pgbench`, from the same packages as the server, on the service's own socket and with its role.

use std::fs;
use std::process::{Command, Stdio};

use api::platform::embedded_pg::Binaries;

use super::place::Place;

/// Runs a script with so many connections for so long; gives transactions a second.
pub(super) fn run(place: &Place, script: &str, connections: usize, seconds: u64) -> Result<f64, String> {
    let file = place.path("statements.sql");
    fs::write(&file, script).map_err(|error| format!("{}: {error}", file.display()))?;
    let program = Binaries::find().map_err(|error| error.to_string())?.program("pgbench");
    let mut command = Command::new(&program);
    command.args(["--no-vacuum", "--protocol=prepared", "--username=tarebook", "--host"]);
    command.arg(place.socket_dir());
    command.arg(format!("--client={connections}")).arg(format!("--jobs={}", connections.min(2)));
    command.arg(format!("--time={seconds}")).arg("--file").arg(&file).arg("tarebook");
    // The service's own connections have these too.
    command.env("PGOPTIONS", "-c statement_timeout=20s -c lock_timeout=10s -c timezone=UTC");
    let output = command.stdin(Stdio::null()).output();
    let output = output.map_err(|error| format!("{}: {error}", program.display()))?;
    let (out, err) = (String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr));
    let rate = out.lines().find_map(|line| line.strip_prefix("tps = ")?.split(' ').next()?.parse().ok());
    match rate {
        // A script that broke off would be faster than one that does its work.
        Some(rate) if output.status.success() && !err.contains("aborted") => Ok(rate),
        _ => Err(format!("pgbench: {}\n{out}{err}", output.status)),
    }
}
