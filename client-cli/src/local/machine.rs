//! The sync machine over the store: made from it, and each step of it one transaction.

use domain::sync::client::{Effect, Entry, Event, Kept, Layer, Luck, Patience, Replica, Stage, Write};
use rand::Rng;
use rusqlite::{Connection, Row};
use uuid::Uuid;

use super::page::{self, PageApplied};
use super::rebase::{self, Affected};
use super::{Store, drain, kitrooms, outbox, recovery, rehome, replace, settings};
use crate::error::Result;
use crate::remote::Page;

/// The machine, and how much of the outbox it knows.
#[derive(Debug)]
pub struct Machine {
    replica: Replica,
    /// The place of the last op in the outbox that it has seen.
    seen: i64,
}

impl Machine {
    /// The state of the machine.
    #[must_use]
    pub fn replica(&self) -> &Replica {
        &self.replica
    }
}

/// What a step has done, and wants done.
#[derive(Debug, Default)]
pub struct Stepped {
    /// To be done, in this order.
    pub effects: Vec<Effect>,
    /// What a page brought.
    pub page: PageApplied,
}

const ENTRY: &str = "op_id, op_no, grp, record_id, base_seq, bytes, state, seq, reach, ord, kitroom";

fn entry(row: &Row<'_>) -> rusqlite::Result<(Uuid, i64, Entry)> {
    let state: String = row.get(6)?;
    let bytes: i64 = row.get(5)?;
    let stage = match state.as_str() {
        "acked" => Stage::Acked {
            version: row.get::<_, Option<i64>>(7)?.unwrap_or(0),
            at: row.get::<_, Option<i64>>(8)?.unwrap_or(0),
        },
        "sent" => Stage::Sent,
        _ => Stage::Pending,
    };
    let entry = Entry {
        op_id: row.get(0)?,
        op_no: row.get(1)?,
        group: row.get(2)?,
        record_id: row.get(3)?,
        base_seq: row.get(4)?,
        bytes: usize::try_from(bytes).unwrap_or(usize::MAX),
        stage,
    };
    Ok((row.get(10)?, row.get(9)?, entry))
}

fn unsettled(conn: &Connection, after: i64) -> Result<Vec<(Uuid, i64, Entry)>> {
    let sql = format!(
        "SELECT {ENTRY} FROM outbox WHERE ord > ?1 AND state IN ('pending', 'sent', 'acked') ORDER BY ord"
    );
    let mut statement = conn.prepare_cached(&sql)?;
    let rows = statement.query_map([after], entry)?;
    Ok(rows.collect::<rusqlite::Result<_>>()?)
}

impl Store {
    /// The machine, made from what is stored.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub fn machine(&self, patience: Patience) -> Result<Machine> {
        let entries = unsettled(&self.conn, 0)?;
        let seen = entries.iter().map(|(_, ord, _)| *ord).max().unwrap_or(0);
        let mut rooms: Vec<(Uuid, Kept, Vec<Entry>)> = Vec::new();
        for room in self.kitrooms()? {
            rooms.push((room.id, kitrooms::kept(&self.conn, room.id)?, Vec::new()));
        }
        for (kitroom, _, entry) in entries {
            if let Some((_, _, outbox)) = rooms.iter_mut().find(|(id, _, _)| *id == kitroom) {
                outbox.push(entry);
            }
        }
        Ok(Machine { replica: Replica::restore(self.replica_id()?, rooms, patience), seen })
    }

    /// One step: what another run has put into the outbox meanwhile is noticed, the event is taken, and everything that is
    /// to be written is, in one transaction. After an error the machine is no longer the store's.
    ///
    /// # Errors
    /// When the store cannot be read or written, or a page holds a record that cannot be read.
    pub fn step(&mut self, machine: &mut Machine, event: Event, page: Option<&Page>) -> Result<Stepped> {
        let account = self.account_id()?;
        let luck = Luck { roll: rand::rng().random(), id: self.new_id() };
        let now_ms = self.env().now().millis();
        if page.is_some() {
            // Rows and cursor are lost or kept together: after a power cut the page is pulled again.
            self.conn.pragma_update(None, "synchronous", "NORMAL")?;
        }
        let leaves = matches!(event, Event::Exported { .. });
        let stepped = self.step_in(machine, event, page, (account, luck, now_ms));
        if leaves && stepped.is_ok() {
            // What leaves this device leaves no trace in the file: free pages and old frames would still hold it.
            self.conn.execute_batch("VACUUM")?;
            self.conn.pragma_update_and_check(None, "wal_checkpoint", "TRUNCATE", |_| Ok(()))?;
        }
        if page.is_some() {
            self.conn.pragma_update(None, "synchronous", "FULL")?;
        }
        stepped
    }

    fn step_in(
        &mut self,
        machine: &mut Machine,
        event: Event,
        page: Option<&Page>,
        (account, luck, now_ms): (Uuid, Luck, i64),
    ) -> Result<Stepped> {
        let tx = self.begin()?;
        for (kitroom, ord, entry) in unsettled(&tx, machine.seen)? {
            machine.seen = machine.seen.max(ord);
            machine.replica.step(Event::Noticed { kitroom, entries: vec![entry] }, luck);
        }
        let step = machine.replica.step(event, luck);
        let mut done = Done { stepped: Stepped::default(), touched: Vec::new(), is_last: true };
        for write in step.writes {
            done.carry_out(&tx, write, page, now_ms)?;
        }
        let replica = machine.replica.id();
        for (kitroom, affected) in std::mem::take(&mut done.touched) {
            rebase::rebase(&tx, kitroom, affected, account, replica)?;
            // Sums over many records wait for the last page; whoever reads in between brings them up to date.
            if done.is_last {
                recovery::drop_what_is_back(&tx, kitroom)?;
                drain::drain(&tx, kitroom)?;
            }
        }
        tx.commit()?;
        done.stepped.effects = step.effects;
        Ok(done.stepped)
    }
}

/// What the writes of a step have touched so far.
struct Done {
    stepped: Stepped,
    touched: Vec<(Uuid, Affected)>,
    is_last: bool,
}

impl Done {
    fn affected(&mut self, kitroom: Uuid) -> &mut Affected {
        if let Some(at) = self.touched.iter().position(|(id, _)| *id == kitroom) {
            return &mut self.touched[at].1;
        }
        self.touched.push((kitroom, Affected::default()));
        let last = self.touched.len() - 1;
        &mut self.touched[last].1
    }

    fn carry_out(&mut self, conn: &Connection, write: Write, page: Option<&Page>, now_ms: i64) -> Result<()> {
        match write {
            Write::Room(kitroom, kept) => kitrooms::keep(conn, kitroom, &kept),
            // Only a person's own change enters the outbox, and that is stored where it is made.
            Write::Enqueue { .. } => Ok(()),
            Write::Sent { kitroom, ops } => outbox::set_state(conn, kitroom, &ops, "sent"),
            Write::Waiting { kitroom, ops } => outbox::set_state(conn, kitroom, &ops, "pending"),
            Write::Acked { kitroom, op_id, version, at } => outbox::acked(conn, kitroom, op_id, version, at),
            Write::Rejected { kitroom, op_id, problem } => {
                outbox::rejected(conn, kitroom, op_id, problem.as_ref())?;
                self.affected(kitroom).add_op(conn, kitroom, op_id)
            }
            Write::Forget { kitroom, ops } => {
                for op_id in ops {
                    self.affected(kitroom).add_op(conn, kitroom, op_id)?;
                    outbox::forget(conn, kitroom, op_id)?;
                }
                Ok(())
            }
            Write::Numbers { kitroom, numbers } => outbox::number(conn, kitroom, &numbers),
            Write::Bases { kitroom, bases } => {
                for (op_id, base_seq) in bases {
                    outbox::rest_on(conn, kitroom, op_id, base_seq)?;
                    self.affected(kitroom).add_op(conn, kitroom, op_id)?;
                }
                Ok(())
            }
            Write::Page { kitroom, into } => {
                let Some(page) = page else { return Ok(()) };
                self.is_last &= !page.has_more;
                match into {
                    Layer::Base => {
                        let affected = self.affected(kitroom);
                        let applied = page::into_base(conn, kitroom, &page.rows, affected)?;
                        self.stepped.page.received += applied.received;
                        Ok(())
                    }
                    Layer::Incoming => page::into_incoming(conn, kitroom, &page.rows),
                }
            }
            Write::BeginReplace { kitroom } => replace::begin(conn, kitroom),
            Write::FinishReplace { kitroom, recover_after } => {
                let affected = self.affected(kitroom);
                let changed = replace::finish(conn, kitroom, recover_after, now_ms, affected)?;
                self.stepped.page.received += changed;
                Ok(())
            }
            Write::Replica(id) => settings::set(conn, "replica_id", Some(&id.to_string())),
            Write::Move { from, to, numbers } => {
                let affected = self.affected(to);
                rehome::carry_out(conn, (from, to), &numbers, affected)
            }
            Write::Purge(kitroom) => kitrooms::remove(conn, kitroom),
        }
    }
}
