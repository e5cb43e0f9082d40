//! What a device's store says, looked at from outside after each run: which ops there are, what became of them, what the
//! service has told it.

use std::collections::{BTreeMap, BTreeSet};

use rusqlite::{Connection, Row};
use uuid::Uuid;

use crate::proof::history::{Moment, Read, Recorder, Write};
use crate::proof::truth::{Final, Held, spelled};

/// All that was ever seen of a device.
#[derive(Debug, Default)]
pub(super) struct Ledger {
    /// Each op, and whether its end was noted.
    ops: BTreeMap<Uuid, (Write, bool)>,
    refused: BTreeSet<Uuid>,
    gone: BTreeSet<Uuid>,
    life: u32,
    /// Of the base that was seen last: its epoch, how often it was replaced, and whether that was still under way.
    base: Option<(Option<Uuid>, i64, bool)>,
}

/// An op of the outbox, as it stands in the store.
struct Kept {
    write: Write,
    state: String,
}

fn outbox(store: &Connection, kitroom: Uuid) -> Vec<Kept> {
    let query = "SELECT op_id, kind, record_id, action, base_seq, payload, state, seq FROM outbox WHERE kitroom = ?1 ORDER BY ord";
    let read = |row: &Row<'_>| {
        let (action, payload): (String, String) = (row.get(3)?, row.get(5)?);
        let write = Write {
            op_id: row.get(0)?,
            kind: row.get(1)?,
            record: row.get(2)?,
            action: serde_json::from_value(action.into()).expect("an action"),
            base_seq: row.get(4)?,
            payload: serde_json::from_str(&payload).expect("an object"),
            seq: row.get(7)?,
        };
        Ok(Kept { write, state: row.get(6)? })
    };
    let mut statement = store.prepare(query).expect("an outbox");
    let rows = statement.query_map([kitroom], read).expect("an outbox");
    rows.map(|row| row.expect("an op")).collect()
}

/// The kitroom of a device.
pub(super) fn kitroom(store: &Connection) -> Uuid {
    store.query_row("SELECT id FROM kitrooms", [], |row| row.get(0)).expect("one kitroom")
}

impl Ledger {
    /// How many ops were made.
    pub(super) fn len(&self) -> usize {
        self.ops.len()
    }

    /// Looks, and notes what is new.
    pub(super) fn look(&mut self, at: usize, store: &Connection, kitroom: Uuid, recorder: &mut Recorder) {
        let kept = outbox(store, kitroom);
        let here: BTreeSet<Uuid> = kept.iter().map(|one| one.write.op_id).collect();
        for Kept { write, state } in kept {
            let is_new = !self.ops.contains_key(&write.op_id);
            if is_new {
                recorder.write(at, Moment::Invoke, Write { seq: None, ..write.clone() });
            }
            let (known, is_ended) = self.ops.entry(write.op_id).or_insert((write.clone(), false));
            known.base_seq = write.base_seq;
            let moment = match state.as_str() {
                "acked" => Moment::Ok,
                "rejected" | "aside" => Moment::Fail,
                "sent" => Moment::Info,
                _ => continue,
            };
            if moment == Moment::Fail {
                self.refused.insert(write.op_id);
            }
            if !*is_ended {
                *is_ended = moment != Moment::Info;
                // The number in the store is cleared when its page has come: the service remembers it.
                recorder.write(at, moment, Write { seq: None, ..write });
            }
        }
        // What leaves the outbox without having been refused has come back in a page.
        for (write, is_ended) in self.ops.values_mut() {
            if !*is_ended && !here.contains(&write.op_id) && !self.gone.contains(&write.op_id) {
                *is_ended = true;
                recorder.write(at, Moment::Ok, write.clone());
            }
        }
        recorder.read(at, self.read(store, kitroom));
    }

    fn read(&mut self, store: &Connection, kitroom: Uuid) -> Read {
        let query = "SELECT epoch, generation, replacing IS NOT NULL, base_seq FROM kitrooms WHERE id = ?1";
        let read = |row: &Row<'_>| Ok(((row.get(0)?, row.get(1)?, row.get(2)?), row.get(3)?));
        let (base, seq) = store.query_row(query, [kitroom], read).expect("a kitroom");
        if self.base.is_some_and(|before| before != base) {
            self.life += 1;
        }
        self.base = Some(base);
        // An op that no longer fits what the service has is shown as such, not in the view.
        let query = "SELECT id FROM view WHERE kitroom = ?1 \
                     UNION SELECT record_id FROM outbox WHERE kitroom = ?1 AND applies = 0";
        let mut statement = store.prepare(query).expect("a view");
        let rows = statement.query_map([kitroom], |row| row.get(0)).expect("a view");
        Read { life: self.life, seq, sees: rows.map(|row| row.expect("an id")).collect() }
    }

    /// An older copy of the folder was put back: what was only in the newer one is gone.
    pub(super) fn was_put_back(&mut self, store: &Connection, kitroom: Uuid) {
        let here: BTreeSet<Uuid> = outbox(store, kitroom).into_iter().map(|one| one.write.op_id).collect();
        let lost = self
            .ops
            .iter()
            .filter(|(op, (_, is_ended))| (!is_ended || self.refused.contains(*op)) && !here.contains(*op));
        self.gone.extend(lost.map(|(op, _)| *op));
        self.life += 1;
        self.base = None;
    }

    /// What the device holds in the end.
    pub(super) fn last(&self, name: String, store: &Connection, kitroom: Uuid) -> Final {
        let mut pending = BTreeSet::new();
        let mut refused = BTreeSet::new();
        for Kept { write, state } in outbox(store, kitroom) {
            let set =
                if matches!(state.as_str(), "rejected" | "aside") { &mut refused } else { &mut pending };
            set.insert(write.op_id);
        }
        let made = self.ops.keys().copied().collect();
        Final { name, held: held(store, kitroom), made, pending, refused, gone: self.gone.clone() }
    }
}

fn held(store: &Connection, kitroom: Uuid) -> Vec<Held> {
    let mut statement = store
        .prepare("SELECT kind, id, seq, deleted, record FROM base WHERE kitroom = ?1 ORDER BY kind, id")
        .expect("a base");
    let read = |row: &Row<'_>| {
        let deleted: bool = row.get(3)?;
        let record: Option<String> = row.get(4)?;
        let wire = record
            .filter(|_| !deleted)
            .map(|text| serde_json::from_str(&text).map_or(text, |record| spelled(&record)));
        Ok(Held { kind: row.get(0)?, id: row.get(1)?, seq: row.get(2)?, deleted, wire })
    };
    let rows = statement.query_map([kitroom], read).expect("a base");
    rows.map(|row| row.expect("a record")).collect()
}
