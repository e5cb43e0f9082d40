//! One history: people at work on devices, requests under way, a transaction held open beside them. Afterwards all is let
//! go, everybody syncs, and what is left is handed to the checker.

use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::time::Duration;

use domain::kinds;
use domain::sync::client::{Effect, Event, Failure};
use domain::sync::op::{Action, Op, OpStatus};
use domain::sync::record::Lookup;
use domain::time::Timestamp;
use domain::wire::kitroom::Purpose;
use tokio::sync::mpsc::{UnboundedReceiver, UnboundedSender, unbounded_channel};
use tokio_postgres::Client;
use uuid::Uuid;

use super::held::{self, Held, Let, is_taken};
use super::wire::{Line, Reply, Request};
use super::Fault;
use crate::harness::actors::Actor;
use crate::harness::app::TestApp;
use crate::harness::client::plain_client;
use crate::proof::checker::{Case, ROUNDS, Rule, Violation};
use crate::proof::histories::chance::Chance;
use crate::proof::histories::device::Device;
use crate::proof::histories::person;
use crate::proof::history::{Moment, Read, Recorder, Write};
use crate::proof::truth::{Final, Held as Row, Truth, places, spelled};

/// The most steps of a history.
const STEPS: usize = 40;
/// How long an answer may take that nothing holds up.
const PATIENCE: Duration = Duration::from_secs(30);
/// How long is waited for one that may be held up.
const GLANCE: Duration = Duration::from_millis(10);
/// When the devices' clocks begin: 2026-02-02.
const BEGIN_MS: i64 = 1_770_000_000_000;
const YEAR_MS: i64 = 365 * 86_400_000;

/// An answer for a device, in the run of its process that asked.
struct Arrived {
    device: usize,
    run: u64,
    reply: Reply,
}

pub(super) struct World<'a> {
    app: &'a TestApp,
    sql: Client,
    chance: Chance,
    kitroom: Uuid,
    devices: Vec<Device>,
    lines: Vec<Line>,
    accounts: Vec<Actor>,
    now: i64,
    skews: Vec<i64>,
    recorder: Recorder,
    made: HashMap<Uuid, (usize, Write)>,
    held: Option<Held>,
    /// Pushes that were sent while a transaction was open and have no answer yet.
    behind: usize,
    under_way: usize,
    arrive: UnboundedSender<Arrived>,
    arrived: UnboundedReceiver<Arrived>,
    fired: BTreeMap<Fault, u64>,
    violations: Vec<Violation>,
    is_healed: bool,
    /// How much quieter than the worst the network and the devices are.
    calm: usize,
}

impl<'a> World<'a> {
    pub(super) async fn new(app: &'a TestApp, seed: u64) -> Self {
        let mut chance = Chance::of(seed);
        let kitroom = Uuid::now_v7();
        let accounts = vec![app.actor("Olga").await, app.actor("Kim").await];
        app.insert_kitroom(kitroom, Purpose::Club, &accounts[0]).await;
        app.join(kitroom, &accounts[1], "owner").await;
        let count = 2 + chance.below(2);
        let (arrive, arrived) = unbounded_channel();
        let mut world = Self {
            app,
            sql: app.connection().await,
            kitroom,
            devices: Vec::new(),
            lines: Vec::new(),
            accounts,
            now: BEGIN_MS,
            skews: (0..count).map(|_| [0, 0, -20 * YEAR_MS, 60 * YEAR_MS][chance.below(4)]).collect(),
            recorder: Recorder::default(),
            made: HashMap::new(),
            held: None,
            behind: 0,
            under_way: 0,
            arrive,
            arrived,
            fired: BTreeMap::new(),
            violations: Vec::new(),
            is_healed: false,
            calm: [1, 3, 10][usize::try_from(seed % 3).unwrap_or(0)],
            chance,
        };
        for at in 0..count {
            world.add_device(at % 2);
        }
        world
    }

    fn add_device(&mut self, account: usize) {
        let actor = &self.accounts[account];
        let replica = self.chance.id();
        let mut device = Device::new(actor.account, self.kitroom, replica, None);
        device.take(Event::Joined { kitroom: self.kitroom }, &mut self.chance, 0);
        self.devices.push(device);
        let token = actor.http.token().unwrap_or_default().to_owned();
        let base = self.app.http.base().to_owned();
        self.lines.push(Line { client: plain_client(), base, token, kitroom: self.kitroom });
    }

    pub(super) fn fired(&self) -> &BTreeMap<Fault, u64> {
        &self.fired
    }

    pub(super) fn take_violations(&mut self) -> Vec<Violation> {
        std::mem::take(&mut self.violations)
    }

    fn note(&mut self, fault: Fault) {
        *self.fired.entry(fault).or_default() += 1;
    }

    /// The whole history, up to the case for the checker.
    pub(super) async fn run(&mut self) -> Case {
        let steps = STEPS / 2 + self.chance.below(STEPS / 2 + 1);
        for _ in 0..steps {
            self.step().await;
            self.look().await;
        }
        let rounds = self.heal().await;
        let count = self.devices.len();
        self.add_device(0);
        self.turn(count).await;
        let truth = Truth::read(self.app.database().url(), &self.sql, self.kitroom).await;
        let finals = (0..=count).map(|at| self.last_of(at, at == count)).collect();
        let lines = std::mem::take(&mut self.recorder.lines);
        Case { lines, truth, finals, rounds, was_restored: false }
    }

    async fn step(&mut self) {
        self.now += 1 + i64::try_from(self.chance.below(90_000)).unwrap_or(0);
        let device = self.chance.below(self.devices.len());
        match self.chance.below(100) {
            0..=34 => self.work(device),
            35..=54 => self.begin(device),
            55..=78 => {
                for _ in 0..6 {
                    self.carry().await;
                }
            }
            79..=80 => {
                self.note(Fault::CrashAfterWrites);
                self.devices[device].crash();
            }
            _ if self.held.is_some() => self.let_go().await,
            _ => self.hold().await,
        }
    }

    fn clock(&self, at: usize) -> Timestamp {
        let skew = self.skews.get(at).copied().unwrap_or(0);
        Timestamp::from_millis(self.now + skew).unwrap_or_else(|_| unreachable!("a clock within range"))
    }

    /// A person does something.
    fn work(&mut self, at: usize) {
        let clock = self.clock(at);
        // What is drawn may have nothing to work on yet.
        let draws = (0..5).map(|_| person::act(&self.devices[at], &mut self.chance, clock));
        let ops = draws.into_iter().find(|ops| !ops.is_empty()).unwrap_or_default();
        let ids: Vec<Uuid> = ops.iter().map(|op| op.op_id).collect();
        if ids.is_empty() {
            return;
        }
        self.devices[at].change(ops, &mut self.chance);
        for op in self.devices[at].ops(&ids) {
            self.made.insert(op.op_id, (at, written(&op)));
            self.recorder.write(at, Moment::Invoke, written(&op));
        }
        self.send(at);
    }

    fn begin(&mut self, at: usize) {
        if self.devices[at].is_idle() {
            let kitroom = self.kitroom;
            let event = if self.chance.one_in(3) { Event::Begin } else { Event::Sync { kitroom } };
            self.take(at, event);
        }
    }

    fn dies(&mut self) -> usize {
        if self.is_healed || !self.chance.one_in(12 * self.calm) {
            return 0;
        }
        let dies = 1 + self.chance.below(2);
        self.note(if dies == 1 { Fault::CrashBeforeWrites } else { Fault::CrashAfterWrites });
        dies
    }

    fn take(&mut self, at: usize, event: Event) {
        let dies = self.dies();
        self.devices[at].take(event, &mut self.chance, dies);
        self.send(at);
    }

    /// Puts what a device wants done on its way.
    fn send(&mut self, at: usize) {
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
    async fn carry(&mut self) {
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

    async fn hold(&mut self) {
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

    async fn let_go(&mut self) {
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

    /// Nobody is ever past a change that it has not got.
    async fn look(&mut self) {
        let places = places(&self.sql, self.kitroom).await;
        for (at, device) in self.devices.iter().enumerate().filter(|(_, device)| device.is_whole()) {
            for ((kind, id), place) in places.iter().filter(|(_, place)| place.seq <= device.reached()) {
                let key = kinds::kind(kind).map_or("", |kind| kind.name);
                let has = device.disk.base.get(&(key, *id)).map(|row| row.seq);
                // What was deleted before a device's first page is not told to it.
                if has != Some(place.seq) && !(place.deleted && has.is_none()) {
                    let at = format!("device {at} is at {}", device.reached());
                    let words = format!("{at} and has {kind} {id} at {has:?}, not at {}", place.seq);
                    self.violations.push(Violation { rule: Rule::Skipped, words });
                }
            }
        }
    }

    /// Everything heals; answers how many rounds it took until nothing waited.
    async fn heal(&mut self) -> usize {
        self.is_healed = true;
        self.let_go().await;
        self.devices.iter_mut().for_each(Device::crash);
        self.settle().await;
        for round in 1..=ROUNDS {
            for at in 0..self.devices.len() {
                self.turn(at).await;
            }
            let head = self.sql.query_one("select head_seq from kitrooms where id = $1", &[&self.kitroom]).await;
            let head: i64 = head.expect("the kitroom is there").get(0);
            let is_done = |d: &Device| !d.has_unsent() && d.reached() == head && d.is_whole();
            if self.devices.iter().all(is_done) {
                return round;
            }
        }
        ROUNDS + 1
    }

    async fn turn(&mut self, at: usize) {
        let kitroom = self.kitroom;
        for event in [Event::Begin, Event::Sync { kitroom }] {
            self.take(at, event);
            self.settle().await;
        }
    }

    async fn settle(&mut self) {
        while self.under_way > 0 {
            self.carry().await;
        }
    }

    fn last_of(&self, at: usize, is_fresh: bool) -> Final {
        let device = &self.devices[at];
        let held = device.disk.base.iter().map(|(key, row)| Row {
            kind: key.0.to_owned(),
            id: key.1,
            seq: row.seq,
            deleted: row.deleted,
            wire: row.record.as_ref().map(spelled),
        });
        let made = self.made.iter().filter(|(_, (by, _))| *by == at).map(|(op, _)| *op);
        Final {
            name: if is_fresh { "a fresh replica".to_owned() } else { format!("device {at}") },
            is_fresh,
            held: held.collect(),
            made: made.collect(),
            pending: device.disk.outbox.iter().map(|kept| kept.op.op_id).collect(),
            refused: device.disk.rejected.iter().map(|(op, _)| op.op_id).collect(),
            gone: BTreeSet::new(),
        }
    }
}

/// An op as it is recorded.
fn written(op: &Op) -> Write {
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
        let must = is_plain && there("item_id", "item") == Some(true) && there("supersedes_id", "weighing") != Some(false);
        if !must || view.get("weighing", op.record_id).is_some() {
            seen.insert(op.record_id);
        }
    }
    seen
}
