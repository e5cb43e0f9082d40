//! The machine, event by event.

mod mending;
mod replacing;
mod sending;

use uuid::Uuid;

use super::*;
use crate::sync::op::{OpResult, OpStatus};
use crate::wire::problem::{ErrorCode, Problem};

pub(super) const ROOM: Uuid = Uuid::from_u128(0x00AA);
pub(super) const OTHER: Uuid = Uuid::from_u128(0x00BB);
pub(super) const ME: Uuid = Uuid::from_u128(0x1000);
pub(super) const NEXT: Uuid = Uuid::from_u128(0x2000);
pub(super) const EPOCH: Uuid = Uuid::from_u128(0xE1);
pub(super) const LATER: Uuid = Uuid::from_u128(0xE2);

pub(super) fn op(n: u128) -> Uuid {
    Uuid::from_u128(0x0900_0000 + n)
}

pub(super) fn record(n: u128) -> Uuid {
    Uuid::from_u128(0x0700_0000 + n)
}

/// A device as a test drives it: every step's effects are kept until they are taken.
pub(super) struct Device {
    pub(super) replica: Replica,
    pub(super) writes: Vec<Write>,
    effects: Vec<Effect>,
}

impl Device {
    /// With one kitroom that was pulled to `base_seq`.
    pub(super) fn at(base_seq: i64) -> Self {
        let kept = Kept {
            linked: true,
            epoch: Some(EPOCH),
            cursor: Some(format!("c{base_seq}")),
            base_seq,
            ..Kept::default()
        };
        let replica = Replica::restore(ME, [(ROOM, kept, Vec::new())], Patience::SHORT);
        Self { replica, writes: Vec::new(), effects: Vec::new() }
    }

    pub(super) fn on(&mut self, event: Event) -> Vec<Effect> {
        self.on_luck(event, u32::MAX)
    }

    pub(super) fn on_luck(&mut self, event: Event, roll: u32) -> Vec<Effect> {
        let step = self.replica.step(event, Luck { roll, id: NEXT });
        self.writes.extend(step.writes);
        self.effects = step.effects.clone();
        step.effects
    }

    /// A change of records, each op in the same group.
    pub(super) fn change(&mut self, group: &str, ops: &[u128]) {
        let ops = ops
            .iter()
            .map(|n| NewOp {
                op_id: op(*n),
                group: group.to_owned(),
                record_id: record(*n),
                seen: None,
                bytes: 100,
            })
            .collect();
        assert!(self.on(Event::Changed { kitroom: ROOM, ops }).is_empty());
    }

    pub(super) fn sync(&mut self) -> Vec<Effect> {
        self.on(Event::Sync { kitroom: ROOM })
    }

    fn asked(&self) -> u64 {
        match self.effects.last() {
            Some(
                Effect::Poll { ticket }
                | Effect::Push { ticket, .. }
                | Effect::Pull { ticket, .. }
                | Effect::Compare { ticket, .. }
                | Effect::Wait { ticket, .. },
            ) => *ticket,
            other => panic!("nothing was asked: {other:?}"),
        }
    }

    /// Answers a push: (op, status, seq) each.
    pub(super) fn pushed(&mut self, head_seq: i64, results: &[(u128, OpStatus, Option<i64>)]) -> Vec<Effect> {
        self.pushed_by(EPOCH, head_seq, results)
    }

    pub(super) fn pushed_by(
        &mut self,
        epoch: Uuid,
        head_seq: i64,
        results: &[(u128, OpStatus, Option<i64>)],
    ) -> Vec<Effect> {
        let result = |(n, status, seq): &(u128, OpStatus, Option<i64>)| OpResult {
            op_id: op(*n),
            status: *status,
            seq: *seq,
            replayed: false,
            problem: (*status == OpStatus::Rejected).then(|| Problem::new(ErrorCode::InUse, "in use")),
            conflict_ids: Vec::new(),
        };
        let results = results.iter().map(result).collect();
        let (kitroom, ticket, ack) = (ROOM, self.asked(), Some(format!("a{head_seq}")));
        self.on(Event::Pushed { kitroom, ticket, epoch, head_seq, results, ack })
    }

    /// Answers a pull with the last page: (record, seq) each.
    pub(super) fn pulled(&mut self, head_seq: i64, rows: &[(u128, i64)]) -> Vec<Effect> {
        self.page(EPOCH, head_seq, rows, false)
    }

    pub(super) fn page(
        &mut self,
        epoch: Uuid,
        head_seq: i64,
        rows: &[(u128, i64)],
        more: bool,
    ) -> Vec<Effect> {
        let reached = if more { rows.last().map_or(0, |(_, seq)| *seq) } else { head_seq };
        let page = PageHead {
            epoch,
            rows: rows.iter().map(|(n, seq)| (record(*n), *seq)).collect(),
            next_cursor: format!("c{reached}"),
            has_more: more,
            head_seq,
        };
        let ticket = self.asked();
        self.on(Event::Pulled { kitroom: ROOM, ticket, page })
    }

    pub(super) fn fails(&mut self, failure: Failure) -> Vec<Effect> {
        let ticket = self.asked();
        self.on(Event::Failed { kitroom: Some(ROOM), ticket, failure })
    }

    pub(super) fn refuses(&mut self, code: ErrorCode) -> Vec<Effect> {
        self.fails(Failure::Refused(Problem::new(code, "no")))
    }

    pub(super) fn numbers(&self) -> Vec<(Uuid, i64)> {
        self.replica.outbox(ROOM).iter().map(|entry| (entry.op_id, entry.op_no)).collect()
    }

    /// As it is after a crash: made anew from what was kept.
    pub(super) fn restarted(self) -> Self {
        let room = (ROOM, self.replica.kept(ROOM).unwrap().clone(), self.replica.outbox(ROOM).to_vec());
        let replica = Replica::restore(self.replica.id(), [room], Patience::SHORT);
        Self { replica, writes: Vec::new(), effects: Vec::new() }
    }
}

pub(super) fn sent(effects: &[Effect]) -> Vec<Uuid> {
    match effects {
        [Effect::Push { ops, .. }] => ops.clone(),
        other => panic!("no push: {other:?}"),
    }
}

pub(super) fn cursor(effects: &[Effect]) -> Option<&str> {
    match effects {
        [Effect::Pull { cursor, .. }] => cursor.as_deref(),
        other => panic!("no pull: {other:?}"),
    }
}

pub(super) fn ack(effects: &[Effect]) -> Option<&str> {
    match effects {
        [Effect::Pull { ack, .. }] => ack.as_deref(),
        other => panic!("no pull: {other:?}"),
    }
}

pub(super) fn ended(effects: &[Effect]) -> &End {
    match effects {
        [Effect::Ended { kitroom: Some(ROOM), end }] => end,
        other => panic!("no end: {other:?}"),
    }
}
