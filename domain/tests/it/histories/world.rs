//! One history: devices, a service, and a network that loses, doubles and reorders; people at work; crashes, copies and
//! restored backups. Afterwards everything heals, and the checker looks.

use std::collections::{BTreeMap, HashMap};

use domain::sync::client::{Cause, Effect, End, Event, Failure, Limits, PolledRoom};
use domain::sync::op::{Op, OpResult, Role};
use domain::time::Timestamp;
use domain::wire::problem::{ErrorCode, Problem};
use uuid::Uuid;

use super::chance::Chance;
use super::device::Device;
use super::mutants::Mutant;
use super::person;
use super::server::{Answer, Page, Server};

/// What the network can do, and did.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Fault {
    RequestLost,
    AnswerLost,
    RequestDoubled,
    AnswerDoubled,
    AnswerReordered,
    Busy,
    CrashBeforeWrites,
    CrashAfterWrites,
    CrashIdle,
    DeviceRestored,
    DeviceCopied,
    ServiceRestored,
    NewEpoch,
    CursorsExpired,
    MemberRemoved,
    ClockJump,
}

/// All of them.
pub const FAULTS: [Fault; 16] = [
    Fault::RequestLost,
    Fault::AnswerLost,
    Fault::RequestDoubled,
    Fault::AnswerDoubled,
    Fault::AnswerReordered,
    Fault::Busy,
    Fault::CrashBeforeWrites,
    Fault::CrashAfterWrites,
    Fault::CrashIdle,
    Fault::DeviceRestored,
    Fault::DeviceCopied,
    Fault::ServiceRestored,
    Fault::NewEpoch,
    Fault::CursorsExpired,
    Fault::MemberRemoved,
    Fault::ClockJump,
];

/// On the way to the service.
#[derive(Debug, Clone)]
enum Request {
    Poll { ticket: u64 },
    Push { ticket: u64, replica: Uuid, ops: Vec<Op>, cursor: Option<String>, ack: Option<String> },
    Pull { ticket: u64, cursor: Option<String>, ack: Option<String> },
}

/// On the way back.
#[derive(Debug, Clone)]
enum Reply {
    Polled { ticket: u64, epoch: Option<Uuid>, removed: bool },
    Pushed { ticket: u64, answer: Answer },
    Pulled { ticket: u64, page: Page },
    Failed { ticket: u64, poll: bool, failure: Failure },
}

#[derive(Debug, Clone)]
enum Carried {
    Request(Request),
    Reply(Reply),
}

#[derive(Debug, Clone)]
struct Message {
    device: usize,
    run: u64,
    carried: Carried,
}

/// A history.
pub struct World {
    pub chance: Chance,
    pub kitroom: Uuid,
    pub server: Server,
    pub devices: Vec<Device>,
    backup: Option<Server>,
    copies: Vec<Option<Device>>,
    network: Vec<Message>,
    now: i64,
    /// The devices' clocks, wrong by so many milliseconds.
    skews: Vec<i64>,
    pub fired: BTreeMap<Fault, u64>,
    /// Every op that a person made, with the device.
    pub made: Vec<(usize, Op)>,
    /// Ops that went down with a device whose older backup was put back.
    pub lost_with_device: Vec<Uuid>,
    pub removed: Vec<Uuid>,
    /// Whether the service lost committed changes.
    pub restored: bool,
    pub heard: HashMap<Uuid, OpResult>,
    pub violations: Vec<String>,
    healed: bool,
    /// How much quieter than the worst the network and the devices are.
    calm: usize,
}

const PAGE: usize = 7;

impl World {
    pub fn new(seed: u64, mutant: Option<Mutant>) -> Self {
        let mut chance = Chance::of(seed);
        let (kitroom, epoch) = (chance.id(), chance.id());
        let accounts = [chance.id(), chance.id()];
        let count = 2 + chance.below(3);
        let mut devices = Vec::new();
        for at in 0..count {
            let replica = chance.id();
            let mut device = Device::new(accounts[at % 2], kitroom, replica, mutant);
            device.take(Event::Joined { kitroom }, &mut chance, 0);
            devices.push(device);
        }
        Self {
            server: Server::new(epoch, accounts, mutant),
            copies: vec![None; devices.len()],
            skews: vec![0; devices.len()],
            devices,
            chance,
            kitroom,
            backup: None,
            network: Vec::new(),
            now: 1_770_000_000_000,
            fired: BTreeMap::new(),
            made: Vec::new(),
            lost_with_device: Vec::new(),
            removed: Vec::new(),
            restored: false,
            heard: HashMap::new(),
            violations: Vec::new(),
            healed: false,
            calm: [1, 3, 10][seed as usize % 3],
        }
    }

    fn note(&mut self, fault: Fault) {
        *self.fired.entry(fault).or_default() += 1;
    }

    fn clock(&self, device: usize) -> Timestamp {
        let ms = self.now + self.skews[device];
        Timestamp::from_millis(ms).unwrap_or_else(|_| unreachable!("a clock within range"))
    }

    /// One step of the history.
    pub fn step(&mut self) {
        self.now += 1 + self.chance.below(90_000) as i64;
        let device = self.chance.below(self.devices.len());
        match self.chance.below(100) {
            0..=34 => self.work(device),
            35..=49 => self.begin(device),
            // Most of the time the network is faster than people.
            50..=87 => (0..6).for_each(|_| self.carry()),
            88..=89 => {
                self.note(Fault::CrashIdle);
                self.devices[device].crash();
            }
            90 => {
                self.note(Fault::ClockJump);
                const YEAR: i64 = 365 * 86_400_000;
                self.skews[device] = [0, -20 * YEAR, 30 * YEAR, -3_600_000][self.chance.below(4)];
            }
            91 => self.copies[device] = Some(self.devices[device].clone()),
            92 | 93 => self.put_back(device),
            94 => self.copy(device),
            95 if self.backup.is_none() => self.backup = Some(self.server.clone()),
            96 => self.restore(),
            97 if self.chance.one_in(2) => {
                self.note(Fault::NewEpoch);
                self.server.epoch = self.chance.id();
            }
            98 => {
                self.note(Fault::CursorsExpired);
                self.server.floor = self.server.head;
            }
            99 if self.chance.one_in(3) => self.remove(),
            _ => {}
        }
        self.look();
    }

    fn work(&mut self, at: usize) {
        let clock = self.clock(at);
        // What is drawn may have nothing to work on yet.
        let draws = (0..5).map(|_| person::act(&self.devices[at], &mut self.chance, clock));
        let ops = draws.into_iter().find(|ops| !ops.is_empty()).unwrap_or_default();
        if ops.is_empty() || self.removed.contains(&self.devices[at].account) {
            return;
        }
        self.made.extend(ops.iter().cloned().map(|op| (at, op)));
        self.devices[at].change(ops, &mut self.chance);
        self.send(at);
    }

    fn begin(&mut self, at: usize) {
        if !self.devices[at].is_idle() {
            return;
        }
        let kitroom = self.kitroom;
        let event = if self.chance.one_in(3) { Event::Begin } else { Event::Sync { kitroom } };
        self.take(at, event);
    }

    fn dies(&mut self) -> usize {
        if self.healed || !self.chance.one_in(12 * self.calm) {
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
            let run = self.devices[at].run;
            let request = match effect {
                Effect::Poll { ticket } => Request::Poll { ticket },
                Effect::Push { ticket, replica, ops, cursor, ack, .. } => {
                    let ops = self.devices[at].ops(&ops);
                    Request::Push { ticket, replica, ops, cursor, ack }
                }
                Effect::Pull { ticket, cursor, ack, .. } => Request::Pull { ticket, cursor, ack },
                Effect::Compare { ticket, .. } => {
                    let (kitroom, common) = (self.kitroom, self.devices[at].common());
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
            self.network.push(Message { device: at, run, carried: Carried::Request(request) });
        }
    }

    /// Something on the network arrives, or does not.
    fn carry(&mut self) {
        if self.network.is_empty() {
            return;
        }
        let at = if self.healed { 0 } else { self.chance.below(self.network.len()) };
        if at > 0 {
            self.note(Fault::AnswerReordered);
        }
        let message = self.network.remove(at);
        let fate = if self.healed { 99 } else { self.chance.below(24 * self.calm) };
        let is_request = matches!(message.carried, Carried::Request(_));
        match fate {
            0 | 1 => {
                self.note(if is_request { Fault::RequestLost } else { Fault::AnswerLost });
                return self.fail(&message, Failure::Lost);
            }
            2 => {
                self.note(if is_request { Fault::RequestDoubled } else { Fault::AnswerDoubled });
                self.network.push(message.clone());
            }
            3 if is_request => {
                self.note(Fault::Busy);
                return self.fail(&message, Failure::Busy { after_ms: Some(1000) });
            }
            _ => {}
        }
        match message.carried {
            Carried::Request(request) => {
                let reply = self.serve(message.device, request);
                self.network.push(Message { carried: Carried::Reply(reply), ..message });
            }
            Carried::Reply(reply) => self.deliver(message.device, message.run, reply),
        }
    }

    /// The device hears of a failure instead of an answer.
    fn fail(&mut self, message: &Message, failure: Failure) {
        let (ticket, poll) = match &message.carried {
            Carried::Request(Request::Poll { ticket }) | Carried::Reply(Reply::Polled { ticket, .. }) => {
                (*ticket, true)
            }
            Carried::Request(Request::Push { ticket, .. } | Request::Pull { ticket, .. })
            | Carried::Reply(Reply::Pushed { ticket, .. } | Reply::Pulled { ticket, .. }) => (*ticket, false),
            Carried::Reply(Reply::Failed { ticket, poll, .. }) => (*ticket, *poll),
        };
        let reply = Reply::Failed { ticket, poll, failure };
        self.deliver(message.device, message.run, reply);
    }

    fn serve(&mut self, at: usize, request: Request) -> Reply {
        let account = self.devices[at].account;
        let now = Timestamp::from_millis(self.now).unwrap_or_else(|_| unreachable!("a clock within range"));
        let refused = |ticket, problem: Problem| {
            let failure = Failure::Refused(problem);
            Reply::Failed { ticket, poll: false, failure }
        };
        match request {
            Request::Poll { ticket } => {
                let epoch = self.server.members.contains_key(&account).then_some(self.server.epoch);
                Reply::Polled { ticket, epoch, removed: self.removed.contains(&account) }
            }
            Request::Push { ticket, replica, ops, cursor, ack } => {
                let mark = u64::from(self.chance.roll()) << 1;
                let seen = [cursor.as_ref(), ack.as_ref()];
                match self.server.push((account, replica), seen, &ops, now, mark) {
                    Ok(answer) => Reply::Pushed { ticket, answer },
                    Err(problem) => refused(ticket, problem),
                }
            }
            Request::Pull { ticket, cursor, ack } => {
                match self.server.pull(account, cursor.as_ref(), ack.as_ref(), PAGE) {
                    Ok(page) => Reply::Pulled { ticket, page },
                    Err(problem) => refused(ticket, problem),
                }
            }
        }
    }

    fn deliver(&mut self, at: usize, run: u64, reply: Reply) {
        if self.devices[at].run != run {
            return;
        }
        let kitroom = self.kitroom;
        let dies = self.dies();
        let refusal = Some(Mutant::RefusedIsDone);
        match reply {
            Reply::Polled { ticket, epoch, removed } => {
                let rooms = epoch.map(|epoch| PolledRoom { kitroom, epoch }).into_iter().collect();
                let removed = if removed { vec![kitroom] } else { Vec::new() };
                let limits = Limits { ops: 5, ..Limits::default() };
                let event = Event::Polled { ticket, rooms, removed, schema: (1, 1), limits };
                self.devices[at].take(event, &mut self.chance, dies);
            }
            Reply::Pushed { ticket, answer } => {
                for result in &answer.results {
                    self.hear(result);
                }
                self.devices[at].hear(ticket, answer, &mut self.chance, dies);
            }
            Reply::Pulled { ticket, page } => self.devices[at].get(ticket, page, &mut self.chance, dies),
            Reply::Failed { ticket, poll, failure } => {
                if !poll && self.server.mutant == refusal && matches!(failure, Failure::Refused(_)) {
                    self.devices[at].disk.outbox.clear();
                    self.devices[at].crash();
                }
                let kitroom = (!poll).then_some(kitroom);
                self.devices[at].take(Event::Failed { kitroom, ticket, failure }, &mut self.chance, dies);
            }
        }
        self.send(at);
    }

    /// The same op has the same answer each time, as long as the service has not lost it.
    fn hear(&mut self, result: &OpResult) {
        use domain::sync::op::OpStatus;
        if result.status == OpStatus::NotAttempted {
            return;
        }
        let plain = OpResult { replayed: false, ..result.clone() };
        let before = self.heard.insert(result.op_id, plain.clone());
        if let Some(before) = before
            && before != plain
            && !self.restored
        {
            self.violations.push(format!("I2: {} was answered {before:?}, then {plain:?}", result.op_id));
        }
    }

    fn put_back(&mut self, at: usize) {
        let Some(older) = self.copies[at].take() else { return };
        self.note(Fault::DeviceRestored);
        let kept = |op: &Uuid| {
            let has = |device: &Device| device.disk.outbox.iter().any(|one| one.op.op_id == *op);
            has(&older)
        };
        let lost = self.devices[at].disk.outbox.iter().map(|one| one.op.op_id).filter(|op| !kept(op));
        self.lost_with_device.extend(lost.collect::<Vec<_>>());
        let lost = self.devices[at].disk.rejected.iter().map(|(op, _)| op.op_id).collect::<Vec<_>>();
        self.lost_with_device.extend(lost);
        let lost = self.devices[at].disk.exported.iter().map(|op| op.op_id).collect::<Vec<_>>();
        self.lost_with_device.extend(lost);
        let run = self.devices[at].run + 1;
        self.devices[at] = older;
        self.devices[at].run = run;
        self.devices[at].crash();
    }

    fn copy(&mut self, at: usize) {
        if self.devices.len() >= 5 {
            return;
        }
        self.note(Fault::DeviceCopied);
        let mut twin = self.devices[at].clone();
        twin.crash();
        self.devices.push(twin);
        self.copies.push(None);
        self.skews.push(0);
    }

    fn restore(&mut self) {
        let Some(older) = self.backup.take() else { return };
        self.note(Fault::ServiceRestored);
        // An op that changed nothing has an answer all the same.
        self.restored |= older.decided.len() != self.server.decided.len();
        let members = self.server.members.clone();
        let decided = std::mem::take(&mut self.server.decided);
        self.server = older;
        self.server.members = members;
        // The checker's own memory is not the service's.
        self.server.decided = decided;
    }

    fn remove(&mut self) {
        let account = self.devices[self.devices.len() - 1].account;
        if self.server.members.len() > 1 && self.server.members.remove(&account).is_some() {
            self.note(Fault::MemberRemoved);
            self.removed.push(account);
        }
    }

    /// Looks at what must hold at every moment.
    fn look(&mut self) {
        let mut found = Vec::new();
        for (at, device) in self.devices.iter().enumerate() {
            found.extend(super::checker::always(self, at, device));
        }
        self.violations.extend(found);
    }

    /// Everything heals: all devices sync until nothing is left to do. Answers how many rounds that took.
    pub fn heal(&mut self) -> usize {
        self.healed = true;
        self.network.clear();
        for at in 0..self.devices.len() {
            self.devices[at].crash();
        }
        for round in 1..=30 {
            for at in 0..self.devices.len() {
                self.devices[at].ends.clear();
                self.take(at, Event::Begin);
                self.settle();
                let kitroom = self.kitroom;
                self.take(at, Event::Sync { kitroom });
                self.settle();
                self.person_decides(at);
            }
            let done = self.devices.iter().all(|device| {
                self.removed.contains(&device.account)
                    || (!device.has_unsent() && device.reached() == self.server.head && device.is_whole())
            });
            if done {
                return round;
            }
        }
        let left: Vec<_> =
            self.devices.iter().map(|d| (d.has_unsent(), d.reached(), d.ends.clone())).collect();
        self.violations
            .push(format!("I17: not drained after 30 rounds, head {}: {left:?}", self.server.head));
        30
    }

    fn settle(&mut self) {
        for _ in 0..10_000 {
            if self.network.is_empty() {
                return;
            }
            self.carry();
        }
        self.violations.push("I17: the network never falls silent".into());
    }

    /// Where a turn ended with a question, a person answers as the words on the screen say.
    fn person_decides(&mut self, at: usize) {
        let asks = self.devices[at].ends.iter().any(|end| match end {
            End::Gap { .. } | End::Unsteady(Cause::EpochChanged | Cause::CursorExpired | Cause::Asked) => {
                true
            }
            End::Refused(problem) => {
                matches!(problem.code(), Some(ErrorCode::ReplicaForked | ErrorCode::OpGap))
            }
            _ => false,
        });
        if asks {
            let kitroom = self.kitroom;
            self.take(at, Event::Reset { kitroom });
            self.settle();
        }
    }

    /// Whether the account of a device is a member.
    pub fn is_member(&self, device: &Device) -> bool {
        matches!(self.server.members.get(&device.account), Some(Role::Owner))
    }
}
