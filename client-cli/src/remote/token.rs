//! Where the device token lives: the system's keyring, or a file that only its owner can read when that is asked for.

use std::fs;
use std::io::Write;
use std::path::PathBuf;

use keyring::v1::{Entry, Error as KeyringError};

use super::Secret;
use super::address::Address;
use crate::config::Env;
use crate::error::{Error, Result};

const SERVICE: &str = "tare";

/// A place for the token.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Keeper {
    /// The system's keyring.
    Keyring,
    /// A file with mode 0600.
    File,
}

impl Keeper {
    /// The name in the settings and in JSON.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Keeper::Keyring => "keyring",
            Keeper::File => "file",
        }
    }

    /// The place of this name.
    #[must_use]
    pub fn from_name(name: &str) -> Option<Self> {
        [Keeper::Keyring, Keeper::File].into_iter().find(|keeper| keeper.name() == name)
    }

    /// Where that is, for a person.
    #[must_use]
    pub fn describe(self, env: &Env) -> String {
        match self {
            Keeper::Keyring => "the system's keyring".to_owned(),
            Keeper::File => format!("the file {}, readable by you alone", file(env).display()),
        }
    }

    /// Checks that a token can be kept there.
    ///
    /// # Errors
    /// When there is no keyring.
    pub fn check(self, env: &Env, address: &Address) -> Result<()> {
        match self {
            Keeper::File => crate::local::private_folder(&env.home),
            Keeper::Keyring => match entry(address).map_err(no_keyring)?.get_password() {
                Ok(_) | Err(KeyringError::NoEntry) => Ok(()),
                Err(error) => Err(no_keyring(error)),
            },
        }
    }

    /// Keeps the token.
    ///
    /// # Errors
    /// When the keyring or the file cannot be written.
    pub fn keep(self, env: &Env, address: &Address, token: &Secret) -> Result<()> {
        match self {
            Keeper::Keyring => {
                entry(address).and_then(|entry| entry.set_password(token.expose())).map_err(no_keyring)
            }
            Keeper::File => write_file(env, token),
        }
    }

    /// Reads the token.
    ///
    /// # Errors
    /// When it is not there, or others can read the file.
    pub fn read(self, env: &Env, address: &Address) -> Result<Secret> {
        match self {
            Keeper::Keyring => match entry(address).and_then(|entry| entry.get_password()) {
                Ok(token) => Ok(Secret::new(token)),
                Err(error) => Err(Error::refused("the token cannot be read from the system's keyring")
                    .because(error)
                    .hint("unlock the keyring, or link this device again: tare link URL")),
            },
            Keeper::File => read_file(env),
        }
    }

    /// Forgets the token; that there is none is fine.
    ///
    /// # Errors
    /// When it cannot be deleted.
    pub fn forget(self, env: &Env, address: &Address) -> Result<()> {
        let failed = |error: &dyn std::fmt::Display| {
            Error::refused("the token could not be deleted")
                .because(error)
                .hint(format!("delete it by hand: {}", self.describe(env)))
        };
        match self {
            Keeper::Keyring => match entry(address).and_then(|entry| entry.delete_credential()) {
                Ok(()) | Err(KeyringError::NoEntry) => Ok(()),
                Err(error) => Err(failed(&error)),
            },
            Keeper::File => match fs::remove_file(file(env)) {
                Err(error) if error.kind() != std::io::ErrorKind::NotFound => Err(failed(&error)),
                _ => Ok(()),
            },
        }
    }
}

fn entry(address: &Address) -> std::result::Result<Entry, KeyringError> {
    if let Err(error) = Entry::store_status() {
        return Err(KeyringError::NotSupportedByStore(error.to_string()));
    }
    Entry::new(SERVICE, &address.to_string())
}

fn no_keyring(error: KeyringError) -> Error {
    Error::refused("there is no keyring to keep the token in, so nothing was asked for and nothing was stored")
        .because(error)
        .hint(
            "on a machine without a desktop, say so: tare link URL --insecure-storage keeps it in a file that only \
             you can read",
        )
}

fn file(env: &Env) -> PathBuf {
    env.home.join("token")
}

fn write_file(env: &Env, token: &Secret) -> Result<()> {
    let failed = |error: std::io::Error| Error::internal("the token could not be stored").because(error);
    crate::local::private_folder(&env.home)?;
    let new = env.home.join("token.new");
    // A left-over may have another mode.
    let _ = fs::remove_file(&new);
    let mut options = fs::OpenOptions::new();
    options.write(true).create_new(true);
    #[cfg(unix)]
    std::os::unix::fs::OpenOptionsExt::mode(&mut options, 0o600);
    let mut out = options.open(&new).map_err(failed)?;
    out.write_all(token.expose().as_bytes()).and_then(|()| out.sync_all()).map_err(failed)?;
    fs::rename(&new, file(env)).map_err(failed)
}

fn read_file(env: &Env) -> Result<Secret> {
    let path = file(env);
    let gone = |error: std::io::Error| {
        Error::refused(format!("the token cannot be read from {}", path.display()))
            .because(error)
            .hint("link this device again: tare link URL --insecure-storage")
    };
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt;
        let mode = fs::metadata(&path).map_err(gone)?.permissions().mode();
        if mode & 0o077 != 0 {
            return Err(Error::refused(format!("the token in {} can be read by others", path.display()))
                .because(format!("its mode is {:o}", mode & 0o777))
                .hint(format!("chmod 600 {}; if others use this machine, link it again", path.display())));
        }
    }
    let text = fs::read_to_string(&path).map_err(gone)?;
    Ok(Secret::new(text.trim().to_owned()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[cfg(unix)]
    #[test]
    fn file_is_for_its_owner_alone_and_refused_when_it_is_not() {
        use std::os::unix::fs::PermissionsExt;
        let folder = tempfile::tempdir().unwrap();
        let env = Env::at(&folder.path().join("home"));
        let address = Address::parse("http://127.0.0.1:1").unwrap();
        let token = Secret::new("tbd_secret".to_owned());
        Keeper::File.keep(&env, &address, &token).unwrap();
        let mode = |path: &std::path::Path| fs::metadata(path).unwrap().permissions().mode() & 0o777;
        assert_eq!((mode(&env.home), mode(&file(&env))), (0o700, 0o600));
        assert_eq!(Keeper::File.read(&env, &address).unwrap(), token);
        assert_eq!(format!("{token:?}"), "Secret(***)");

        fs::set_permissions(file(&env), fs::Permissions::from_mode(0o640)).unwrap();
        let refused = Keeper::File.read(&env, &address).unwrap_err();
        assert!(refused.what.contains("can be read by others"), "{refused}");

        Keeper::File.forget(&env, &address).unwrap();
        Keeper::File.forget(&env, &address).unwrap();
        assert!(Keeper::File.read(&env, &address).is_err());
    }
}
