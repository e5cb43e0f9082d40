//! What this device remembers beside records.

use rusqlite::{Connection, OptionalExtension, params};
use uuid::Uuid;

use super::Store;
use crate::error::Result;

pub(super) fn get(conn: &Connection, name: &str) -> Result<Option<String>> {
    let mut statement = conn.prepare_cached("SELECT value FROM settings WHERE name = ?1")?;
    Ok(statement.query_row([name], |row| row.get(0)).optional()?)
}

pub(super) fn set(conn: &Connection, name: &str, value: Option<&str>) -> Result<()> {
    match value {
        Some(value) => conn.execute(
            "INSERT INTO settings (name, value) VALUES (?1, ?2) ON CONFLICT (name) DO UPDATE SET value = ?2",
            params![name, value],
        )?,
        None => conn.execute("DELETE FROM settings WHERE name = ?1", [name])?,
    };
    Ok(())
}

impl Store {
    /// A setting.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub fn setting(&self, name: &str) -> Result<Option<String>> {
        get(&self.conn, name)
    }

    /// Changes a setting, or forgets it.
    ///
    /// # Errors
    /// When the store cannot be written.
    pub fn set_setting(&self, name: &str, value: Option<&str>) -> Result<()> {
        set(&self.conn, name, value)
    }

    /// An identifier that is made once and kept: this replica's, or the account's before there is one.
    ///
    /// # Errors
    /// When the store cannot be read or written.
    pub fn kept_id(&self, name: &str) -> Result<Uuid> {
        if let Some(id) = self.setting(name)?.and_then(|text| Uuid::parse_str(&text).ok()) {
            return Ok(id);
        }
        let id = self.new_id();
        self.set_setting(name, Some(&id.to_string()))?;
        Ok(id)
    }

    /// This copy of the kitrooms, as the service tells it from others.
    ///
    /// # Errors
    /// When the store cannot be read or written.
    pub fn replica_id(&self) -> Result<Uuid> {
        self.kept_id("replica_id")
    }

    /// The account; before this device is linked, one that stands for its owner.
    ///
    /// # Errors
    /// When the store cannot be read or written.
    pub fn account_id(&self) -> Result<Uuid> {
        match self.setting("account_id")?.and_then(|text| Uuid::parse_str(&text).ok()) {
            Some(id) => Ok(id),
            None => self.kept_id("owner_id"),
        }
    }
}
