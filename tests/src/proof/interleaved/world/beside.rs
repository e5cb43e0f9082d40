//! The transactions beside a history.

use super::super::Fault;
use super::super::held::{self, Let, is_taken};
use super::World;
use super::network::written;
use crate::proof::history::{Moment, Write};

impl World<'_> {
    pub(super) async fn hold(&mut self) {
        let sql = self.app.connection().await;
        let now = self.clock(usize::MAX);
        let (fault, held) = match self.chance.below(6) {
            0 => (Fault::LockHeld, held::lock(sql, self.kitroom).await),
            1 => (Fault::SnapshotHeld, held::snapshot(sql, self.kitroom).await),
            _ => {
                let ops = held::own_ops(&mut self.chance, now);
                for write in ops.iter().map(written) {
                    self.recorder.write(usize::MAX, Moment::Invoke, write);
                }
                let url = self.app.database().url();
                let account = self.accounts[0].account;
                let held = held::numbers(url, self.kitroom, account, ops, now).await;
                (Fault::NumbersHeld, held)
            }
        };
        self.note(fault);
        self.behind = 0;
        self.held = Some(held);
    }

    pub(super) async fn let_go(&mut self) {
        let Some(held) = self.held.take() else { return };
        if self.behind > 0 && !held.is_snapshot() {
            self.note(Fault::PushWaited);
        }
        let commit = self.is_healed || !self.chance.one_in(3);
        match held.let_go(self.kitroom, commit).await {
            Let::Go => {}
            Let::Committed(done) => {
                for (op, result) in done {
                    let moment = if is_taken(&result) { Moment::Ok } else { Moment::Fail };
                    self.recorder.write(usize::MAX, moment, Write { seq: result.seq, ..written(&op) });
                }
            }
            Let::RolledBack(ops) => {
                self.note(Fault::NumbersGivenBack);
                for write in ops.iter().map(written) {
                    self.recorder.write(usize::MAX, Moment::Fail, write);
                }
            }
        }
    }
}
