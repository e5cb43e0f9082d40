//! `cargo xtask image`: a small container image of PostgreSQL 15, made from the programs that Debian's
//! packages put on this machine, so that no image registry is needed. For tests only: nothing is
//! synced and any local connection is let in.

use std::collections::BTreeSet;
use std::fs;
use std::io::Write;
use std::os::unix::fs::{PermissionsExt, chown};
use std::os::unix::process::CommandExt;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use crate::setup;
use crate::shell::{self, Failure, Tree, capture, say, succeeds};

/// The name that the tests look for.
const NAME: &str = "tarebook-test-postgres:15";
const MAJOR: &str = "15";
/// The account inside the image.
const USER: &str = "999:999";
const CLUSTER: &str = "var/lib/tarebook-test/cluster";

/// Files and folders that PostgreSQL opens by name, besides its programs and their libraries.
const DATA: &[&str] = &["/usr/share/postgresql/15", "/usr/share/zoneinfo", "/usr/lib/locale/C.utf8"];

/// Builds the image and starts it once to see that it works.
pub(crate) fn run(tree: &Tree) -> Result<(), Failure> {
    if !succeeds(Command::new("docker").arg("info")) {
        return Err(Failure::machine(
            "no Docker engine answers (docker info): start one, then run this again.",
        ));
    }
    setup::postgresql(tree)?;
    let bin = PathBuf::from(format!("/usr/lib/postgresql/{MAJOR}/bin"));
    if !bin.join("postgres").is_file() {
        return Err(Failure::machine(format!(
            "the image holds PostgreSQL {MAJOR}, and {} is not there: install the package postgresql-{MAJOR}",
            bin.display()
        )));
    }
    // Not in the tree: PostgreSQL's account has to be able to get there.
    let work = std::env::temp_dir().join(format!("tarebook-image-{}", std::process::id()));
    let root = work.join("root");
    tell("make", &root, fs::create_dir_all(&root))?;
    let before = image_id();
    let built = copy_programs(&root, &bin)
        .and_then(|()| add_account(&root))
        .and_then(|()| make_cluster(&root, &bin))
        .and_then(|()| import(&work, &root));
    tell("remove", &work, fs::remove_dir_all(&work))?;
    built?;
    try_out()?;
    if let Some(before) = before.filter(|id| image_id().as_ref() != Some(id)) {
        // Without its name it would only take room; one that a container still uses stays.
        succeeds(Command::new("docker").args(["image", "rm", &before]));
    }
    let size = capture(Command::new("docker").args(["image", "inspect", "--format", "{{.Size}}", NAME]))?;
    let bytes: u64 = String::from_utf8_lossy(&size).trim().parse().unwrap_or(0);
    say(&format!("built {NAME}, {} MB", bytes / 1_000_000));
    Ok(())
}

/// The image that has the name now.
fn image_id() -> Option<String> {
    let said =
        Command::new("docker").args(["image", "inspect", "--format", "{{.Id}}", NAME]).output().ok()?;
    said.status.success().then(|| String::from_utf8_lossy(&said.stdout).trim().to_owned())
}

/// The server, its modules, what they are linked against, and the data they read.
fn copy_programs(root: &Path, bin: &Path) -> Result<(), Failure> {
    let server = bin.join("postgres");
    let modules = bin.with_file_name("lib");
    let entries = tell("list", &modules, fs::read_dir(&modules))?;
    let mut files: BTreeSet<PathBuf> = entries
        .flatten()
        .map(|entry| entry.path())
        .filter(|path| path.extension().is_some_and(|extension| extension == "so"))
        // The just-in-time compiler is larger than all the rest and of no use to tests.
        .filter(|path| !path.to_string_lossy().contains("llvmjit"))
        .collect();
    files.insert(server);
    let linked = capture(Command::new("ldd").args(&files))?;
    files.extend(libraries(&String::from_utf8_lossy(&linked)));
    for file in &files {
        let target = inside(root, file);
        let folder = target.parent().unwrap_or(root);
        tell("make", folder, fs::create_dir_all(folder))?;
        tell("copy", file, fs::copy(file, &target))?;
    }
    for folder in DATA.iter().map(Path::new).filter(|folder| folder.exists()) {
        let target = inside(root, folder);
        let parent = target.parent().unwrap_or(root);
        tell("make", parent, fs::create_dir_all(parent))?;
        // Links are followed: what they point at may lie outside.
        shell::run(Command::new("cp").args(["--recursive", "--dereference"]).arg(folder).arg(&target))?;
    }
    Ok(())
}

/// The paths in what `ldd` says: `name => /path (address)`, or `/path (address)` for the loader.
fn libraries(said: &str) -> BTreeSet<PathBuf> {
    let lines = said.lines().filter(|line| line.starts_with(char::is_whitespace));
    let paths = lines.filter_map(|line| line.split_whitespace().find(|word| word.starts_with('/')));
    paths.map(PathBuf::from).collect()
}

fn add_account(root: &Path) -> Result<(), Failure> {
    for folder in ["etc", "tmp", CLUSTER] {
        let path = root.join(folder);
        tell("make", &path, fs::create_dir_all(&path))?;
    }
    let path = root.join("tmp");
    tell("open", &path, fs::set_permissions(&path, fs::Permissions::from_mode(0o1777)))?;
    let (passwd, group) = (root.join("etc/passwd"), root.join("etc/group"));
    let account = format!("postgres:x:{USER}::/:/bin/false\n");
    tell("write", &passwd, fs::write(&passwd, account))?;
    tell("write", &group, fs::write(&group, "postgres:x:999:\n"))
}

/// The cluster is made here, so that the image needs no shell and its server is ready at once.
fn make_cluster(root: &Path, bin: &Path) -> Result<(), Failure> {
    let cluster = root.join(CLUSTER);
    tell("close", &cluster, fs::set_permissions(&cluster, fs::Permissions::from_mode(0o700)))?;
    let account = unprivileged()?;
    if let Some((uid, gid)) = account {
        tell("hand over", &cluster, chown(&cluster, Some(uid), Some(gid)))?;
    }
    let as_account = |program: &str| {
        let mut command = Command::new(bin.join(program));
        command.current_dir(&cluster).env("LC_ALL", "C");
        if let Some((uid, gid)) = account {
            command.uid(uid).gid(gid);
        }
        command
    };
    let mut initdb = as_account("initdb");
    initdb.args(["--username=tarebook_admin", "--encoding=UTF8", "--locale=C", "--lc-ctype=C.UTF-8"]);
    initdb.args(["--auth=trust", "--no-sync", "--no-instructions", "--pgdata"]).arg(&cluster);
    capture(&mut initdb)?;
    let mut single = as_account("postgres");
    single
        .args(["--single", "-c", "exit_on_error=true", "-c", "fsync=off", "-D"])
        .arg(&cluster)
        .arg("postgres");
    let mut child = single
        .stdin(Stdio::piped())
        .stdout(Stdio::null())
        .spawn()
        .map_err(|error| Failure::new(format!("{}: {error}", shell::show(&single))))?;
    if let Some(mut pipe) = child.stdin.take() {
        tell("write to", bin, pipe.write_all(b"CREATE ROLE tarebook LOGIN;\n"))?;
    }
    if !tell("wait for", bin, child.wait())?.success() {
        return Err(Failure::new("PostgreSQL did not add the role (its words are above)"));
    }
    // Only this machine's own tests get to the port: they publish it on the loopback address alone.
    let hba = cluster.join("pg_hba.conf");
    let mut file = tell("open", &hba, fs::OpenOptions::new().append(true).open(&hba))?;
    tell("write", &hba, file.write_all(b"host all all all trust\n"))
}

/// The account to change to when root, which PostgreSQL refuses to run as.
fn unprivileged() -> Result<Option<(u32, u32)>, Failure> {
    let number = |arguments: &[&str]| {
        let said = capture(Command::new("id").args(arguments))?;
        let text = String::from_utf8_lossy(&said).trim().to_owned();
        text.parse::<u32>().map_err(|error| Failure::new(format!("id: {error}")))
    };
    if number(&["-u"])? != 0 {
        return Ok(None);
    }
    Ok(Some((number(&["-u", "nobody"])?, number(&["-g", "nobody"])?)))
}

fn import(work: &Path, root: &Path) -> Result<(), Failure> {
    let archive = work.join("image.tar");
    let private = format!("./{}", CLUSTER.trim_end_matches("/cluster"));
    let tar = |mode: &str, owner: &str| {
        let mut tar = Command::new("tar");
        tar.arg(mode).arg("--file").arg(&archive).arg("--numeric-owner");
        tar.arg(format!("--owner={owner}")).arg(format!("--group={owner}")).arg("--directory").arg(root);
        tar
    };
    shell::run(tar("--create", "0").arg(format!("--exclude={private}")).arg("."))?;
    shell::run(tar("--append", "999").arg(&private))?;
    let server = format!("/usr/lib/postgresql/{MAJOR}/bin/postgres");
    let settings = [
        "listen_addresses=*",
        "unix_socket_directories=",
        "fsync=off",
        "synchronous_commit=off",
        "full_page_writes=off",
    ];
    let more = ["jit=off", "max_connections=200", "timezone=UTC", "log_timezone=UTC"];
    let mut words = vec![server, "-D".to_owned(), format!("/{CLUSTER}")];
    words.extend(settings.iter().chain(&more).flat_map(|one| ["-c".to_owned(), (*one).to_owned()]));
    let quoted: Vec<String> = words.iter().map(|word| format!("\"{word}\"")).collect();
    let mut docker = Command::new("docker");
    docker.args(["import", "--change", "EXPOSE 5432", "--change"]).arg(format!("USER {USER}"));
    docker.arg("--change").arg(format!("ENTRYPOINT [{}]", quoted.join(", "))).arg(&archive).arg(NAME);
    capture(&mut docker).map(drop)
}

/// Starts it once and waits for its word that it is ready.
fn try_out() -> Result<(), Failure> {
    let id = capture(Command::new("docker").args(["run", "--detach", "--network=none", NAME]))?;
    let id = String::from_utf8_lossy(&id).trim().to_owned();
    let begun = Instant::now();
    let mut said = String::new();
    let ready = loop {
        let log = Command::new("docker").args(["logs", &id]).output();
        said = log.map_or(said, |log| String::from_utf8_lossy(&log.stderr).into_owned());
        if said.contains("ready to accept connections") {
            break true;
        }
        if said.contains("FATAL") || begun.elapsed() > Duration::from_secs(30) {
            break false;
        }
        std::thread::sleep(Duration::from_millis(100));
    };
    capture(Command::new("docker").args(["rm", "--force", "--volumes", &id]))?;
    if ready { Ok(()) } else { Err(Failure::new(format!("the image does not start:\n{said}"))) }
}

/// Where an absolute path lies in the image.
fn inside(root: &Path, path: &Path) -> PathBuf {
    root.join(path.strip_prefix("/").unwrap_or(path))
}

fn tell<T>(action: &str, path: &Path, result: std::io::Result<T>) -> Result<T, Failure> {
    result.map_err(|error| Failure::new(format!("could not {action} {}: {error}", path.display())))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn libraries_in_the_words_of_ldd_are_the_paths() {
        let said = "/usr/bin/a:\n\tlinux-vdso.so.1 (0x1)\n\tlibm.so.6 => /lib/x/libm.so.6 (0x2)\n\t/lib64/ld.so.2 (0x3)\n";
        let wanted = ["/lib/x/libm.so.6", "/lib64/ld.so.2"].map(PathBuf::from);
        assert_eq!(libraries(said), BTreeSet::from(wanted));
    }
}
