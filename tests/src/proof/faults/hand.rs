//! A device: the client's program as a process of its own, in a folder of its own.

use std::fs;
use std::io::Write;
use std::os::unix::process::ExitStatusExt;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::Duration;

use rusqlite::{Connection, OpenFlags};

use super::proxy::{Armed, Proxy};

/// When a run of the program is killed.
#[derive(Debug, Clone, Copy)]
pub(super) enum Dies {
    Not,
    After(Duration),
    BeforeSend,
    BeforeAnswer,
}

/// How a run goes.
#[derive(Debug, Clone, Copy)]
pub(super) struct Way {
    pub(super) dies: Dies,
    /// No file may grow past so many units of 512 bytes.
    pub(super) room: Option<usize>,
}

impl Way {
    pub(super) const PLAIN: Self = Self { dies: Dies::Not, room: None };
}

/// What a run said.
#[derive(Debug)]
pub(super) struct Ran {
    /// The exit code; none when it was killed.
    pub(super) code: Option<i32>,
    pub(super) was_killed: bool,
    pub(super) err: String,
}

/// A device.
pub(super) struct Hand {
    program: String,
    pub(super) home: PathBuf,
    /// By how much its clock is wrong, in milliseconds.
    pub(super) clock_ms: i64,
}

impl Hand {
    pub(super) fn new(program: &str, folder: PathBuf) -> Self {
        fs::create_dir_all(&folder).expect("a folder");
        Self { program: program.to_owned(), home: folder.join("tare"), clock_ms: 0 }
    }

    /// Links it.
    pub(super) fn link(&self, proxy: &Proxy, email: &str, password: &str) {
        let url = proxy.url();
        let arguments = ["link", &url, "--insecure-storage", "--email", email, "--password-stdin", "--join"];
        let ran = self.run_with(proxy, &arguments, password, Way::PLAIN);
        assert!(matches!(ran.code, Some(0 | 4)), "a device is not linked: {}", ran.err);
    }

    pub(super) fn run(&self, proxy: &Proxy, arguments: &[&str], way: Way) -> Ran {
        self.run_with(proxy, arguments, "", way)
    }

    fn run_with(&self, proxy: &Proxy, arguments: &[&str], input: &str, way: Way) -> Ran {
        let mut child = self.command(arguments, way).spawn().expect("the program runs");
        match way.dies {
            Dies::Not => {}
            Dies::After(pause) => {
                std::thread::sleep(pause);
                drop(child.kill());
            }
            Dies::BeforeSend => proxy.arm(Some(Armed::ClientBeforeSend(child.id()))),
            Dies::BeforeAnswer => proxy.arm(Some(Armed::ClientBeforeAnswer(child.id()))),
        }
        if let Some(mut stdin) = child.stdin.take() {
            // One that was killed reads nothing.
            drop(stdin.write_all(input.as_bytes()));
        }
        let ran = ended(child);
        if matches!(way.dies, Dies::BeforeSend | Dies::BeforeAnswer) {
            proxy.arm(None);
        }
        ran
    }

    fn command(&self, arguments: &[&str], way: Way) -> Command {
        let mut command = match way.room {
            None => Command::new(&self.program),
            Some(room) => {
                // With the signal ignored, a write past the limit fails as it does on a full disk.
                let mut shell = Command::new("sh");
                let script = "trap '' XFSZ; ulimit -f \"$1\"; shift; exec \"$@\"";
                shell.args(["-c", script, "sh", &room.to_string(), &self.program]);
                shell
            }
        };
        command
            .args(arguments)
            .env("TARE_HOME", &self.home)
            .env("TARE_TEST_CLOCK_MS", self.clock_ms.to_string());
        command.current_dir("/").stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::piped());
        command
    }

    /// Its store, to be looked at.
    pub(super) fn store(&self) -> Connection {
        let flags = OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_NO_MUTEX;
        Connection::open_with_flags(self.home.join("replica.db"), flags).expect("a store")
    }

    /// A copy of its folder.
    pub(super) fn copy(&self, name: &str) -> PathBuf {
        let copy = self.home.with_file_name(name);
        drop(fs::remove_dir_all(&copy));
        copy_files(&self.home, &copy);
        copy
    }

    /// Puts a copy back: into the files that are there, or as new files.
    pub(super) fn put_back(&self, copy: &Path, in_place: bool) {
        if in_place {
            for entry in fs::read_dir(&self.home).expect("a folder").flatten() {
                let name = entry.file_name();
                if !copy.join(&name).exists() {
                    fs::remove_file(entry.path()).expect("a file goes");
                }
            }
        } else {
            fs::remove_dir_all(&self.home).expect("the folder goes");
        }
        copy_files(copy, &self.home);
    }
}

/// Writes into files that are there, which keep being the same files.
fn copy_files(from: &Path, to: &Path) {
    fs::create_dir_all(to).expect("a folder");
    for entry in fs::read_dir(from).expect("a folder").flatten() {
        if entry.file_type().is_ok_and(|kind| kind.is_file()) {
            let bytes = fs::read(entry.path()).expect("a file");
            let target = to.join(entry.file_name());
            fs::write(&target, bytes).expect("room for a copy");
            let mode = entry.metadata().expect("a file's mode").permissions();
            fs::set_permissions(target, mode).expect("a file's mode");
        }
    }
}

fn ended(child: Child) -> Ran {
    let output = child.wait_with_output().expect("the program ends");
    let err = String::from_utf8_lossy(&output.stderr).into_owned();
    Ran { code: output.status.code(), was_killed: output.status.signal().is_some(), err }
}
