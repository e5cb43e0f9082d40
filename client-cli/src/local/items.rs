//! Items ready to be listed and found.

use domain::condition::{StateView, StockView, item_state};
use domain::sync::record::Stored;
use domain::time::Timestamp;
use domain::wire::item::ItemBody;
use domain::wire::log_entry::ItemState;
use domain::wire::mass::ItemMass;
use domain::wire::shape;
use rusqlite::{Connection, OptionalExtension, Row, params};
use serde_json::Value;
use uuid::Uuid;

use super::Store;
use crate::error::Result;

/// An item as a list shows it.
#[derive(Debug, Clone, PartialEq)]
pub struct ItemLine {
    /// Its id.
    pub id: Uuid,
    /// Its name.
    pub name: String,
    /// Its kind, which a later version may know better.
    pub kind: String,
    /// Its size.
    pub size: Option<String>,
    /// Its tag.
    pub tag: Option<String>,
    /// Its mass, once computed.
    pub mass: Option<ItemMass>,
    /// Whether it may be used.
    pub state: StateView,
    /// How many units are left of a kind of like units.
    pub stock: StockView,
}

/// The few columns of a long list.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ItemRow<'a> {
    /// Its name.
    pub name: &'a str,
    /// Its kind.
    pub kind: &'a str,
    /// Its size.
    pub size: &'a str,
    /// Its tag.
    pub tag: &'a str,
    /// In grams; none when unknown.
    pub mass_g: Option<f64>,
    /// Standard uncertainty in grams; none when unknown.
    pub mass_u_g: Option<f64>,
    /// What it rests on.
    pub basis: &'a str,
    /// How many weighings.
    pub n: i64,
    /// When it was last weighed.
    pub last_weighed_at: &'a str,
    /// The name of its state.
    pub state: &'a str,
    /// How many units are left of a kind of like units; none when that is not known, or it is one thing.
    pub stock: Option<i64>,
}

/// Lower case, for finding without minding capitals.
#[must_use]
pub fn fold(text: &str) -> String {
    text.trim().to_lowercase()
}

pub(super) fn save_line(conn: &Connection, kitroom: Uuid, record: &Stored) -> Result<()> {
    if !record.is_live() {
        return drop_line(conn, kitroom, record.id);
    }
    // Read leniently: a later version's item has a name and a kind too.
    let text = |field: &str| record.body.get(field).and_then(Value::as_str);
    let name = text("name").unwrap_or("without a name");
    let kind = text("kind").unwrap_or("other");
    let (size, tag) = (text("size"), text("tag"));
    conn.prepare_cached(
        "INSERT INTO items (kitroom, id, name, fold, kind, size, tag, tag_fold) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8)
         ON CONFLICT (kitroom, id) DO UPDATE
         SET name = ?3, fold = ?4, kind = ?5, size = ?6, tag = ?7, tag_fold = ?8",
    )?
    .execute(params![kitroom, record.id, name, fold(name), kind, size, tag, tag.map(fold)])?;
    Ok(())
}

pub(super) fn drop_line(conn: &Connection, kitroom: Uuid, id: Uuid) -> Result<()> {
    conn.prepare_cached("DELETE FROM items WHERE kitroom = ?1 AND id = ?2")?.execute(params![kitroom, id])?;
    Ok(())
}

pub(super) fn save_mass(conn: &Connection, kitroom: Uuid, id: Uuid, mass: &ItemMass) -> Result<()> {
    conn.prepare_cached(
        "UPDATE items SET mass_g = ?3, mass_u_g = ?4, mass_basis = ?5, mass_n = ?6, last_weighed_at = ?7, mass = ?8
         WHERE kitroom = ?1 AND id = ?2",
    )?
    .execute(params![
        kitroom,
        id,
        mass.mass_g,
        mass.mass_u_g,
        mass.mass_basis.name(),
        mass.mass_n,
        mass.last_weighed_at.map(|at| at.to_string()),
        serde_json::to_string(mass)?
    ])?;
    Ok(())
}

/// Keeps the state of an item.
pub(super) fn save_state(conn: &Connection, kitroom: Uuid, id: Uuid, view: &StateView) -> Result<()> {
    conn.prepare_cached("UPDATE items SET state = ?3, state_name = ?4 WHERE kitroom = ?1 AND id = ?2")?
        .execute(params![kitroom, id, serde_json::to_string(view)?, view.state.name()])?;
    Ok(())
}

/// Keeps the stock of an item.
pub(super) fn save_stock(conn: &Connection, kitroom: Uuid, id: Uuid, view: &StockView) -> Result<()> {
    conn.prepare_cached("UPDATE items SET stock = ?3, stock_left = ?4 WHERE kitroom = ?1 AND id = ?2")?
        .execute(params![kitroom, id, serde_json::to_string(view)?, view.stock])?;
    Ok(())
}

const COLUMNS: &str = "id, name, kind, size, tag, mass, state, stock";

fn read(row: &Row<'_>) -> rusqlite::Result<ItemLine> {
    let mass: Option<String> = row.get(5)?;
    let state: Option<String> = row.get(6)?;
    let stock: Option<String> = row.get(7)?;
    Ok(ItemLine {
        id: row.get(0)?,
        name: row.get(1)?,
        kind: row.get(2)?,
        size: row.get(3)?,
        tag: row.get(4)?,
        mass: mass.and_then(|text| serde_json::from_str(&text).ok()),
        state: state.and_then(|text| serde_json::from_str(&text).ok()).unwrap_or_else(|| item_state(&[])),
        stock: stock.and_then(|text| serde_json::from_str(&text).ok()).unwrap_or_default(),
    })
}

/// Which items are wanted.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Wanted {
    /// Only this kind.
    pub kind: Option<String>,
    /// Only those with this in the name or the tag.
    pub part: Option<String>,
    /// Only those that were never weighed.
    pub unweighed: bool,
    /// Only those in this state.
    pub state: Option<ItemState>,
    /// Also those that are retired.
    pub retired: bool,
}

impl Store {
    /// All live items, by name.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub fn items(&self, kitroom: Uuid) -> Result<Vec<ItemLine>> {
        let sql = format!("SELECT {COLUMNS} FROM items WHERE kitroom = ?1 ORDER BY fold, id");
        let mut statement = self.conn.prepare_cached(&sql)?;
        Ok(statement.query_map([kitroom], read)?.collect::<rusqlite::Result<_>>()?)
    }

    /// Hands each wanted item to `each`, by name, without keeping the list in memory.
    ///
    /// # Errors
    /// When the store cannot be read, or those of `each`.
    pub fn each_item(
        &self,
        kitroom: Uuid,
        wanted: &Wanted,
        mut each: impl FnMut(ItemRow<'_>) -> Result<()>,
    ) -> Result<()> {
        let mut statement = self.conn.prepare_cached(
            "SELECT name, kind, size, tag, mass_g, mass_u_g, mass_basis, mass_n, last_weighed_at, state_name,
                    stock_left
             FROM items
             WHERE kitroom = ?1 AND (?2 IS NULL OR kind = ?2)
               AND (?3 IS NULL OR instr(fold, ?3) > 0 OR instr(tag_fold, ?3) > 0)
               AND (NOT ?4 OR last_weighed_at IS NULL)
               AND (?5 OR state_name <> 'retired') AND (?6 IS NULL OR state_name = ?6)
             ORDER BY fold, id",
        )?;
        let part = wanted.part.as_deref().map(fold);
        let retired = wanted.retired || wanted.state == Some(ItemState::Retired);
        let state = wanted.state.map(ItemState::name);
        let mut rows =
            statement.query(params![kitroom, wanted.kind, part, wanted.unweighed, retired, state])?;
        while let Some(row) = rows.next()? {
            let text = |at: usize| -> Result<&str> {
                Ok(row.get_ref(at)?.as_str_or_null().map_err(rusqlite::Error::from)?.unwrap_or(""))
            };
            each(ItemRow {
                name: text(0)?,
                kind: text(1)?,
                size: text(2)?,
                tag: text(3)?,
                mass_g: row.get(4)?,
                mass_u_g: row.get(5)?,
                basis: text(6)?,
                n: row.get(7)?,
                last_weighed_at: text(8)?,
                state: text(9)?,
                stock: row.get(10)?,
            })?;
        }
        Ok(())
    }

    /// How many live items there are.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub fn item_count(&self, kitroom: Uuid) -> Result<i64> {
        let sql = "SELECT count(*) FROM items WHERE kitroom = ?1";
        Ok(self.conn.query_row(sql, [kitroom], |row| row.get(0))?)
    }

    /// How many live items are retired.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub fn retired_count(&self, kitroom: Uuid) -> Result<i64> {
        let sql = "SELECT count(*) FROM items WHERE kitroom = ?1 AND state_name = 'retired'";
        Ok(self.conn.query_row(sql, [kitroom], |row| row.get(0))?)
    }

    /// How many live items that are not retired were weighed at or after this time, of how many.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub fn weighed_since(&self, kitroom: Uuid, since: Timestamp) -> Result<(i64, i64)> {
        // Times are kept in UTC to the millisecond, so that their text sorts as they do.
        let sql = "SELECT count(*) FILTER (WHERE last_weighed_at >= ?2), count(*) FROM items
             WHERE kitroom = ?1 AND state_name <> 'retired'";
        let row = |row: &Row<'_>| Ok((row.get(0)?, row.get(1)?));
        Ok(self.conn.query_row(sql, params![kitroom, since.to_string()], row)?)
    }

    /// The live items not retired whose mass lies within this share of it, or `least_g`, of this one; nearest first.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub fn items_near(&self, kitroom: Uuid, mass_g: f64, least_g: f64, share: f64) -> Result<Vec<ItemLine>> {
        let sql = format!(
            "SELECT {COLUMNS} FROM items
             WHERE kitroom = ?1 AND state_name <> 'retired' AND abs(mass_g - ?2) <= max(?3, mass_g * ?4)
             ORDER BY abs(mass_g - ?2), id"
        );
        let mut statement = self.conn.prepare_cached(&sql)?;
        Ok(statement
            .query_map(params![kitroom, mass_g, least_g, share], read)?
            .collect::<rusqlite::Result<_>>()?)
    }

    /// One live item.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub fn item(&self, kitroom: Uuid, id: Uuid) -> Result<Option<ItemLine>> {
        let sql = format!("SELECT {COLUMNS} FROM items WHERE kitroom = ?1 AND id = ?2");
        Ok(self.conn.prepare_cached(&sql)?.query_row(params![kitroom, id], read).optional()?)
    }

    /// The live items that `text` may mean: those of exactly this name or tag, else those with it in either.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub fn find_items(&self, kitroom: Uuid, text: &str) -> Result<Vec<ItemLine>> {
        let text = fold(text);
        let conditions = ["(fold = ?2 OR tag_fold = ?2)", "(instr(fold, ?2) > 0 OR instr(tag_fold, ?2) > 0)"];
        for condition in conditions {
            let sql =
                format!("SELECT {COLUMNS} FROM items WHERE kitroom = ?1 AND {condition} ORDER BY fold, id");
            let mut statement = self.conn.prepare_cached(&sql)?;
            let found: Vec<ItemLine> =
                statement.query_map(params![kitroom, text], read)?.collect::<rusqlite::Result<_>>()?;
            if !found.is_empty() {
                return Ok(found);
            }
        }
        Ok(Vec::new())
    }
}

/// The full body of an item, when this version can read it.
#[must_use]
pub fn body(record: &Stored) -> Option<ItemBody> {
    shape::read(&record.body).ok()
}
