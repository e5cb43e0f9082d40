//! One history: people at work on devices, requests under way, a transaction held open beside them. Afterwards all is let
//! go, everybody syncs, and what is left is handed to the checker.

mod beside;
mod network;

use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::time::Duration;

use domain::kinds;
use domain::sync::client::Event;
use domain::time::Timestamp;
use domain::wire::kitroom::Purpose;
use tokio::sync::mpsc::{UnboundedReceiver, UnboundedSender, unbounded_channel};
use tokio_postgres::Client;
use uuid::Uuid;

use super::Fault;
use super::held::Held;
use super::wire::{Line, Reply};
use crate::harness::actors::Actor;
use crate::harness::app::TestApp;
use crate::harness::client::plain_client;
use crate::proof::checker::{Case, ROUNDS, Rule, Violation};
use crate::proof::histories::chance::Chance;
use crate::proof::histories::device::Device;
use crate::proof::histories::person;
use crate::proof::history::{Moment, Recorder, Write};
use crate::proof::truth::{Final, Held as Row, Truth, places, spelled};
use network::written;

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
            let head =
                self.sql.query_one("select head_seq from kitrooms where id = $1", &[&self.kitroom]).await;
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
            held: held.collect(),
            made: made.collect(),
            pending: device.disk.outbox.iter().map(|kept| kept.op.op_id).collect(),
            refused: device.disk.rejected.iter().map(|(op, _)| op.op_id).collect(),
            gone: BTreeSet::new(),
        }
    }
}
