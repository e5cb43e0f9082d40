//! Moving what was done offline into another kitroom: op ids and record ids stay, numbers and bases are given anew.

use domain::sync::client::Event;
use rusqlite::Connection;
use uuid::Uuid;

use super::machine::Machine;
use super::rebase::Affected;
use super::{Store, kitrooms, outbox, settings};
use crate::error::{Error, Result};

impl Store {
    /// Moves every op of a kitroom that the service has never had into another one. Answers how many.
    ///
    /// # Errors
    /// Refused when the service has a part of it already.
    pub fn rehome(&mut self, machine: &mut Machine, from: Uuid, to: Uuid) -> Result<usize> {
        let source = self.kitroom(from)?;
        if source.base_seq > 0 || source.cursor.is_some() {
            return Err(Error::refused(format!("{} cannot be joined to another kitroom", source.name))
                .because("a service has a part of it already"));
        }
        let moved = machine.replica().outbox(from).len();
        self.step(machine, Event::Moved { from, to }, None)?;
        Ok(moved)
    }

    /// Gives a kitroom that is only here another id, because its own is taken on the service.
    ///
    /// # Errors
    /// Refused when the service has a part of it already.
    pub fn give_new_id(&mut self, machine: &mut Machine, id: Uuid) -> Result<Uuid> {
        let room = self.kitroom(id)?;
        let new = self.new_id();
        kitrooms::insert(&self.conn, new, &room.name, room.purpose, room.role, room.place)?;
        self.rehome(machine, id, new)?;
        Ok(new)
    }
}

/// Carries a move out: the ops go, what was remembered of the old kitroom goes with them, and the old one is no more.
pub(super) fn carry_out(
    conn: &Connection,
    (from, to): (Uuid, Uuid),
    numbers: &[(Uuid, i64)],
    affected: &mut Affected,
) -> Result<()> {
    outbox::move_all(conn, (from, to), numbers, affected)?;
    if let Some(scale) = settings::get(conn, &format!("scale.{from}"))? {
        settings::set(conn, &format!("scale.{to}"), Some(&scale))?;
    }
    let in_use = settings::get(conn, "kitroom")?.is_some_and(|current| current == from.to_string());
    kitrooms::remove(conn, from)?;
    if in_use {
        settings::set(conn, "kitroom", Some(&to.to_string()))?;
    }
    Ok(())
}
