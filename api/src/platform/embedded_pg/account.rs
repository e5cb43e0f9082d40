//! The unprivileged account that PostgreSQL runs as, and what belongs to it.

use std::fs::{self, Metadata};
use std::io;
use std::os::unix::fs::{MetadataExt, PermissionsExt, chown};
use std::os::unix::process::CommandExt;
use std::path::Path;
use std::process::Command;

use nix::unistd::{Uid, User, geteuid};

use super::cluster::Layout;
use super::error::EmbeddedPgError;

/// Who runs PostgreSQL: whoever started us, or, for root, an account without powers.
#[derive(Debug, Clone)]
pub(super) struct Account {
    name: String,
    /// Set when we are root and have to change over.
    drop_to: Option<(u32, u32)>,
}

impl Account {
    /// The account for this data folder: an existing cluster's owner goes first.
    pub(super) fn for_cluster(layout: &Layout) -> Result<Self, EmbeddedPgError> {
        let meta = fs::metadata(layout.cluster()).or_else(|_| fs::metadata(layout.root()));
        let owner = meta.ok().map(|meta| meta.uid());
        let me = geteuid();
        if !me.is_root() {
            return match owner {
                Some(uid) if uid != me.as_raw() => Err(EmbeddedPgError::ForeignOwner {
                    path: layout.root().to_owned(),
                    owner: name_of(uid),
                    me: name_of(me.as_raw()),
                }),
                _ => Ok(Self { name: name_of(me.as_raw()), drop_to: None }),
            };
        }
        let by_id = owner.filter(|&uid| uid != 0).and_then(|uid| User::from_uid(Uid::from_raw(uid)).ok());
        let by_name = |name| User::from_name(name).ok().flatten();
        let user = by_id
            .flatten()
            .or_else(|| by_name("postgres"))
            .or_else(|| by_name("nobody"))
            .filter(|user| !user.uid.is_root())
            .ok_or(EmbeddedPgError::NoAccount)?;
        Ok(Self { name: user.name, drop_to: Some((user.uid.as_raw(), user.gid.as_raw())) })
    }

    /// Makes a command run as this account, away from our environment's PostgreSQL settings.
    pub(super) fn apply(&self, command: &mut Command) {
        for (name, _) in std::env::vars_os() {
            if name.as_encoded_bytes().starts_with(b"PG") {
                command.env_remove(name);
            }
        }
        // Messages are read for one known text, and the cluster's own locale is given to initdb.
        command.env("LC_ALL", "C");
        // An interrupt typed at the terminal is for the service, which then stops PostgreSQL.
        command.process_group(0);
        if let Some((uid, gid)) = self.drop_to {
            command.uid(uid).gid(gid);
        }
    }

    /// Hands a file or a folder to this account.
    pub(super) fn own(&self, path: &Path) -> Result<(), EmbeddedPgError> {
        match self.drop_to {
            Some((uid, gid)) => EmbeddedPgError::io("hand over", path, chown(path, Some(uid), Some(gid))),
            None => Ok(()),
        }
    }

    /// Checks that this account can reach `data_dir`. The data folder itself is opened to the
    /// account's group if need be, since it is ours; a folder above it is not.
    pub(super) fn reach(&self, data_dir: &Path) -> Result<(), EmbeddedPgError> {
        let Some((uid, gid)) = self.drop_to else { return Ok(()) };
        for folder in data_dir.ancestors() {
            let meta = EmbeddedPgError::io("look at", folder, fs::metadata(folder))?;
            if may_enter(&meta, uid, gid) {
                continue;
            }
            if folder != data_dir || meta.uid() != 0 {
                return Err(EmbeddedPgError::Unreachable {
                    user: self.name.clone(),
                    blocked: folder.to_owned(),
                });
            }
            EmbeddedPgError::io("open to PostgreSQL's group", folder, let_group_enter(folder, &meta, gid))?;
        }
        Ok(())
    }
}

fn let_group_enter(folder: &Path, meta: &Metadata, gid: u32) -> io::Result<()> {
    chown(folder, None, Some(gid))?;
    // Entering only: the group can neither list the folder nor write in it.
    let mode = meta.mode() & 0o7707 | 0o010;
    fs::set_permissions(folder, fs::Permissions::from_mode(mode))
}

fn may_enter(meta: &Metadata, uid: u32, gid: u32) -> bool {
    let bit = if meta.uid() == uid {
        0o100
    } else if meta.gid() == gid {
        0o010
    } else {
        0o001
    };
    meta.mode() & bit != 0
}

/// A user's name, or its number where it has none.
fn name_of(uid: u32) -> String {
    User::from_uid(Uid::from_raw(uid)).ok().flatten().map_or_else(|| uid.to_string(), |user| user.name)
}
