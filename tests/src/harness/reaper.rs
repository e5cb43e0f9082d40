//! Cleaning up when the test process is gone, however it went: Rust drops no statics, and a killed
//! process drops nothing. A shell waits at a pipe whose other end closes with the process.

use std::io;
use std::os::unix::process::CommandExt;
use std::process::{Child, Command, Stdio};

/// Holds the pipe's end; keep it for as long as the process lives.
#[derive(Debug)]
pub(super) struct Reaper {
    _shell: Child,
}

impl Reaper {
    /// Ends a PostgreSQL at once and removes its folder.
    pub(super) fn of_server(pid: u32, folder: &str) -> io::Result<Self> {
        let script = "kill -QUIT \"$1\"; for i in $(seq 200); do kill -0 \"$1\" || break; sleep 0.05; done; rm -rf \"$2\"";
        Self::after_exit(script, &[&pid.to_string(), folder])
    }

    /// Removes a container and its volumes.
    pub(super) fn of_container(id: &str) -> io::Result<Self> {
        Self::after_exit("docker rm --force --volumes \"$1\"", &[id])
    }

    fn after_exit(script: &str, arguments: &[&str]) -> io::Result<Self> {
        let shell = Command::new("sh")
            .arg("-c")
            .arg(format!("cat; {script}"))
            .arg("reaper")
            .args(arguments)
            .current_dir("/")
            .stdin(Stdio::piped())
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            // An interrupt typed at the terminal must not end the one that cleans up.
            .process_group(0)
            .spawn()?;
        Ok(Self { _shell: shell })
    }
}
