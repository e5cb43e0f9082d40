//! The server process: its start, its pid file, its stop, and one that was left behind.

use std::fs::{self, File, OpenOptions};
use std::io::{Read, Seek, SeekFrom};
use std::os::unix::ffi::OsStrExt;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::thread::sleep;
use std::time::{Duration, Instant};

use nix::errno::Errno;
use nix::sys::signal::{Signal, kill};
use nix::unistd::{Pid, mkdtemp};

use super::account::Account;
use super::binaries::Binaries;
use super::cluster::{Layout, last_error, make_private};
use super::error::EmbeddedPgError;
use super::{Options, lock};

/// Part of the socket's name; no TCP port is opened.
pub(super) const PORT: u16 = 5432;
/// The socket's file name, which PostgreSQL derives from the port.
const SOCKET_NAME: &str = "/.s.PGSQL.5432";
/// The longest path that a socket address holds on Linux and on the BSDs, macOS included.
const SOCKET_PATH_MAX: usize = if cfg!(target_os = "linux") { 107 } else { 103 };
const PAUSE: Duration = Duration::from_millis(2);
/// After a crash the last sessions of the dead server need a moment to see that it is gone.
const LAST_SESSIONS: Duration = Duration::from_secs(10);
/// How long the harder stop may take.
const HARD_STOP: Duration = Duration::from_secs(20);
/// A log of this size, bytes, is put aside at the next start.
const LOG_MAX: u64 = 8 << 20;

/// A server that this process started.
#[derive(Debug)]
pub(super) struct Postmaster {
    child: Child,
    socket_dir: PathBuf,
    /// A socket folder outside the data folder, removed after the stop.
    borrowed_dir: Option<PathBuf>,
    stop_timeout: Duration,
}

impl Postmaster {
    /// Starts the server and waits until it takes connections.
    pub(super) fn start(
        layout: &Layout,
        account: &Account,
        binaries: &Binaries,
        options: &Options,
    ) -> Result<Self, EmbeddedPgError> {
        remove_misleading_files(layout)?;
        let begun = Instant::now();
        loop {
            match Self::start_once(layout, account, binaries, options) {
                Err(EmbeddedPgError::StartFailed { said, .. })
                    if said.contains("still in use") && begun.elapsed() < LAST_SESSIONS =>
                {
                    sleep(Duration::from_millis(100));
                }
                other => return other,
            }
        }
    }

    fn start_once(
        layout: &Layout,
        account: &Account,
        binaries: &Binaries,
        options: &Options,
    ) -> Result<Self, EmbeddedPgError> {
        let (log, log_start) = open_log(layout, account)?;
        let log_copy = EmbeddedPgError::io("open", &layout.log(), log.try_clone())?;
        let (socket_dir, borrowed) = socket_dir(layout, account)?;
        let mut command = Command::new(binaries.program("postgres"));
        command.arg("-D").arg(layout.cluster());
        for setting in settings(&socket_dir, options) {
            command.arg("-c").arg(setting);
        }
        account.apply(&mut command);
        command.current_dir(layout.cluster()).stdin(Stdio::null()).stdout(log).stderr(log_copy);
        let child = EmbeddedPgError::io("run", &binaries.program("postgres"), command.spawn())?;
        let mut server = Self {
            child,
            borrowed_dir: borrowed.then(|| socket_dir.clone()),
            socket_dir,
            stop_timeout: options.stop_timeout,
        };
        match server.wait_until_ready(layout, log_start, options.start_timeout) {
            Ok(()) => Ok(server),
            Err(error) => {
                drop(server.stop());
                Err(error)
            }
        }
    }

    fn wait_until_ready(
        &mut self,
        layout: &Layout,
        log_start: u64,
        timeout: Duration,
    ) -> Result<(), EmbeddedPgError> {
        let begun = Instant::now();
        loop {
            // A pid file from before the start has another process's id.
            if PidFile::read(layout).is_some_and(|file| file.ready && file.pid == self.child.id()) {
                return Ok(());
            }
            if !self.is_running() {
                let said = last_error(&log_since(layout, log_start));
                return Err(EmbeddedPgError::StartFailed { said, log: layout.log() });
            }
            if begun.elapsed() >= timeout {
                return Err(EmbeddedPgError::StartTimeout { waited_s: timeout.as_secs(), log: layout.log() });
            }
            sleep(PAUSE);
        }
    }

    pub(super) fn pid(&self) -> u32 {
        self.child.id()
    }

    pub(super) fn socket_dir(&self) -> &Path {
        &self.socket_dir
    }

    pub(super) fn is_running(&mut self) -> bool {
        matches!(self.child.try_wait(), Ok(None))
    }

    /// Ends the sessions and writes everything out; harder if that takes too long.
    pub(super) fn stop(mut self) -> Result<(), EmbeddedPgError> {
        let pid = self.child.id();
        let timeout = self.stop_timeout;
        let outcome = stop_process(pid, timeout, || !self.is_running());
        if let Some(folder) = &self.borrowed_dir {
            drop(fs::remove_dir_all(folder));
        }
        outcome
    }
}

/// The settings that make the server private, and, for tests, quick.
fn settings(socket_dir: &Path, options: &Options) -> Vec<std::ffi::OsString> {
    // A quoted element of PostgreSQL's list of folders; a quote inside is doubled.
    let mut sockets = b"unix_socket_directories=\"".to_vec();
    for &byte in socket_dir.as_os_str().as_bytes() {
        sockets.extend(std::iter::repeat_n(byte, if byte == b'"' { 2 } else { 1 }));
    }
    sockets.push(b'"');
    let mut all = vec![std::ffi::OsStr::from_bytes(&sockets).to_owned()];
    all.push(format!("port={PORT}").into());
    let fixed = [
        "listen_addresses=",
        "unix_socket_permissions=0700",
        "cluster_name=tarebook",
        "logging_collector=off",
        "log_destination=stderr",
        "log_timezone=UTC",
        "timezone=UTC",
        "lc_messages=C",
    ];
    all.extend(fixed.iter().map(Into::into));
    if !options.durable {
        let quick = ["fsync=off", "synchronous_commit=off", "full_page_writes=off", "max_connections=200"];
        all.extend(quick.iter().map(Into::into));
    }
    all
}

/// The folder for the socket: ours, or a fresh private one where the path is too long for a socket
/// address, or cannot be the host of a URL (it is not text, or has a comma, which separates hosts).
fn socket_dir(layout: &Layout, account: &Account) -> Result<(PathBuf, bool), EmbeddedPgError> {
    let ours = layout.socket_dir();
    if ours.to_str().is_some_and(|text| !text.contains(','))
        && ours.as_os_str().len() + SOCKET_NAME.len() <= SOCKET_PATH_MAX
    {
        return Ok((ours, false));
    }
    let pattern = Path::new("/tmp/tarebook-pg-XXXXXX");
    let made = mkdtemp(pattern).map_err(std::io::Error::from);
    let folder = EmbeddedPgError::io("make", pattern, made)?;
    make_private(&folder, account)?;
    Ok((folder, true))
}

/// Opens the log for appending and says where the new part begins.
fn open_log(layout: &Layout, account: &Account) -> Result<(File, u64), EmbeddedPgError> {
    let path = layout.log();
    if fs::metadata(&path).is_ok_and(|meta| meta.len() > LOG_MAX) {
        let old = path.with_extension("log.1");
        EmbeddedPgError::io("put aside", &path, fs::rename(&path, old))?;
    }
    let file = EmbeddedPgError::io("open", &path, OpenOptions::new().append(true).create(true).open(&path))?;
    account.own(&path)?;
    let length = EmbeddedPgError::io("look at", &path, file.metadata())?.len();
    Ok((file, length))
}

fn log_since(layout: &Layout, start: u64) -> String {
    let mut bytes = Vec::new();
    if let Ok(mut file) = File::open(layout.log()) {
        drop(file.seek(SeekFrom::Start(start)).and_then(|_| file.read_to_end(&mut bytes)));
    }
    String::from_utf8_lossy(&bytes).into_owned()
}

/// What `postmaster.pid` says; its lines are fixed by PostgreSQL's `pidfile.h`.
#[derive(Debug, PartialEq, Eq)]
struct PidFile {
    pid: u32,
    socket_dir: PathBuf,
    ready: bool,
}

impl PidFile {
    fn read(layout: &Layout) -> Option<Self> {
        let bytes = fs::read(layout.cluster().join("postmaster.pid")).ok()?;
        Self::parse(&bytes)
    }

    /// Line 1 is the process id, line 5 the socket's folder, line 8 the state. The last lines are
    /// missing while the server starts.
    fn parse(bytes: &[u8]) -> Option<Self> {
        let lines: Vec<&[u8]> = bytes.split(|&byte| byte == b'\n').collect();
        let pid = std::str::from_utf8(lines.first()?).ok()?.trim().parse().ok()?;
        let socket_dir = lines.get(4).copied().unwrap_or_default();
        let ready = lines.get(7).is_some_and(|line| line.trim_ascii() == b"ready");
        Some(Self { pid, socket_dir: PathBuf::from(std::ffi::OsStr::from_bytes(socket_dir)), ready })
    }
}

/// Waits for the server of the running service, whose lock is held while it starts. Gives the
/// socket's folder.
pub(super) fn wait_for_running(layout: &Layout, timeout: Duration) -> Result<PathBuf, EmbeddedPgError> {
    let begun = Instant::now();
    loop {
        if let Some(file) = PidFile::read(layout)
            && file.ready
            && is_our_server(file.pid, &layout.cluster())
        {
            return Ok(file.socket_dir);
        }
        if !lock::service_runs(layout)? {
            let said = "the service that was to bring it up has ended".to_owned();
            return Err(EmbeddedPgError::StartFailed { said, log: layout.log() });
        }
        if begun.elapsed() >= timeout {
            return Err(EmbeddedPgError::StartTimeout { waited_s: timeout.as_secs(), log: layout.log() });
        }
        sleep(Duration::from_millis(20));
    }
}

/// Stops a server whose process of ours was killed. Needs the owner's lock, so no living process of
/// ours owns it; stopping it, rather than taking it over, ends what the dead process had begun.
pub(super) fn stop_left_behind(layout: &Layout, timeout: Duration) -> Result<(), EmbeddedPgError> {
    let Some(file) = PidFile::read(layout) else { return Ok(()) };
    let cluster = layout.cluster();
    if is_our_server(file.pid, &cluster) {
        stop_process(file.pid, timeout, || !is_our_server(file.pid, &cluster))?;
    }
    let borrowed = file.socket_dir.as_os_str().as_bytes().starts_with(b"/tmp/tarebook-pg-");
    if borrowed && file.socket_dir != layout.socket_dir() {
        drop(fs::remove_dir_all(&file.socket_dir));
    }
    Ok(())
}

/// PostgreSQL refuses to start while a process of its own user has the id in its pid file, whatever
/// that process is by now (after a reboot often another one). Such a file is removed. In every other
/// case that file stays for PostgreSQL's own checks, which also look for sessions of a dead server.
fn remove_misleading_files(layout: &Layout) -> Result<(), EmbeddedPgError> {
    // The same goes for the socket's lock file. In our own folder no other server's can be.
    for name in [SOCKET_NAME.to_owned(), format!("{SOCKET_NAME}.lock")] {
        let path = layout.socket_dir().join(name.trim_start_matches('/'));
        match fs::remove_file(&path) {
            Err(error) if error.kind() == std::io::ErrorKind::NotFound => {}
            removed => EmbeddedPgError::io("remove", &path, removed)?,
        }
    }
    let Some(file) = PidFile::read(layout) else { return Ok(()) };
    let process = i32::try_from(file.pid).map(Pid::from_raw);
    let exists = process.is_ok_and(|pid| kill(pid, None) != Err(Errno::ESRCH));
    if !exists || is_our_server(file.pid, &layout.cluster()) {
        return Ok(());
    }
    let path = layout.cluster().join("postmaster.pid");
    EmbeddedPgError::io("remove", &path, fs::remove_file(&path))
}

/// Whether this process is the server of this cluster, by its command line or its working folder: a
/// process id alone may belong to anyone by now.
fn is_our_server(pid: u32, cluster: &Path) -> bool {
    let Some(line) = command_line(pid) else { return false };
    let mentions = |name: &[u8]| line.windows(name.len()).any(|part| part == name);
    mentions(b"postgres") && mentions(b"-D") && mentions(cluster.as_os_str().as_bytes())
        || mentions(b"postgres")
            && fs::read_link(format!("/proc/{pid}/cwd")).is_ok_and(|folder| folder == cluster)
}

fn command_line(pid: u32) -> Option<Vec<u8>> {
    if cfg!(target_os = "linux") {
        return fs::read(format!("/proc/{pid}/cmdline")).ok();
    }
    let said = Command::new("ps").args(["-ww", "-o", "args=", "-p", &pid.to_string()]).output().ok()?;
    Some(said.stdout)
}

/// PostgreSQL's fast stop (`SIGINT`), then its immediate one (`SIGQUIT`), after which the next start
/// recovers. Never `SIGKILL`, which would leave its sessions running on the cluster.
fn stop_process(
    pid: u32,
    timeout: Duration,
    mut is_gone: impl FnMut() -> bool,
) -> Result<(), EmbeddedPgError> {
    for (signal, patience) in [(Signal::SIGINT, timeout), (Signal::SIGQUIT, HARD_STOP)] {
        if is_gone() {
            return Ok(());
        }
        let process = i32::try_from(pid).map_err(|_| EmbeddedPgError::StopTimeout { pid })?;
        match kill(Pid::from_raw(process), signal) {
            Ok(()) | Err(Errno::ESRCH) => {}
            Err(errno) => {
                let path = PathBuf::from(format!("process {pid}"));
                return EmbeddedPgError::io("stop", &path, Err(errno.into()));
            }
        }
        let begun = Instant::now();
        while begun.elapsed() < patience {
            if is_gone() {
                return Ok(());
            }
            sleep(PAUSE);
        }
    }
    Err(EmbeddedPgError::StopTimeout { pid })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn pid_file_while_starting_is_not_ready() {
        let text = b"4711\n/d/postgres/cluster\n1764100000\n5432\n/d/postgres/run\n\n  1234 5\nstarting\n";
        let file = PidFile::parse(text).unwrap();
        assert_eq!((file.pid, file.ready), (4711, false));
    }

    #[test]
    fn pid_file_when_ready_gives_the_socket_folder() {
        let text = b"4711\n/d/postgres/cluster\n1764100000\n5432\n/d/postgres/run\n\n  1234 5\nready   \n";
        let file = PidFile::parse(text).unwrap();
        assert_eq!(file, PidFile { pid: 4711, socket_dir: "/d/postgres/run".into(), ready: true });
    }

    #[test]
    fn pid_file_empty_or_cut_short_is_no_server() {
        assert_eq!(PidFile::parse(b""), None);
        assert_eq!(PidFile::parse(b"x\n"), None);
        assert!(!PidFile::parse(b"4711\n/d").unwrap().ready);
    }

    #[test]
    fn is_our_server_for_another_process_says_no() {
        assert!(!is_our_server(std::process::id(), Path::new("/nowhere/postgres/cluster")));
    }

    #[test]
    fn settings_socket_folder_with_quote_and_comma_stays_one_folder() {
        let all = settings(Path::new("/a,\"b"), &Options::default());
        assert_eq!(all[0], "unix_socket_directories=\"/a,\"\"b\"");
        assert!(all.contains(&"listen_addresses=".into()));
        assert!(!all.contains(&"fsync=off".into()));
    }
}
