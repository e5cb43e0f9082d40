//! What a device asks goes out, and what it hears comes in: late, twice or not at all.

use std::collections::BTreeSet;

use domain::kinds;
use domain::sync::client::{Effect, Event, Failure};
use domain::sync::op::{Action, Op, OpStatus};
use domain::sync::record::Lookup;
use uuid::Uuid;

use super::super::Fault;
use super::super::held::Held;
use super::super::wire::{Reply, Request};
use super::{Arrived, GLANCE, PATIENCE, World};
use crate::proof::histories::device::Device;
use crate::proof::history::{Moment, Read, Write};

impl World<'_> {
    /// Puts what a device wants done on its way.
    pub(super) fn send(&mut self, at: usize) {
        while !self.devices[at].todo.is_empty() {
            let effect = self.devices[at].todo.remove(0);
            let kitroom = self.kitroom;
            let request = match effect {
                Effect::Poll { ticket } => Request::Poll { ticket },
                Effect::Push { ticket, replica, ops, cursor, ack, .. } => {
                    let ops = self.devices[at].ops(&ops);
                    for op in &ops {
                        self.made.entry(op.op_id).and_modify(|(_, write)| write.base_seq = op.base_seq);
                    }
                    Request::Push { ticket, replica, ops, cursor, ack }
                }
                Effect::Pull { ticket, cursor, ack, .. } => Request::Pull { ticket, cursor, ack },
                Effect::Compare { ticket, .. } => {
                    let common = self.devices[at].common();
                    self.take(at, Event::Compared { kitroom, ticket, common });
                    continue;
                }
                Effect::Export { kitroom } => {
                    self.take(at, Event::Exported { kitroom });
                    continue;
                }
                Effect::Wait { kitroom, ticket, .. } => {
                    self.take(at, Event::Waited { kitroom, ticket });
                    continue;
                }
                Effect::Learn { kitroom } => {
                    self.take(at, Event::Joined { kitroom });
                    continue;
                }
                Effect::Ended { .. } => continue,
            };
            self.transmit(at, request);
        }
    }

    /// A request goes over the network, which may lose it, its answer, or deliver it twice.
    fn transmit(&mut self, device: usize, request: Request) {
        let fate = if self.is_healed { 99 } else { self.chance.below(24 * self.calm) };
        let (line, arrive) = (self.lines[device].clone(), self.arrive.clone());
        let run = self.devices[device].run;
        if let (0 | 1, Request::Push { ops, .. }) = (fate, &request) {
            for write in ops.iter().map(written) {
                self.recorder.write(device, Moment::Info, write);
            }
        }
        let failure = match fate {
            0 => Some((Fault::RequestLost, Failure::Lost)),
            3 => Some((Fault::Busy, Failure::Busy { after_ms: Some(1000) })),
            1 => {
                self.note(Fault::AnswerLost);
                None
            }
            2 => {
                self.note(Fault::RequestDoubled);
                let (line, again) = (line.clone(), request.clone());
                tokio::spawn(async move { line.ask(again).await });
                None
            }
            _ => None,
        };
        self.under_way += 1;
        self.behind += usize::from(failure.is_none() && self.held.is_some() && request.is_push());
        if let Some((fault, failure)) = failure {
            self.note(fault);
            let reply = request.failed(failure);
            drop(arrive.send(Arrived { device, run, reply }));
            return;
        }
        tokio::spawn(async move {
            let lost = request.failed(Failure::Lost);
            let reply = line.ask(request).await;
            drop(arrive.send(Arrived { device, run, reply: if fate == 1 { lost } else { reply } }));
        });
    }

    /// The next answer arrives, unless all are held up.
    pub(super) async fn carry(&mut self) {
        if self.under_way == 0 {
            return;
        }
        let may_be_held_up = self.held.as_ref().is_some_and(|held| !held.is_snapshot());
        let patience = if may_be_held_up { GLANCE } else { PATIENCE };
        match tokio::time::timeout(patience, self.arrived.recv()).await {
            Ok(Some(arrived)) => {
                self.under_way -= 1;
                self.deliver(arrived);
            }
            _ if may_be_held_up => {}
            _ => panic!("an answer has not come in {} s though nothing was held", PATIENCE.as_secs()),
        }
    }

    fn deliver(&mut self, Arrived { device: at, run, reply }: Arrived) {
        if self.devices[at].run != run {
            return;
        }
        let kitroom = self.kitroom;
        let dies = self.dies();
        match reply {
            Reply::Polled { ticket, rooms, schema, limits } => {
                let event = Event::Polled { ticket, rooms, removed: Vec::new(), schema, limits };
                self.devices[at].take(event, &mut self.chance, dies);
            }
            Reply::Pushed { ticket, answer } => {
                if self.held.as_ref().is_some_and(Held::is_snapshot) {
                    self.note(Fault::PushedBeside);
                }
                for result in &answer.results {
                    let moment = match result.status {
                        OpStatus::NotAttempted => continue,
                        OpStatus::Rejected => Moment::Fail,
                        _ => Moment::Ok,
                    };
                    if let Some((by, write)) = self.made.get(&result.op_id).cloned() {
                        self.recorder.write(by, moment, Write { seq: result.seq, ..write });
                    }
                }
                self.devices[at].hear(ticket, answer, &mut self.chance, dies);
            }
            Reply::Pulled { ticket, page } => {
                if self.held.is_some() {
                    self.note(Fault::PulledBeside);
                }
                self.devices[at].get(ticket, page, &mut self.chance, dies);
                self.read(at);
            }
            Reply::Failed { ticket, poll, failure } => {
                let kitroom = (!poll).then_some(kitroom);
                self.devices[at].take(Event::Failed { kitroom, ticket, failure }, &mut self.chance, dies);
            }
        }
        self.send(at);
    }

    /// Notes what a device holds.
    fn read(&mut self, at: usize) {
        let device = &self.devices[at];
        if device.is_whole() {
            let read = Read { life: 0, seq: device.reached(), sees: sees(device) };
            self.recorder.read(at, read);
        }
    }
}

/// An op as it is recorded.
pub(super) fn written(op: &Op) -> Write {
    Write {
        op_id: op.op_id,
        kind: op.kind.clone(),
        record: op.record_id,
        action: op.action,
        base_seq: op.base_seq,
        payload: op.payload.clone(),
        seq: None,
    }
}

/// The records that a device shows. A reading whose item is not here, or which stands or falls with another op, may be
/// left out of the view for good reasons; being in the outbox is enough then.
fn sees(device: &Device) -> BTreeSet<Uuid> {
    let mut seen: BTreeSet<Uuid> = device.disk.base.keys().map(|key| key.1).collect();
    let view = device.view();
    let alone = |group: &str| device.disk.outbox.iter().filter(|kept| kept.op.group == group).count() == 1;
    for op in device.disk.outbox.iter().map(|kept| &kept.op) {
        let there = |field: &str, kind: &str| {
            kinds::reference_id(&op.payload, field).map(|id| view.get(kind, id).is_some())
        };
        let is_plain = op.kind == "weighing" && op.action == Action::Append && alone(&op.group);
        let must = is_plain
            && there("item_id", "item") == Some(true)
            && there("supersedes_id", "weighing") != Some(false);
        if !must || view.get("weighing", op.record_id).is_some() {
            seen.insert(op.record_id);
        }
    }
    seen
}
