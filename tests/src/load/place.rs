//! A fresh data folder, and the built service on it: the program itself, with its private, durable PostgreSQL.

use std::fs;
use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use nix::sys::signal::{Signal, kill};
use nix::unistd::Pid;
use tempfile::TempDir;

use super::http::{self, Connection};

/// The first start makes a cluster.
const PATIENCE: Duration = Duration::from_secs(120);

/// Where everything of one run lies; it goes with the value.
pub(super) struct Place {
    folder: TempDir,
}

impl Place {
    pub(super) fn new() -> Result<Self, String> {
        let folder = tempfile::Builder::new().prefix("tarebook-bench-").tempdir();
        let folder = folder.map_err(|error| format!("a temporary folder: {error}"))?;
        // PostgreSQL runs as another user when this runs as root.
        let opened = fs::set_permissions(folder.path(), fs::Permissions::from_mode(0o755));
        opened.map_err(|error| error.to_string())?;
        Ok(Self { folder })
    }

    pub(super) fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    pub(super) fn data_dir(&self) -> PathBuf {
        self.path("data")
    }

    /// The folder of PostgreSQL's socket.
    pub(super) fn socket_dir(&self) -> PathBuf {
        self.data_dir().join("postgres/run")
    }

    /// What PostgreSQL has logged.
    pub(super) fn server_log(&self) -> Result<String, String> {
        let path = self.data_dir().join("postgres/server.log");
        fs::read_to_string(&path).map_err(|error| format!("{}: {error}", path.display()))
    }

    pub(super) fn admin_url(&self) -> String {
        format!("postgresql:///tarebook?host={}&user=tarebook_admin", self.socket_dir().display())
    }

    /// A program that was built beside this one.
    pub(super) fn built(name: &str) -> Result<PathBuf, String> {
        let exe = std::env::current_exe().map_err(|error| error.to_string())?;
        Ok(exe.parent().unwrap_or(Path::new(".")).join(name))
    }

    /// The service's program, with nothing of whatever is set for another service.
    pub(super) fn tarebook(&self, arguments: &[&str]) -> Result<Command, String> {
        let mut command = Command::new(Self::built("tarebook")?);
        command.args(arguments).arg("--data-dir").arg(self.data_dir());
        for name in ["TAREBOOK_DATABASE_URL", "TAREBOOK_DATA_DIR", "TAREBOOK_LISTEN", "TAREBOOK_LOG"] {
            command.env_remove(name);
        }
        command.stdin(Stdio::null());
        Ok(command)
    }

    /// Starts the service and waits until it is ready.
    pub(super) async fn serve(&self) -> Result<Service, String> {
        let address = free_address()?;
        let log = fs::File::create(self.path("service.log")).map_err(|error| error.to_string())?;
        let mut command = self.tarebook(&["serve", "--listen", &address])?;
        let begun = Instant::now();
        let child = command.stdout(Stdio::null()).stderr(log).spawn();
        let child = child.map_err(|error| format!("{}: {error}", command.get_program().display()))?;
        let mut service = Service { child, address, ready_after: Duration::ZERO };
        while !service.is_ready().await {
            if let Ok(Some(status)) = service.child.try_wait() {
                let said = fs::read_to_string(self.path("service.log")).unwrap_or_default();
                return Err(format!("the service ended with {status}: {said}"));
            }
            if begun.elapsed() > PATIENCE {
                return Err(format!("the service is not ready after {} s", PATIENCE.as_secs()));
            }
            tokio::time::sleep(Duration::from_millis(1)).await;
        }
        service.ready_after = begun.elapsed();
        Ok(service)
    }
}

/// The running service; stopped with the value.
pub(super) struct Service {
    child: Child,
    /// Host and port.
    pub(super) address: String,
    /// From the start of its process to the first good answer of `/readyz`.
    pub(super) ready_after: Duration,
}

impl Service {
    async fn is_ready(&self) -> bool {
        let Ok(mut connection) = Connection::open(&self.address).await else { return false };
        matches!(connection.send(&http::get("/readyz", "-")).await, Ok(answer) if answer.status == 200)
    }

    /// Memory that its process has resident, PostgreSQL's not included.
    pub(super) fn resident_mib(&self) -> Result<f64, String> {
        let path = format!("/proc/{}/status", self.child.id());
        let text = fs::read_to_string(&path).map_err(|error| format!("{path}: {error}"))?;
        let line = text.lines().find_map(|line| line.strip_prefix("VmRSS:"));
        let kib = line.and_then(|line| line.trim().trim_end_matches(" kB").trim().parse::<f64>().ok());
        Ok(kib.ok_or("no VmRSS in the process's status")? / 1024.0)
    }

    /// Stops it as an operator would.
    pub(super) fn stop(mut self) -> Result<(), String> {
        self.terminate();
        match self.child.wait() {
            Ok(status) if status.success() => Ok(()),
            Ok(status) => Err(format!("the service ended with {status}")),
            Err(error) => Err(error.to_string()),
        }
    }

    fn terminate(&self) {
        if let Ok(pid) = i32::try_from(self.child.id()) {
            let _ = kill(Pid::from_raw(pid), Signal::SIGTERM);
        }
    }
}

impl Drop for Service {
    fn drop(&mut self) {
        if matches!(self.child.try_wait(), Ok(None)) {
            self.terminate();
            drop(self.child.wait());
        }
    }
}

/// A port that is free now; the service gets it a moment later.
fn free_address() -> Result<String, String> {
    let listener = std::net::TcpListener::bind("127.0.0.1:0").and_then(|listener| listener.local_addr());
    listener.map(|address| address.to_string()).map_err(|error| format!("no free port: {error}"))
}
