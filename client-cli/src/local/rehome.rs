//! Moving what was done offline into another kitroom: op ids and record ids stay, numbers and bases are given anew.

use rusqlite::params;
use uuid::Uuid;

use super::{Store, drain, kitrooms, rebase, settings};
use crate::error::{Error, Result};

impl Store {
    /// Moves every op of a kitroom that the service has never had into another one. Answers how many.
    ///
    /// # Errors
    /// Refused when the service has a part of it already.
    pub fn rehome(&mut self, from: Uuid, to: Uuid) -> Result<usize> {
        let (account, replica) = (self.account_id()?, self.replica_id()?);
        let tx = self.begin()?;
        let source = kitrooms::find(&tx, from)?;
        if source.base_seq > 0 || source.cursor.is_some() {
            return Err(Error::refused(format!("{} cannot be joined to another kitroom", source.name))
                .because("a service has a part of it already"));
        }
        let target = kitrooms::find(&tx, to)?;
        let mut affected = rebase::Affected::default();
        let mut moved: Vec<(i64, Uuid)> = Vec::new();
        {
            let mut statement =
                tx.prepare("SELECT ord, op_id, kind, record_id FROM outbox WHERE kitroom = ?1 ORDER BY ord")?;
            let mut rows = statement.query([from])?;
            while let Some(row) = rows.next()? {
                moved.push((row.get(0)?, row.get(1)?));
                affected.add(&row.get::<_, String>(2)?, row.get(3)?);
            }
        }
        for (at, (ord, _)) in moved.iter().enumerate() {
            // Base 0: none of these changes has seen anything of the other kitroom.
            tx.prepare_cached("UPDATE outbox SET kitroom = ?2, op_no = ?3, base_seq = 0 WHERE ord = ?1")?
                .execute(params![ord, to, target.last_op_no + 1 + i64::try_from(at).unwrap_or(i64::MAX)])?;
        }
        let last = target.last_op_no + i64::try_from(moved.len()).unwrap_or(0);
        tx.execute("UPDATE kitrooms SET last_op_no = ?2 WHERE id = ?1", params![to, last])?;
        let remembered = settings::get(&tx, &format!("scale.{from}"))?;
        if let Some(scale) = remembered {
            settings::set(&tx, &format!("scale.{to}"), Some(&scale))?;
        }
        let in_use = settings::get(&tx, "kitroom")?.is_some_and(|current| current == from.to_string());
        kitrooms::remove(&tx, from)?;
        if in_use {
            settings::set(&tx, "kitroom", Some(&to.to_string()))?;
        }
        rebase::rebase(&tx, to, affected, account, replica)?;
        drain::drain(&tx, to)?;
        tx.commit()?;
        Ok(moved.len())
    }

    /// Gives a kitroom that is only here another id, because its own is taken on the service.
    ///
    /// # Errors
    /// Refused when the service has a part of it already.
    pub fn give_new_id(&mut self, id: Uuid) -> Result<Uuid> {
        let room = self.kitroom(id)?;
        let new = self.new_id();
        let tx = self.begin()?;
        kitrooms::insert(&tx, new, &room.name, room.purpose, room.role, room.place)?;
        tx.commit()?;
        self.rehome(id, new)?;
        Ok(new)
    }

    /// Becomes another replica: for when this one's numbers were used by a copy of this folder. Ops that were not
    /// answered are numbered anew and keep their ids, so that none is taken twice.
    ///
    /// # Errors
    /// When the store cannot be written.
    pub fn become_new_replica(&mut self, kitroom: Uuid) -> Result<()> {
        let id = self.new_id();
        let tx = self.begin()?;
        settings::set(&tx, "replica_id", Some(&id.to_string()))?;
        let rooms: Vec<Uuid> = {
            let mut statement = tx.prepare("SELECT id FROM kitrooms")?;
            statement.query_map([], |row| row.get(0))?.collect::<rusqlite::Result<_>>()?
        };
        debug_assert!(rooms.contains(&kitroom));
        for room in rooms {
            let ords: Vec<i64> = {
                let mut statement = tx.prepare(
                    "SELECT ord FROM outbox WHERE kitroom = ?1 AND state IN ('pending', 'sent') ORDER BY ord",
                )?;
                statement.query_map([room], |row| row.get(0))?.collect::<rusqlite::Result<_>>()?
            };
            for (no, ord) in (1_i64..).zip(&ords) {
                tx.execute("UPDATE outbox SET op_no = ?2 WHERE ord = ?1", params![ord, no])?;
            }
            tx.execute(
                "UPDATE kitrooms SET last_op_no = ?2 WHERE id = ?1",
                params![room, ords.len() as i64],
            )?;
        }
        Ok(tx.commit()?)
    }
}
