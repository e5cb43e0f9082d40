//! The built service as a process of ours: started on a free port, asked whether it is ready, stopped.

use std::fs::File;
use std::io::{Read, Write};
use std::net::{TcpListener, TcpStream};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use crate::shell::{Failure, Tree, show, succeeds};

/// The first start makes a database cluster, which a slow disk draws out.
const PATIENCE: Duration = Duration::from_secs(60);

/// A running service; it is stopped when the value goes.
pub(crate) struct Service {
    child: Child,
    address: String,
}

impl Service {
    /// Starts `tarebook serve` on a free port of the loopback address and waits until it is ready.
    /// Its words go to the file `log`.
    pub(crate) fn start(tree: &Tree, data_dir: &Path, log: &Path) -> Result<Self, Failure> {
        let address = free_address()?;
        let mut command = serve(tree, data_dir, &address);
        let shown = show(&command);
        let words = File::create(log).and_then(|file| Ok((file.try_clone()?, file)));
        let (out, err) = words.map_err(|error| Failure::new(format!("{}: {error}", log.display())))?;
        command.stdin(Stdio::null()).stdout(out).stderr(err);
        let child = command.spawn().map_err(|error| Failure::new(format!("{shown}: {error}")))?;
        let mut service = Self { child, address };
        let begun = Instant::now();
        while !service.is_ready() {
            if let Ok(Some(status)) = service.child.try_wait() {
                return Err(Failure::new(format!(
                    "{shown} ended before it was ready: {status}; see {}",
                    log.display()
                )));
            }
            if begun.elapsed() > PATIENCE {
                return Err(Failure::new(format!("{shown}: not ready after {} s", PATIENCE.as_secs())));
            }
            std::thread::sleep(Duration::from_millis(20));
        }
        Ok(service)
    }

    /// `http://host:port`.
    pub(crate) fn url(&self) -> String {
        format!("http://{}", self.address)
    }

    /// Ends it as an operator would, and waits until its database is down as well.
    pub(crate) fn stop(mut self) -> Result<(), Failure> {
        self.terminate();
        match self.child.wait() {
            Ok(status) if status.success() => Ok(()),
            Ok(status) => Err(Failure::new(format!("the service ended with {status}"))),
            Err(error) => Err(Failure::new(format!("the service: {error}"))),
        }
    }

    fn is_ready(&self) -> bool {
        let ask = || {
            let mut stream = TcpStream::connect(&self.address)?;
            stream.set_read_timeout(Some(Duration::from_secs(5)))?;
            write!(stream, "GET /readyz HTTP/1.1\r\nHost: {}\r\nConnection: close\r\n\r\n", self.address)?;
            let mut answer = String::new();
            stream.read_to_string(&mut answer)?;
            Ok::<_, std::io::Error>(answer)
        };
        ask().is_ok_and(|answer| answer.starts_with("HTTP/1.1 200"))
    }

    fn terminate(&self) {
        succeeds(Command::new("kill").args(["-TERM", &self.child.id().to_string()]));
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

/// The command that runs the service on a data folder.
pub(crate) fn serve(tree: &Tree, data_dir: &Path, listen: &str) -> Command {
    let mut command = tree.command(tree.built("tarebook"));
    command.args(["serve", "--listen", listen, "--data-dir"]).arg(data_dir);
    // Whatever the person at the terminal has set for a service of their own.
    for name in ["TAREBOOK_LISTEN", "TAREBOOK_DATA_DIR", "TAREBOOK_DATABASE_URL"] {
        command.env_remove(name);
    }
    command
}

/// A port that is free now; the service gets it a moment later.
fn free_address() -> Result<String, Failure> {
    let listener = TcpListener::bind("127.0.0.1:0").and_then(|listener| listener.local_addr());
    listener
        .map(|address| address.to_string())
        .map_err(|error| Failure::new(format!("no free port: {error}")))
}
