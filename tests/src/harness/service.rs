//! The service as a program of its own, on its private PostgreSQL: to be killed, started beside itself, measured.

use std::fs;
use std::io::{BufRead, BufReader, Write};
use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output, Stdio};
use std::sync::mpsc;
use std::time::Duration;

use nix::sys::signal::{Signal, kill};
use nix::unistd::Pid;
use tempfile::TempDir;

use super::client::Http;

/// How long a start may take on a machine that is busy with other tests.
const PATIENCE: Duration = Duration::from_secs(120);

/// A data folder, and what runs on it. All of it ends with the value.
#[derive(Debug)]
pub struct Place {
    program: PathBuf,
    folder: TempDir,
}

impl Place {
    /// An empty one for this program.
    ///
    /// # Panics
    /// When no folder can be made.
    #[must_use]
    pub fn new(program: &str) -> Self {
        let folder = tempfile::Builder::new().prefix("tb-service-").tempdir_in("/tmp").expect("a folder");
        // PostgreSQL runs as another user when the tests run as root.
        fs::set_permissions(folder.path(), fs::Permissions::from_mode(0o755)).expect("its permissions");
        Self { program: program.into(), folder }
    }

    /// The service's data folder.
    #[must_use]
    pub fn data_dir(&self) -> PathBuf {
        self.folder.path().join("data")
    }

    fn command(&self, arguments: &[&str]) -> Command {
        let mut command = Command::new(&self.program);
        command.args(arguments).arg("--data-dir").arg(self.data_dir());
        for name in ["TAREBOOK_DATABASE_URL", "TAREBOOK_DATA_DIR", "TAREBOOK_LISTEN", "TAREBOOK_LOG"] {
            command.env_remove(name);
        }
        command.current_dir("/").stdin(Stdio::null()).stdout(Stdio::piped()).stderr(Stdio::piped());
        command
    }

    /// Runs a command of the program to its end.
    ///
    /// # Panics
    /// When it cannot be run.
    #[must_use]
    pub fn run(&self, arguments: &[&str], input: &str) -> Output {
        let mut child = self.command(arguments).stdin(Stdio::piped()).spawn().expect("the program runs");
        if let Some(mut stdin) = child.stdin.take() {
            // A program that refuses its arguments reads nothing.
            drop(stdin.write_all(input.as_bytes()));
        }
        child.wait_with_output().expect("the program ends")
    }

    /// Starts the service on a free port.
    ///
    /// # Panics
    /// When it does not come up; with what it said.
    #[must_use]
    pub fn serve(&self) -> Service {
        self.serve_with(&[])
    }

    /// The same with further arguments.
    ///
    /// # Panics
    /// When it does not come up; with what it said.
    #[must_use]
    pub fn serve_with(&self, more: &[&str]) -> Service {
        let arguments = [&["serve", "--listen", "127.0.0.1:0"], more].concat();
        let mut child = self.command(&arguments).spawn().expect("the program runs");
        let stderr = child.stderr.take().expect("it is piped");
        let (tell, told) = mpsc::channel();
        // Read to the end, or the service would stand still when the pipe is full.
        let reader = std::thread::spawn(move || {
            let mut said = String::new();
            for line in BufReader::new(stderr).lines().map_while(Result::ok) {
                if let Some(rest) = line.strip_prefix("tarebook listens on ") {
                    drop(tell.send(rest.split(' ').next().unwrap_or_default().to_owned()));
                }
                said += &line;
                said.push('\n');
            }
            said
        });
        match told.recv_timeout(PATIENCE) {
            Ok(url) => Service { child, http: Http::new(&url), reader: Some(reader) },
            Err(_) => {
                drop(child.kill());
                drop(child.wait());
                panic!("the service did not start: {}", reader.join().unwrap_or_default());
            }
        }
    }

    fn postgres(&self) -> Option<Pid> {
        let file = self.data_dir().join("postgres/cluster/postmaster.pid");
        let pid = fs::read_to_string(file).ok()?.lines().next()?.trim().parse().ok()?;
        let ours = fs::read_to_string(format!("/proc/{pid}/cmdline")).is_ok_and(|line| {
            line.contains(self.folder.path().to_string_lossy().as_ref()) && line.contains("postgres")
        });
        ours.then(|| Pid::from_raw(pid))
    }
}

impl Drop for Place {
    fn drop(&mut self) {
        // What a killed service left behind.
        if let Some(pid) = self.postgres() {
            let _ = kill(pid, Signal::SIGQUIT);
            for _ in 0..200 {
                if !Path::new(&format!("/proc/{pid}")).exists() {
                    break;
                }
                std::thread::sleep(Duration::from_millis(25));
            }
        }
    }
}

/// A running service.
#[derive(Debug)]
pub struct Service {
    child: Child,
    /// Asks it, without credentials.
    pub http: Http,
    reader: Option<std::thread::JoinHandle<String>>,
}

impl Service {
    /// The most memory that it has had resident so far, in bytes.
    ///
    /// # Panics
    /// When the system does not say.
    #[must_use]
    pub fn peak_memory(&self) -> u64 {
        let status = fs::read_to_string(format!("/proc/{}/status", self.child.id())).expect("it runs");
        let line = status.lines().find_map(|line| line.strip_prefix("VmHWM:")).expect("a high-water mark");
        let kib: u64 = line.trim().trim_end_matches(" kB").parse().expect("a number of kB");
        kib * 1024
    }

    /// Its process id.
    #[must_use]
    pub fn pid(&self) -> u32 {
        self.child.id()
    }

    /// Whether its process still runs.
    ///
    /// # Panics
    /// When the system does not say.
    pub fn is_running(&mut self) -> bool {
        self.child.try_wait().expect("it can be looked at").is_none()
    }

    /// Kills it as `kill -9` does; PostgreSQL is not told.
    ///
    /// # Panics
    /// When it cannot be killed.
    pub fn kill(&mut self) {
        self.child.kill().expect("it can be killed");
        self.child.wait().expect("it ends");
    }

    /// Asks it to stop and waits; answers what it said.
    ///
    /// # Panics
    /// When it does not stop well.
    #[must_use]
    pub fn stop(mut self) -> String {
        let ended = self.end();
        let said = self.reader.take().and_then(|reader| reader.join().ok()).unwrap_or_default();
        assert!(ended.is_some_and(|status| status.success()), "it did not stop well: {said}");
        said
    }

    fn end(&mut self) -> Option<std::process::ExitStatus> {
        let pid = i32::try_from(self.child.id()).ok()?;
        if self.child.try_wait().ok()?.is_none() {
            kill(Pid::from_raw(pid), Signal::SIGTERM).ok()?;
        }
        self.child.wait().ok()
    }
}

impl Drop for Service {
    fn drop(&mut self) {
        self.end();
    }
}
