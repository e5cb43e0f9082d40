//! The folders of a private server, and making its cluster on the first use.

use std::fs::{self, DirBuilder};
use std::io::{self, Write};
use std::os::unix::fs::{DirBuilderExt, PermissionsExt};
use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};

use super::account::Account;
use super::binaries::Binaries;
use super::error::EmbeddedPgError;
use super::{ADMIN_NAME, APP_NAME, Options};

/// Where everything lies; see the parent module.
#[derive(Debug, Clone)]
pub(super) struct Layout {
    data_dir: PathBuf,
    root: PathBuf,
}

impl Layout {
    /// The layout in a data folder.
    pub(super) fn new(data_dir: &Path) -> Self {
        Self { data_dir: data_dir.to_owned(), root: data_dir.join("postgres") }
    }

    pub(super) fn data_dir(&self) -> &Path {
        &self.data_dir
    }

    pub(super) fn root(&self) -> &Path {
        &self.root
    }

    pub(super) fn cluster(&self) -> PathBuf {
        self.root.join("cluster")
    }

    pub(super) fn socket_dir(&self) -> PathBuf {
        self.root.join("run")
    }

    pub(super) fn log(&self) -> PathBuf {
        self.root.join("server.log")
    }

    pub(super) fn service_lock(&self) -> PathBuf {
        self.root.join("service.lock")
    }

    pub(super) fn owner_lock(&self) -> PathBuf {
        self.root.join("owner.lock")
    }

    /// Makes the folders and the lock files, private to the account.
    pub(super) fn make_folders(&self, account: &Account) -> Result<(), EmbeddedPgError> {
        account.reach(&self.data_dir)?;
        for folder in [&self.root, &self.socket_dir()] {
            make_private(folder, account)?;
        }
        for file in [self.service_lock(), self.owner_lock()] {
            let opened = fs::OpenOptions::new().append(true).create(true).open(&file);
            EmbeddedPgError::io("open", &file, opened)?;
            account.own(&file)?;
        }
        Ok(())
    }
}

/// Makes a folder that only the account can enter, or narrows one that is there.
pub(super) fn make_private(folder: &Path, account: &Account) -> Result<(), EmbeddedPgError> {
    match DirBuilder::new().mode(0o700).create(folder) {
        Err(error) if error.kind() == io::ErrorKind::AlreadyExists => {}
        made => EmbeddedPgError::io("make", folder, made)?,
    }
    account.own(folder)?;
    let narrowed = fs::set_permissions(folder, fs::Permissions::from_mode(0o700));
    EmbeddedPgError::io("make private", folder, narrowed)
}

/// Makes the cluster if there is none, and finds the programs that fit it. Needs the owner's lock.
pub(super) fn ensure(
    layout: &Layout,
    account: &Account,
    options: &Options,
) -> Result<Binaries, EmbeddedPgError> {
    let cluster = layout.cluster();
    if cluster.exists() {
        let version = fs::read_to_string(cluster.join("PG_VERSION"));
        let version = version.map_err(|_| EmbeddedPgError::NotACluster { dir: cluster.clone() })?;
        return Binaries::matching(&cluster, version.trim());
    }
    let binaries = Binaries::find()?;
    remove_unfinished(layout)?;
    let unfinished = layout.root().join(format!("cluster.new.{}", std::process::id()));
    make_private(&unfinished, account)?;
    initialise(&binaries, account, &unfinished, options)?;
    add_role_and_database(&binaries, account, &unfinished, options)?;
    EmbeddedPgError::io("finish", &cluster, fs::rename(&unfinished, &cluster))?;
    if options.durable {
        let synced = fs::File::open(layout.root()).and_then(|folder| folder.sync_all());
        EmbeddedPgError::io("write out", layout.root(), synced)?;
    }
    Ok(binaries)
}

/// What a start that was killed while it made a cluster left behind.
fn remove_unfinished(layout: &Layout) -> Result<(), EmbeddedPgError> {
    let entries = EmbeddedPgError::io("list", layout.root(), fs::read_dir(layout.root()))?;
    for entry in entries.flatten() {
        if entry.file_name().as_encoded_bytes().starts_with(b"cluster.new.") {
            let path = entry.path();
            EmbeddedPgError::io("remove", &path, fs::remove_dir_all(&path))?;
        }
    }
    Ok(())
}

fn initialise(
    binaries: &Binaries,
    account: &Account,
    cluster: &Path,
    options: &Options,
) -> Result<(), EmbeddedPgError> {
    // Text sorts by code point, so that no upgrade of the system's locales corrupts an index; upper
    // and lower case are known beyond ASCII where the system has such a locale.
    let attempt = |ctype: &str| {
        let mut initdb = Command::new(binaries.program("initdb"));
        initdb
            .arg("--pgdata")
            .arg(cluster)
            .arg(format!("--username={ADMIN_NAME}"))
            .args(["--encoding=UTF8", "--locale=C", "--data-checksums", "--no-instructions"])
            .arg(format!("--lc-ctype={ctype}"))
            // The socket lies in a folder that only the account itself and root can enter.
            .args(["--auth-local=trust", "--auth-host=reject"]);
        if !options.durable {
            initdb.arg("--no-sync");
        }
        run(initdb, account, cluster, "")
    };
    let made = attempt("C.UTF-8")?;
    let made = if !made.status.success() && said(&made).contains("locale") { attempt("C")? } else { made };
    check(&made, cluster)
}

fn add_role_and_database(
    binaries: &Binaries,
    account: &Account,
    cluster: &Path,
    options: &Options,
) -> Result<(), EmbeddedPgError> {
    let mut single = Command::new(binaries.program("postgres"));
    single.args(["--single", "-c", "exit_on_error=true", "-c", "log_min_messages=error"]);
    if !options.durable {
        single.args(["-c", "fsync=off"]);
    }
    single.arg("-D").arg(cluster).arg("postgres");
    // One statement a line: the single-user mode ends a statement at the line's end.
    let script = format!(
        "CREATE ROLE {APP_NAME} LOGIN;\n\
         CREATE DATABASE {APP_NAME} OWNER {APP_NAME};\n\
         REVOKE ALL ON DATABASE postgres FROM PUBLIC;\n"
    );
    check(&run(single, account, cluster, &script)?, cluster)
}

/// Runs a program of PostgreSQL to its end as the account, with `input` on its standard input.
fn run(
    mut command: Command,
    account: &Account,
    folder: &Path,
    input: &str,
) -> Result<Output, EmbeddedPgError> {
    let program = PathBuf::from(command.get_program());
    account.apply(&mut command);
    command.current_dir(folder).stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::piped());
    let mut child = EmbeddedPgError::io("run", &program, command.spawn())?;
    if let Some(mut pipe) = child.stdin.take() {
        // A program that ends early closes its end; its exit status tells the story.
        drop(pipe.write_all(input.as_bytes()));
    }
    EmbeddedPgError::io("run", &program, child.wait_with_output())
}

fn check(output: &Output, cluster: &Path) -> Result<(), EmbeddedPgError> {
    if output.status.success() {
        return Ok(());
    }
    Err(EmbeddedPgError::InitFailed { cluster: cluster.to_owned(), said: last_error(&said(output)) })
}

fn said(output: &Output) -> String {
    String::from_utf8_lossy(&output.stderr).into_owned()
}

/// The line to show of a program's or a log's words: the last error, else the last line.
pub(super) fn last_error(text: &str) -> String {
    let lines: Vec<&str> = text.lines().map(str::trim).filter(|line| !line.is_empty()).collect();
    let marked =
        |line: &&&str| ["FATAL:", "PANIC:", "ERROR:", "error:"].iter().any(|mark| line.contains(mark));
    let line = lines.iter().rev().find(marked).or_else(|| lines.last()).copied();
    line.unwrap_or("it said nothing").to_owned()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn last_error_prefers_the_error_over_what_follows() {
        assert_eq!(last_error("a\nFATAL:  no room\nLOG:  bye\n"), "FATAL:  no room");
        assert_eq!(last_error("one\ntwo\n\n"), "two");
        assert_eq!(last_error(""), "it said nothing");
    }
}
