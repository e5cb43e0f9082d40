//! Finding the system's own PostgreSQL programs.

use std::ffi::OsString;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

use super::error::EmbeddedPgError;

/// The oldest major version that the service supports.
pub(super) const LEAST_MAJOR: u32 = 14;

/// Folders that hold one folder a version (`/usr/lib/postgresql/17/bin`), as name patterns.
const VERSIONED: &[(&str, &str, &str)] = &[
    ("/usr/lib/postgresql", "", "bin"),
    ("/usr", "pgsql-", "bin"),
    ("/opt/homebrew/opt", "postgresql", "bin"),
    ("/usr/local/opt", "postgresql", "bin"),
    ("/home/linuxbrew/.linuxbrew/opt", "postgresql", "bin"),
    ("/usr/lib64", "pgsql", "bin"),
    ("/usr/local", "pgsql", "bin"),
];

/// The programs of one installed version.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Binaries {
    dir: PathBuf,
    major: u32,
}

impl Binaries {
    /// The installed version to make new clusters with: the first in the search path, else the newest.
    ///
    /// # Errors
    /// [`EmbeddedPgError::NoBinaries`] or [`EmbeddedPgError::TooOld`].
    pub fn find() -> Result<Self, EmbeddedPgError> {
        let found = all();
        found.iter().find(|one| one.major >= LEAST_MAJOR).cloned().ok_or_else(|| refuse(&found))
    }

    /// The installed version that made a cluster, by the text of its `PG_VERSION`.
    pub(super) fn matching(cluster: &Path, made_by: &str) -> Result<Self, EmbeddedPgError> {
        let found = all();
        if found.is_empty() {
            return Err(refuse(&found));
        }
        let wanted = found.iter().find(|one| one.major.to_string() == made_by);
        wanted.cloned().ok_or_else(|| EmbeddedPgError::VersionMismatch {
            cluster: cluster.to_owned(),
            made_by: made_by.to_owned(),
            installed: found.iter().map(|one| one.major.to_string()).collect::<Vec<_>>().join(", "),
        })
    }

    /// The path of one program.
    #[must_use]
    pub fn program(&self, name: &str) -> PathBuf {
        self.dir.join(name)
    }

    /// The major version.
    #[must_use]
    pub fn major(&self) -> u32 {
        self.major
    }

    fn in_folder(dir: &Path) -> Option<Self> {
        // Links to the server alone are followed, since its folder has the other programs too.
        let server = fs::canonicalize(dir.join("postgres")).ok()?;
        let dir = server.parent()?.to_owned();
        if !server.is_file() || !dir.join("initdb").is_file() {
            return None;
        }
        let said = Command::new(server).arg("--version").output().ok()?;
        let major = parse_major(&String::from_utf8_lossy(&said.stdout))?;
        Some(Self { dir, major })
    }
}

/// The programs that copy a database and bring it back; they need no server beside them.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Clients {
    dir: PathBuf,
    major: u32,
}

impl Clients {
    /// Those of the oldest version that can speak with a server of this one.
    ///
    /// # Errors
    /// In words, with the package to install.
    pub fn for_server(major: u32) -> Result<Self, String> {
        let mut found: Vec<Self> =
            folders(search_path(), VERSIONED).iter().filter_map(|dir| Self::in_folder(dir)).collect();
        // A stable sort: of two of one version the first in the search path stays first.
        found.sort_by_key(|one| one.major);
        found.into_iter().find(|one| one.major >= major).ok_or_else(|| {
            format!(
                "no pg_dump, pg_restore and psql of PostgreSQL {major} or newer found: install them (Debian, Ubuntu: \
                 apt-get install postgresql-client)"
            )
        })
    }

    /// The path of one program.
    #[must_use]
    pub fn program(&self, name: &str) -> PathBuf {
        self.dir.join(name)
    }

    fn in_folder(dir: &Path) -> Option<Self> {
        // A link to the program is followed; one to something that chooses among versions is not what was asked for.
        let dump = fs::canonicalize(dir.join("pg_dump")).ok()?;
        let dir = dump.parent().filter(|_| dump.ends_with("pg_dump"))?;
        if !["pg_restore", "psql"].iter().all(|name| dir.join(name).is_file()) {
            return None;
        }
        let said = Command::new(dir.join("pg_dump")).arg("--version").output().ok()?;
        let major = parse_major(&String::from_utf8_lossy(&said.stdout))?;
        Some(Self { dir: dir.to_owned(), major })
    }
}

/// All that are installed, the preferred first.
fn all() -> Vec<Binaries> {
    let mut found = all_in(search_path(), VERSIONED);
    // Asked last and only if need be, for it costs a process.
    if found.is_empty()
        && let Ok(said) = Command::new("pg_config").arg("--bindir").output()
    {
        found.extend(Binaries::in_folder(Path::new(String::from_utf8_lossy(&said.stdout).trim_end())));
    }
    found
}

fn all_in(path: Option<OsString>, places: &[(&str, &str, &str)]) -> Vec<Binaries> {
    let mut found: Vec<Binaries> = Vec::new();
    for dir in folders(path, places) {
        let binaries = Binaries::in_folder(&dir);
        found.extend(binaries.filter(|new| !found.contains(new)));
    }
    found
}

/// The folders to look in, the preferred first.
fn folders(path: Option<OsString>, places: &[(&str, &str, &str)]) -> Vec<PathBuf> {
    let on_path = path.iter().flat_map(std::env::split_paths).filter(|dir| dir.is_absolute());
    let mut folders: Vec<PathBuf> = on_path.collect();
    folders.extend(places.iter().flat_map(|&(parent, prefix, tail)| versioned(parent, prefix, tail)));
    folders
}

/// `parent/<prefix>*/tail`, the newest version first.
fn versioned(parent: &str, prefix: &str, tail: &str) -> Vec<PathBuf> {
    let mut names: Vec<(u32, String)> = fs::read_dir(parent)
        .into_iter()
        .flatten()
        .filter_map(|entry| entry.ok()?.file_name().into_string().ok())
        .filter(|name| name.starts_with(prefix))
        .map(|name| (digits(&name), name))
        .collect();
    names.sort_by(|left, right| right.cmp(left));
    names.into_iter().map(|(_, name)| Path::new(parent).join(name).join(tail)).collect()
}

fn digits(name: &str) -> u32 {
    let from = name.trim_start_matches(|c: char| !c.is_ascii_digit());
    let end = from.find(|c: char| !c.is_ascii_digit()).unwrap_or(from.len());
    from[..end].parse().unwrap_or(0)
}

/// The major version in the words of `postgres --version` or `pg_dump --version`.
fn parse_major(said: &str) -> Option<u32> {
    let (_, version) = said.split_once(" (PostgreSQL) ")?;
    let end = version.find(|c: char| !c.is_ascii_digit()).unwrap_or(version.len());
    version[..end].parse().ok()
}

fn refuse(found: &[Binaries]) -> EmbeddedPgError {
    match found.iter().max_by_key(|one| one.major) {
        Some(best) => {
            EmbeddedPgError::TooOld { found: best.major, least: LEAST_MAJOR, dir: best.dir.clone() }
        }
        None => EmbeddedPgError::NoBinaries {
            searched: "PATH, /usr/lib/postgresql, pg_config --bindir and Homebrew's folders".to_owned(),
        },
    }
}

#[expect(clippy::disallowed_methods, reason = "the search path is the system's, no setting of ours")]
fn search_path() -> Option<OsString> {
    std::env::var_os("PATH")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn parse_major_of_known_version_texts_reads_the_number() {
        assert_eq!(parse_major("postgres (PostgreSQL) 15.13 (Debian 15.13-0+deb12u1)\n"), Some(15));
        assert_eq!(parse_major("postgres (PostgreSQL) 18beta1\n"), Some(18));
        assert_eq!(parse_major("pg_dump (PostgreSQL) 17.2\n"), Some(17));
        assert_eq!(parse_major("postgres (PostgreSQL) \n"), None);
        assert_eq!(parse_major("something else 15\n"), None);
    }

    #[test]
    fn digits_in_folder_names_orders_versions_as_numbers() {
        assert!(digits("17") > digits("9.6"));
        assert!(digits("postgresql@15") > digits("postgresql@9"));
        assert_eq!(digits("postgresql"), 0);
    }

    #[test]
    fn find_without_any_programs_names_the_package_in_one_line() {
        let found = all_in(Some("/nowhere/bin:relative/bin".into()), &[("/nowhere", "", "bin")]);
        assert!(found.is_empty());
        let refusal = refuse(&found).to_string();
        assert!(refusal.contains("apt-get install postgresql") && !refusal.contains('\n'), "{refusal}");
    }

    #[test]
    fn matching_version_never_installed_names_both_and_the_package() {
        let refusal = Binaries::matching(Path::new("/somewhere/cluster"), "9").unwrap_err().to_string();
        assert!(refusal.contains("PostgreSQL 9") && refusal.contains("postgresql-9"), "{refusal}");
        assert!(!refusal.contains('\n'));
    }
}
