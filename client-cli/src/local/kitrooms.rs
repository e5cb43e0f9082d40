//! The kitrooms on this device.

use domain::sync::client::Kept;
use domain::sync::op::Role;
use domain::wire::kitroom::Purpose;
use rusqlite::{Connection, OptionalExtension, Row, params};
use uuid::Uuid;

use super::{Store, settings};
use crate::error::{Error, Result};

/// Where a kitroom is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Place {
    /// Only on this device so far.
    Here,
    /// Only on this device, by choice.
    Apart,
    /// Also on the service.
    Linked,
}

impl Place {
    /// The name in the store and in JSON.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Place::Here => "here",
            Place::Apart => "apart",
            Place::Linked => "linked",
        }
    }
}

/// A kitroom as this device knows it.
#[derive(Debug, Clone, PartialEq)]
pub struct Kitroom {
    /// Its id.
    pub id: Uuid,
    /// Its name.
    pub name: String,
    /// Whose kit it is.
    pub purpose: Purpose,
    /// What this account may do in it.
    pub role: Role,
    /// Where it is.
    pub place: Place,
    /// Its epoch, once pulled.
    pub epoch: Option<Uuid>,
    /// Where pulling goes on.
    pub cursor: Option<String>,
    /// The last change of it that this device has.
    pub base_seq: i64,
    /// The number of this device's last op in it.
    pub last_op_no: i64,
}

const COLUMNS: &str = "id, name, purpose, role, place, epoch, cursor, base_seq, last_op_no";

fn read(row: &Row<'_>) -> rusqlite::Result<Kitroom> {
    let purpose: String = row.get(2)?;
    let role: String = row.get(3)?;
    let place: String = row.get(4)?;
    Ok(Kitroom {
        id: row.get(0)?,
        name: row.get(1)?,
        purpose: if purpose == Purpose::Club.name() { Purpose::Club } else { Purpose::Personal },
        role: Role::from_name(&role).unwrap_or(Role::Viewer),
        place: match place.as_str() {
            "linked" => Place::Linked,
            "apart" => Place::Apart,
            _ => Place::Here,
        },
        epoch: row.get(5)?,
        cursor: row.get(6)?,
        base_seq: row.get(7)?,
        last_op_no: row.get(8)?,
    })
}

pub(super) fn find(conn: &Connection, id: Uuid) -> Result<Kitroom> {
    let sql = format!("SELECT {COLUMNS} FROM kitrooms WHERE id = ?1");
    let found = conn.prepare_cached(&sql)?.query_row([id], read).optional()?;
    found.ok_or_else(|| Error::refused("this kitroom is not on this device").hint("see: tare kitroom list"))
}

/// What the sync machine keeps of a kitroom.
pub(super) fn kept(conn: &Connection, id: Uuid) -> Result<Kept> {
    let mut statement = conn.prepare_cached(
        "SELECT place = 'linked', epoch, cursor, ack, generation, base_seq, last_op_no, adrift, replacing
         FROM kitrooms WHERE id = ?1",
    )?;
    Ok(statement.query_row([id], |row| {
        let replacing: Option<String> = row.get(8)?;
        Ok(Kept {
            linked: row.get(0)?,
            epoch: row.get(1)?,
            cursor: row.get(2)?,
            ack: row.get(3)?,
            generation: row.get(4)?,
            base_seq: row.get(5)?,
            last_op_no: row.get(6)?,
            adrift: row.get(7)?,
            replace: replacing.and_then(|text| serde_json::from_str(&text).ok()),
        })
    })?)
}

/// Keeps it.
pub(super) fn keep(conn: &Connection, id: Uuid, kept: &Kept) -> Result<()> {
    let replacing = kept.replace.as_ref().map(serde_json::to_string).transpose()?;
    conn.prepare_cached(
        "UPDATE kitrooms SET place = iif(?2, 'linked', place), epoch = ?3, cursor = ?4, ack = ?5, generation = ?6,
             base_seq = ?7, last_op_no = ?8, adrift = ?9, replacing = ?10 WHERE id = ?1",
    )?
    .execute(params![
        id,
        kept.linked,
        kept.epoch,
        kept.cursor,
        kept.ack,
        kept.generation,
        kept.base_seq,
        kept.last_op_no,
        kept.adrift,
        replacing
    ])?;
    Ok(())
}

impl Store {
    /// All kitrooms, by name.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub fn kitrooms(&self) -> Result<Vec<Kitroom>> {
        let sql = format!("SELECT {COLUMNS} FROM kitrooms ORDER BY name COLLATE NOCASE, id");
        let mut statement = self.conn.prepare_cached(&sql)?;
        let kitrooms = statement.query_map([], read)?.collect::<rusqlite::Result<_>>()?;
        Ok(kitrooms)
    }

    /// Takes a kitroom back that has just been made and is not on the service.
    ///
    /// # Errors
    /// When the store cannot be written.
    pub fn purge_kitroom(&mut self, id: Uuid) -> Result<()> {
        let tx = self.begin()?;
        remove(&tx, id)?;
        Ok(tx.commit()?)
    }

    /// One kitroom.
    ///
    /// # Errors
    /// When it is not on this device.
    pub fn kitroom(&self, id: Uuid) -> Result<Kitroom> {
        find(&self.conn, id)
    }

    /// The one that is in use: the chosen one, else the only one.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub fn current_kitroom(&self) -> Result<Option<Kitroom>> {
        let kitrooms = self.kitrooms()?;
        let chosen = self.setting("kitroom")?.and_then(|text| Uuid::parse_str(&text).ok());
        if let Some(kitroom) = kitrooms.iter().find(|kitroom| Some(kitroom.id) == chosen) {
            return Ok(Some(kitroom.clone()));
        }
        Ok(if kitrooms.len() == 1 { kitrooms.into_iter().next() } else { None })
    }

    /// Makes a kitroom that is only here, and uses it when it is the first.
    ///
    /// # Errors
    /// When the store cannot be written.
    pub fn make_kitroom(&mut self, name: &str, purpose: Purpose) -> Result<Kitroom> {
        let id = self.new_id();
        let tx = self.begin()?;
        insert(&tx, id, name, purpose, Role::Owner, Place::Here)?;
        if settings::get(&tx, "kitroom")?.is_none() {
            settings::set(&tx, "kitroom", Some(&id.to_string()))?;
        }
        let kitroom = find(&tx, id)?;
        tx.commit()?;
        Ok(kitroom)
    }

    /// Notes a kitroom of the service; what is known of it already stays.
    ///
    /// # Errors
    /// When the store cannot be written.
    pub fn note_kitroom(&mut self, id: Uuid, name: &str, purpose: Purpose, role: Role) -> Result<Kitroom> {
        let tx = self.begin()?;
        let known = tx.execute(
            "UPDATE kitrooms SET name = ?2, purpose = ?3, role = ?4, place = 'linked' WHERE id = ?1",
            params![id, name, purpose.name(), role.name()],
        )?;
        if known == 0 {
            insert(&tx, id, name, purpose, role, Place::Linked)?;
        }
        let kitroom = find(&tx, id)?;
        tx.commit()?;
        Ok(kitroom)
    }

    /// Keeps a kitroom on this device only, or takes that back.
    ///
    /// # Errors
    /// When the store cannot be written.
    pub fn set_place(&self, id: Uuid, place: Place) -> Result<()> {
        self.conn.execute("UPDATE kitrooms SET place = ?2 WHERE id = ?1", params![id, place.name()])?;
        Ok(())
    }

    /// Uses this kitroom from now on.
    ///
    /// # Errors
    /// When the store cannot be written.
    pub fn use_kitroom(&self, id: Uuid) -> Result<()> {
        self.set_setting("kitroom", Some(&id.to_string()))
    }
}

pub(super) fn insert(
    conn: &Connection,
    id: Uuid,
    name: &str,
    purpose: Purpose,
    role: Role,
    place: Place,
) -> Result<()> {
    conn.execute(
        "INSERT INTO kitrooms (id, name, purpose, role, place) VALUES (?1, ?2, ?3, ?4, ?5)",
        params![id, name, purpose.name(), role.name(), place.name()],
    )?;
    Ok(())
}

pub(super) fn remove(conn: &Connection, id: Uuid) -> Result<()> {
    for table in [
        "base",
        "incoming",
        "overlay",
        "recovery",
        "refs",
        "outbox",
        "items",
        "sitting_repeats",
        "dirty",
        "numbers",
    ] {
        conn.execute(&format!("DELETE FROM {table} WHERE kitroom = ?1"), [id])?;
    }
    conn.execute("DELETE FROM kitrooms WHERE id = ?1", [id])?;
    if settings::get(conn, "kitroom")?.is_some_and(|current| current == id.to_string()) {
        settings::set(conn, "kitroom", None)?;
    }
    Ok(())
}
