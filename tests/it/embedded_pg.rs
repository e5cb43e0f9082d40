//! The private PostgreSQL's whole life: first start, stop, crash, a second start beside it, bad
//! folders. Each case runs as every kind of user that this machine lets it be: root, and nobody.

use std::fs;
use std::io::{BufRead, BufReader, Read};
use std::os::unix::fs::{MetadataExt, PermissionsExt, chown};
use std::os::unix::process::CommandExt;
use std::path::{Path, PathBuf};
use std::process::{Child, ChildStdin, Command, Stdio};
use std::time::{Duration, Instant};

use api::platform::embedded_pg::Binaries;
use nix::sys::signal::{Signal, kill};
use nix::unistd::{Pid, User, geteuid};
use tempfile::TempDir;

/// Who starts the server in a case.
#[derive(Debug, Clone, Copy)]
struct Identity {
    /// The user and group to change to; none means as whoever runs the tests.
    drop_to: Option<(u32, u32)>,
}

fn identities() -> Vec<Identity> {
    let mut all = vec![Identity { drop_to: None }];
    if geteuid().is_root() {
        let nobody = User::from_name("nobody").unwrap().unwrap();
        all.push(Identity { drop_to: Some((nobody.uid.as_raw(), nobody.gid.as_raw())) });
    }
    all
}

/// A place to work in that the identity owns.
struct Ground {
    identity: Identity,
    folder: TempDir,
    program: PathBuf,
}

impl Ground {
    fn new(identity: Identity) -> Self {
        let folder = tempfile::Builder::new().prefix("tb-").tempdir_in("/tmp").unwrap();
        fs::set_permissions(folder.path(), fs::Permissions::from_mode(0o755)).unwrap();
        // The build's own folder may be closed to others.
        let program = folder.path().join("private-server");
        fs::copy(env!("CARGO_BIN_EXE_private-server"), &program).unwrap();
        fs::create_dir(folder.path().join("data")).unwrap();
        if let Some((uid, gid)) = identity.drop_to {
            chown(folder.path().join("data"), Some(uid), Some(gid)).unwrap();
        }
        Self { identity, folder, program }
    }

    fn data_dir(&self) -> PathBuf {
        self.folder.path().join("data")
    }

    fn cluster(&self) -> PathBuf {
        self.data_dir().join("postgres/cluster")
    }

    fn command(&self, program: impl AsRef<std::ffi::OsStr>) -> Command {
        let mut command = Command::new(program);
        command.current_dir("/").stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::piped());
        if let Some((uid, gid)) = self.identity.drop_to {
            command.uid(uid).gid(gid);
        }
        command
    }

    fn spawn(&self, action: &str, data_dir: &Path) -> Child {
        for _ in 0..500 {
            match self.command(&self.program).arg(action).arg(data_dir).spawn() {
                // A child that another test forked while the program was copied holds it open until its own start.
                Err(error) if error.kind() == std::io::ErrorKind::ExecutableFileBusy => {
                    std::thread::sleep(std::time::Duration::from_millis(10));
                }
                spawned => return spawned.unwrap(),
            }
        }
        panic!("the program stays busy");
    }

    fn start(&self) -> Server {
        Server::read(self.spawn("start", &self.data_dir()))
    }

    fn attach(&self) -> Server {
        Server::read(self.spawn("attach", &self.data_dir()))
    }

    /// The one line of a start that must be refused.
    fn refusal(&self, data_dir: &Path) -> String {
        let output = self.spawn("start", data_dir).wait_with_output().unwrap();
        assert_eq!(output.status.code(), Some(1), "{output:?}");
        let said = String::from_utf8(output.stderr).unwrap();
        assert_eq!(said.trim_end().lines().count(), 1, "more than one line: {said}");
        said
    }

    fn log(&self) -> String {
        fs::read_to_string(self.data_dir().join("postgres/server.log")).unwrap()
    }
}

/// A running `private-server`.
struct Server {
    child: Child,
    stdin: Option<ChildStdin>,
    pid: Option<i32>,
    url: String,
    admin_url: String,
}

impl Server {
    fn read(mut child: Child) -> Self {
        let mut line = String::new();
        BufReader::new(child.stdout.take().unwrap()).read_line(&mut line).unwrap();
        let words: Vec<&str> = line.split_whitespace().collect();
        let [pid, url, admin_url] = words[..] else {
            let mut said = String::new();
            child.stderr.take().unwrap().read_to_string(&mut said).unwrap();
            panic!("no server: {line}{said}");
        };
        let stdin = child.stdin.take();
        Self { child, stdin, pid: pid.parse().ok(), url: url.to_owned(), admin_url: admin_url.to_owned() }
    }

    fn pid(&self) -> i32 {
        self.pid.unwrap()
    }

    fn sql(&self, statement: &str) -> String {
        sql(&self.url, statement)
    }

    fn stop(mut self) {
        drop(self.stdin.take());
        let mut said = String::new();
        self.child.stderr.take().unwrap().read_to_string(&mut said).unwrap();
        assert!(self.child.wait().unwrap().success(), "{said}");
        if let Some(pid) = self.pid {
            assert!(!exists(pid), "PostgreSQL outlived a clean stop");
        }
    }

    /// As `kill -9` of the service: PostgreSQL is not told.
    fn kill_owner(mut self) -> i32 {
        self.child.kill().unwrap();
        self.child.wait().unwrap();
        self.pid()
    }
}

fn sql(url: &str, statement: &str) -> String {
    let output = psql(url, statement).output().unwrap();
    assert!(output.status.success(), "{statement}: {}", String::from_utf8_lossy(&output.stderr));
    String::from_utf8(output.stdout).unwrap().trim_end().to_owned()
}

fn psql(url: &str, statement: &str) -> Command {
    let mut psql = Command::new(Binaries::find().unwrap().program("psql"));
    psql.args([url, "-XAtq", "-v", "ON_ERROR_STOP=1", "-c", statement]);
    psql
}

fn exists(pid: i32) -> bool {
    // A process that ended but that nobody has waited for yet has no command line left.
    fs::read(format!("/proc/{pid}/cmdline")).is_ok_and(|line| !line.is_empty())
}

fn wait_until(what: &str, mut done: impl FnMut() -> bool) {
    let begun = Instant::now();
    while !done() {
        assert!(begun.elapsed() < Duration::from_secs(20), "still not: {what}");
        std::thread::sleep(Duration::from_millis(5));
    }
}

#[test]
fn start_on_an_empty_folder_gives_a_private_unprivileged_server() {
    for identity in identities() {
        let ground = Ground::new(identity);
        let server = ground.start();
        assert_eq!(server.sql("SELECT current_user || '@' || current_database()"), "tarebook@tarebook");
        assert_eq!(server.sql("SHOW is_superuser"), "off");
        assert_eq!(server.sql("SHOW listen_addresses"), "", "a TCP port is open");
        assert_eq!(server.sql("SHOW data_checksums"), "on");
        assert_eq!(server.sql("SHOW fsync"), "on");
        assert_eq!(server.sql("SELECT lower('ÄÉ')"), "äé");
        assert_eq!(
            server.sql("SELECT min(c) FROM (VALUES ('a'), ('B')) AS v(c)"),
            "B",
            "not code point order"
        );
        assert_eq!(sql(&server.admin_url, "SHOW is_superuser"), "on");
        let process = fs::metadata(format!("/proc/{}", server.pid())).unwrap();
        assert_ne!(process.uid(), 0, "PostgreSQL runs as root");
        for folder in ["postgres", "postgres/run", "postgres/cluster"] {
            let meta = fs::metadata(ground.data_dir().join(folder)).unwrap();
            assert_eq!((meta.mode() & 0o777, meta.uid()), (0o700, process.uid()), "{folder}");
        }
        server.stop();
    }
}

#[test]
fn start_after_a_clean_stop_keeps_the_data_without_recovery() {
    for identity in identities() {
        let ground = Ground::new(identity);
        let server = ground.start();
        server.sql("CREATE TABLE marks AS SELECT 42 AS n");
        server.stop();
        let again = ground.start();
        assert_eq!(again.sql("SELECT n FROM marks"), "42");
        again.stop();
        assert!(!ground.log().contains("not properly shut down"), "{}", ground.log());
        assert_eq!(fs::read_dir(ground.data_dir().join("postgres/run")).unwrap().count(), 0);
    }
}

#[test]
fn start_after_the_owner_was_killed_ends_its_sessions_and_keeps_what_was_committed() {
    for identity in identities() {
        let ground = Ground::new(identity);
        let server = ground.start();
        server.sql("CREATE TABLE marks (n int)");
        server.sql("INSERT INTO marks VALUES (1)");
        let mut session =
            psql(&server.url, "BEGIN; INSERT INTO marks VALUES (2); SELECT pg_sleep(60); COMMIT");
        let mut session = session.stdout(Stdio::null()).stderr(Stdio::null()).spawn().unwrap();
        let active = "SELECT count(*) FROM pg_stat_activity WHERE wait_event = 'PgSleep'";
        wait_until("the open transaction sleeps", || server.sql(active) == "1");
        let old = server.kill_owner();
        assert!(exists(old), "PostgreSQL should live on here");
        let again = ground.start();
        assert_ne!(again.pid(), old);
        assert!(!exists(old), "the old server still runs");
        assert!(!session.wait().unwrap().success(), "the open transaction went on");
        assert_eq!(again.sql("SELECT string_agg(n::text, ',') FROM marks"), "1");
        again.stop();
    }
}

#[test]
fn start_after_everything_was_killed_recovers() {
    for identity in identities() {
        let ground = Ground::new(identity);
        let server = ground.start();
        server.sql("CREATE TABLE marks AS SELECT 7 AS n");
        let old = server.kill_owner();
        kill(Pid::from_raw(old), Signal::SIGKILL).unwrap();
        // At once: the last processes of the dead server may still be on their way out.
        let again = ground.start();
        assert_eq!(again.sql("SELECT n FROM marks"), "7");
        again.stop();
        assert!(ground.log().contains("not properly shut down"), "{}", ground.log());
    }
}

#[test]
fn start_beside_a_running_service_is_refused_in_one_line_and_disturbs_nothing() {
    for identity in identities() {
        let ground = Ground::new(identity);
        let server = ground.start();
        let begun = Instant::now();
        let said = ground.refusal(&ground.data_dir());
        assert!(begun.elapsed() < Duration::from_secs(2), "{:?}", begun.elapsed());
        let dir = ground.data_dir();
        assert!(said.contains(dir.to_str().unwrap()) && said.contains("in use"), "{said}");
        assert!(said.contains(&format!("process {}", server.child.id())), "{said}");
        assert_eq!(server.sql("SELECT 1"), "1");
        server.stop();
    }
}

#[test]
fn attach_beside_a_running_service_uses_its_server() {
    for identity in identities() {
        let ground = Ground::new(identity);
        let server = ground.start();
        let command = ground.attach();
        assert_eq!(command.pid, None, "the command started a server of its own");
        assert_eq!(command.url, server.url);
        assert_eq!(command.sql("SELECT 1"), "1");
        command.stop();
        assert_eq!(server.sql("SELECT 1"), "1", "the command stopped the service's server");
        server.stop();
    }
}

#[test]
fn attach_without_a_service_starts_one_for_its_time_and_a_start_waits_for_it() {
    for identity in identities() {
        let ground = Ground::new(identity);
        let command = ground.attach();
        command.sql("CREATE TABLE marks AS SELECT 9 AS n");
        let (second, service) = (ground.spawn("attach", &ground.data_dir()), ground.data_dir());
        std::thread::sleep(Duration::from_millis(200));
        command.stop();
        let second = Server::read(second);
        assert_eq!(second.sql("SELECT n FROM marks"), "9");
        let service = ground.spawn("start", &service);
        std::thread::sleep(Duration::from_millis(200));
        second.stop();
        let service = Server::read(service);
        assert_eq!(service.sql("SELECT n FROM marks"), "9");
        service.stop();
    }
}

#[test]
fn start_with_a_pid_file_of_a_stranger_leaves_the_stranger_alone() {
    for identity in identities() {
        let ground = Ground::new(identity);
        ground.start().stop();
        // The same user as PostgreSQL's: the case that PostgreSQL itself refuses.
        let owner = fs::metadata(ground.cluster()).unwrap();
        let mut sleeper = Command::new("sleep");
        if geteuid().is_root() {
            sleeper.uid(owner.uid()).gid(owner.gid());
        }
        let mut sleeper = sleeper.arg("60").stdout(Stdio::null()).stderr(Stdio::null()).spawn().unwrap();
        let text = format!(
            "{}\n{}\n1\n5432\n/nowhere\n\n 1 1\nready   \n",
            sleeper.id(),
            ground.cluster().display()
        );
        fs::write(ground.cluster().join("postmaster.pid"), text).unwrap();
        chown(ground.cluster().join("postmaster.pid"), Some(owner.uid()), Some(owner.gid())).unwrap();
        let server = ground.start();
        assert_eq!(server.sql("SELECT 1"), "1");
        assert!(sleeper.try_wait().unwrap().is_none(), "a stranger's process was ended");
        server.stop();
        sleeper.kill().unwrap();
        sleeper.wait().unwrap();
    }
}

#[test]
fn start_after_a_first_start_that_broke_off_begins_afresh() {
    for identity in identities() {
        let ground = Ground::new(identity);
        let begun = ground.data_dir().join("postgres/cluster.new.1/base");
        fs::create_dir_all(&begun).unwrap();
        if let Some((uid, gid)) = identity.drop_to {
            for folder in begun.ancestors().take(3) {
                chown(folder, Some(uid), Some(gid)).unwrap();
            }
        }
        let server = ground.start();
        assert_eq!(server.sql("SELECT 1"), "1");
        assert!(!begun.exists());
        server.stop();
    }
}

#[test]
fn start_on_awkward_paths_works_and_tidies_its_socket() {
    for identity in identities() {
        let long = "a".repeat(90);
        for name in ["d é\"x' 100%", "a,b", long.as_str()] {
            let ground = Ground::new(identity);
            let dir = ground.data_dir().join(name);
            let server = Server::read(ground.spawn("start", &dir));
            assert_eq!(server.sql("SELECT 1"), "1", "{name}");
            let sockets = sql(&server.admin_url, "SHOW unix_socket_directories");
            if name != "d é\"x' 100%" {
                assert!(
                    sockets.starts_with("\"/tmp/tarebook-pg-") || sockets.starts_with("/tmp/tarebook-pg-")
                );
            }
            let folder = PathBuf::from(sockets.trim_matches('"'));
            // Killed, so that the next start has to clear the folder that this one borrowed.
            server.kill_owner();
            let again = Server::read(ground.spawn("start", &dir));
            assert_eq!(again.sql("SELECT 1"), "1", "{name}");
            again.stop();
            if name != "d é\"x' 100%" {
                assert!(!folder.exists(), "{} was left behind", folder.display());
            }
        }
    }
}

#[test]
fn start_on_a_cluster_of_a_version_that_is_not_installed_names_both() {
    for identity in identities() {
        let ground = Ground::new(identity);
        ground.start().stop();
        fs::write(ground.cluster().join("PG_VERSION"), "9\n").unwrap();
        let said = ground.refusal(&ground.data_dir());
        let installed = Binaries::find().unwrap().major().to_string();
        assert!(said.contains("PostgreSQL 9") && said.contains(&installed), "{said}");
    }
}

#[test]
fn start_on_a_folder_that_is_no_cluster_says_so_and_leaves_it() {
    for identity in identities() {
        let ground = Ground::new(identity);
        ground.start().stop();
        fs::rename(ground.cluster(), ground.data_dir().join("postgres/moved")).unwrap();
        fs::create_dir(ground.cluster()).unwrap();
        fs::write(ground.cluster().join("diary.txt"), "mine").unwrap();
        if let Some((uid, gid)) = identity.drop_to {
            chown(ground.cluster(), Some(uid), Some(gid)).unwrap();
        }
        let said = ground.refusal(&ground.data_dir());
        assert!(said.contains("no PostgreSQL data folder"), "{said}");
        assert_eq!(fs::read_to_string(ground.cluster().join("diary.txt")).unwrap(), "mine");
    }
}

#[test]
fn start_where_it_may_not_go_names_the_folder() {
    for identity in identities() {
        let ground = Ground::new(identity);
        let closed = ground.folder.path().join("closed");
        fs::create_dir_all(closed.join("data")).unwrap();
        fs::set_permissions(&closed, fs::Permissions::from_mode(0o700)).unwrap();
        if !geteuid().is_root() {
            fs::set_permissions(&closed, fs::Permissions::from_mode(0o000)).unwrap();
        }
        let said = ground.refusal(&closed.join("data"));
        assert!(said.contains(closed.to_str().unwrap()), "{said}");
        fs::set_permissions(&closed, fs::Permissions::from_mode(0o700)).unwrap();
    }
}

#[test]
fn start_on_a_data_folder_of_root_opens_only_that_folder_and_only_to_the_group() {
    if !geteuid().is_root() {
        // Nobody else can own such a folder; the case above covers what other users meet.
        return;
    }
    let ground = Ground::new(Identity { drop_to: None });
    fs::set_permissions(ground.data_dir(), fs::Permissions::from_mode(0o700)).unwrap();
    let server = ground.start();
    assert_eq!(fs::metadata(ground.data_dir()).unwrap().mode() & 0o777, 0o710);
    server.stop();
    let other = Ground { identity: identities()[1], ..ground };
    let said = other.refusal(&other.data_dir());
    assert!(said.contains("belongs to user") || said.contains("denied"), "{said}");
}
