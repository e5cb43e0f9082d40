//! One history: two or three devices, their person, and a deck of misfortunes.

use std::collections::BTreeMap;
use std::path::PathBuf;
use std::time::Duration;

use uuid::Uuid;

use super::deck::{Turn, deck};
use super::hand::{Dies, Hand, Ran, Way};
use super::ledger::{Ledger, kitroom};
use super::proxy::Armed;
use super::stage::{EMAIL, PASSWORD, Stage};
use super::{Fault, Programs};
use crate::proof::checker::{Case, ROUNDS, Rule, Violation};
use crate::proof::histories::chance::Chance;
use crate::proof::history::Recorder;
use crate::proof::truth::{Truth, note_moves};

const YEAR_MS: i64 = 365 * 86_400_000;
/// One request in so many meets each fault of the line.
const LINE: usize = 14;

pub(super) struct World {
    stage: Stage,
    chance: Chance,
    kitroom: Uuid,
    hands: Vec<Hand>,
    ledgers: Vec<Ledger>,
    recorder: Recorder,
    items: Vec<String>,
    turns: Vec<Turn>,
    store_copy: Option<(usize, PathBuf)>,
    backup: Option<PathBuf>,
    folder_copy: Option<PathBuf>,
    fired: BTreeMap<Fault, u64>,
    violations: Vec<Violation>,
    was_restored: bool,
    runs: usize,
    program: String,
}

impl World {
    /// Devices that are linked and have one kitroom with two items.
    pub(super) fn new(programs: &Programs, seed: u64) -> Self {
        let mut chance = Chance::of(seed);
        let stage = Stage::new(programs, Chance::of(seed ^ 0x5eed));
        let count = 2 + chance.below(2);
        let hands: Vec<Hand> =
            (0..count).map(|at| Hand::new(&programs.tare, stage.folder(&format!("device-{at}")))).collect();
        let deck = deck(seed);
        let mut turns = Vec::new();
        for turn in &deck {
            let before = [Turn::Work, Turn::Sync, Turn::Work, Turn::Work, Turn::Sync];
            turns.extend((0..1 + chance.below(4)).map(|_| before[chance.below(before.len())]));
            turns.push(*turn);
        }
        let is_restored = deck.contains(&Turn::BackUp);
        let mut world = Self {
            kitroom: Uuid::nil(),
            ledgers: hands.iter().map(|_| Ledger::default()).collect(),
            stage,
            chance,
            hands,
            recorder: Recorder::default(),
            items: Vec::new(),
            turns,
            store_copy: None,
            backup: None,
            folder_copy: None,
            fired: BTreeMap::new(),
            violations: Vec::new(),
            was_restored: false,
            runs: 0,
            program: programs.tare.clone(),
        };
        world.set_up(!is_restored);
        world
    }

    fn set_up(&mut self, note: bool) {
        if note {
            let sql = self.stage.sql();
            self.stage.runtime.block_on(note_moves(&sql));
        }
        self.hands[0].link(&self.stage.proxy, EMAIL, PASSWORD);
        self.well(0, &["kitroom", "new", "Runa"]);
        self.kitroom = kitroom(&self.hands[0].store());
        for _ in 0..2 {
            self.add_item(0, Way::PLAIN);
        }
        self.sync(0, Way::PLAIN);
        for at in 1..self.hands.len() {
            self.hands[at].link(&self.stage.proxy, EMAIL, PASSWORD);
            self.sync(at, Way::PLAIN);
        }
    }

    pub(super) fn take_violations(&mut self) -> Vec<Violation> {
        std::mem::take(&mut self.violations)
    }

    pub(super) fn fired(&self) -> BTreeMap<Fault, u64> {
        let mut fired = self.fired.clone();
        for (fault, times) in self.stage.proxy.fired() {
            *fired.entry(fault).or_default() += times;
        }
        fired
    }

    pub(super) fn runs(&self) -> usize {
        self.runs
    }

    fn note(&mut self, fault: Fault) {
        *self.fired.entry(fault).or_default() += 1;
    }

    fn violate(&mut self, rule: Rule, words: String) {
        self.violations.push(Violation { rule, words });
    }

    /// The whole history, up to the case for the checker.
    pub(super) fn run(&mut self) -> Case {
        self.stage.proxy.breaks_one_in(LINE);
        for turn in std::mem::take(&mut self.turns) {
            let at = self.chance.below(self.hands.len());
            self.turn(at, turn);
            self.stage.stand_up();
        }
        let rounds = self.heal();
        let fresh = Hand::new(&self.program, self.stage.folder("fresh"));
        fresh.link(&self.stage.proxy, EMAIL, PASSWORD);
        self.hands.push(fresh);
        self.ledgers.push(Ledger::default());
        let last = self.hands.len() - 1;
        self.sync(last, Way::PLAIN);
        let mut finals = Vec::new();
        for at in 0..self.hands.len() {
            self.verify(at);
            let store = self.hands[at].store();
            let name = if at == last { "a fresh device".to_owned() } else { format!("device {at}") };
            finals.push(self.ledgers[at].last(name, &store, self.kitroom));
        }
        let sql = self.stage.sql();
        let truth = Truth::read(self.stage.database_url(), &sql, self.kitroom);
        let truth = self.stage.runtime.block_on(truth);
        let lines = std::mem::take(&mut self.recorder.lines);
        Case { lines, truth, finals, rounds, was_restored: self.was_restored }
    }

    fn turn(&mut self, at: usize, turn: Turn) {
        match turn {
            Turn::Work => {
                self.work(at, Way::PLAIN);
            }
            Turn::Sync => {
                self.sync(at, Way::PLAIN);
            }
            Turn::CopyStore => self.store_copy = Some((at, self.hands[at].copy("copy"))),
            Turn::BackUp => self.backup = Some(self.stage.back_up()),
            Turn::CopyFolder => self.folder_copy = Some(self.stage.copy_folder()),
            Turn::Fault(fault) => self.misfortune(at, fault),
        }
    }

    fn misfortune(&mut self, at: usize, fault: Fault) {
        match fault {
            Fault::ClientKilledBeforeSend => self.at_a_push(at, Dies::BeforeSend, |_, _| None),
            Fault::ClientKilledBeforeAnswer => self.at_a_push(at, Dies::BeforeAnswer, |_, _| None),
            Fault::ServiceKilled => {
                self.at_a_push(at, Dies::Not, |stage, us| Some(Armed::Service(stage.service_pid(), us)));
                if self.chance.one_in(3) {
                    self.stage.kill_service();
                }
            }
            Fault::DatabaseStopped => {
                self.at_a_push(at, Dies::Not, |stage, us| Some(Armed::Database(stage.database_pid(), us)));
            }
            Fault::ClientKilledAtWork => self.killed_at_work(at),
            Fault::DiskFullAtWork | Fault::DiskFullAtSync => self.disk_is_full(at, fault),
            Fault::ClockJumped => {
                self.note(fault);
                self.hands[at].clock_ms = [-20 * YEAR_MS, 60 * YEAR_MS, -3_600_000][self.chance.below(3)];
                self.work(at, Way::PLAIN);
            }
            Fault::StorePutBack | Fault::StoreReplaced => {
                let Some((at, copy)) = self.store_copy.take() else { return };
                // What is lost is more than nothing.
                self.work(at, Way::PLAIN);
                self.sync(at, Way::PLAIN);
                self.work(at, Way::PLAIN);
                self.note(fault);
                self.hands[at].put_back(&copy, fault == Fault::StorePutBack);
                let store = self.hands[at].store();
                self.ledgers[at].was_put_back(&store, self.kitroom);
                self.work(at, Way::PLAIN);
            }
            Fault::ServiceRestored => {
                let Some(backup) = self.backup.take() else { return };
                self.before_a_restore(fault);
                self.stage.restore(&backup);
            }
            Fault::FolderPutBack => {
                let Some(copy) = self.folder_copy.take() else { return };
                self.before_a_restore(fault);
                self.stage.put_folder_back(&copy);
            }
            // The line's own happen by themselves.
            _ => {}
        }
    }

    /// Something that the copy does not have, acknowledged.
    fn before_a_restore(&mut self, fault: Fault) {
        self.note(fault);
        self.was_restored = true;
        self.stage.proxy.breaks_one_in(0);
        for at in 0..2 {
            self.work(at, Way::PLAIN);
            self.sync(at, Way::PLAIN);
        }
        self.stage.proxy.breaks_one_in(LINE);
    }

    /// Something to send, and a sync in which somebody dies. The line may swallow the push before: then again.
    fn at_a_push(&mut self, at: usize, dies: Dies, armed: fn(&Stage, u64) -> Option<Armed>) {
        let count = |world: &Self| {
            let kills = [
                Fault::ClientKilledBeforeSend,
                Fault::ClientKilledBeforeAnswer,
                Fault::ServiceKilled,
                Fault::DatabaseStopped,
            ];
            let fired = world.stage.proxy.fired();
            kills.iter().filter_map(|fault| fired.get(fault)).sum::<u64>()
        };
        let before = count(self);
        for _ in 0..3 {
            self.work(at, Way::PLAIN);
            let after_us = self.chance.below(12_000) as u64;
            if let Some(armed) = armed(&self.stage, after_us) {
                self.stage.proxy.arm(Some(armed));
            }
            self.sync(at, Way { dies, room: None });
            self.stage.proxy.arm(None);
            self.stage.stand_up();
            if count(self) > before {
                return;
            }
        }
    }

    fn killed_at_work(&mut self, at: usize) {
        for _ in 0..4 {
            let pause = Duration::from_millis(self.chance.below(40) as u64);
            let ran = self.work(at, Way { dies: Dies::After(pause), room: None });
            if ran.was_killed {
                return self.note(Fault::ClientKilledAtWork);
            }
        }
    }

    fn disk_is_full(&mut self, at: usize, fault: Fault) {
        if fault == Fault::DiskFullAtSync {
            // There is something to send, and something to get.
            let other = (at + 1) % self.hands.len();
            self.work(other, Way::PLAIN);
            self.sync(other, Way::PLAIN);
            self.work(at, Way::PLAIN);
        }
        for most in [40, 8, 1] {
            let way = Way { dies: Dies::Not, room: Some(self.chance.below(most)) };
            let ran = if fault == Fault::DiskFullAtWork { self.work(at, way) } else { self.sync(at, way) };
            if ran.code == Some(70) {
                return self.note(fault);
            }
        }
    }

    /// A person does something on a device. What is confirmed is on the disk.
    fn work(&mut self, at: usize, way: Way) -> Ran {
        let before = self.ledgers[at].len();
        let word = format!("v{}", self.chance.roll());
        let grams = format!("{}.{}", 20 + self.chance.below(900), 1 + self.chance.below(9));
        let item = self.items[self.chance.below(self.items.len())].clone();
        let ran = match self.chance.below(10) {
            0 | 1 => return self.add_item(at, way),
            2 => self.tare(at, &["item", "edit", &item, "--size", &word], way),
            3 => {
                self.tare(at, &["item", "edit", &item, "--maker", &word, "--notes", &format!("n{word}")], way)
            }
            4 => self.tare(at, &["item", "edit", &item, "--set", &format!("colour={word}")], way),
            5 | 6 => self.tare(at, &["log", "use", &item, "--worn", "1", "--note", &word], way),
            _ => self.tare(at, &["weigh", &item, &grams, "--reads-to", "0.1"], way),
        };
        self.look(at);
        // An item may not be on this device yet: then nothing was confirmed.
        if ran.code == Some(0) && self.ledgers[at].len() == before {
            self.violate(
                Rule::OpLost,
                format!("device {at} has confirmed {item} {word} {grams} and not kept it"),
            );
        }
        ran
    }

    fn add_item(&mut self, at: usize, way: Way) -> Ran {
        let before = self.ledgers[at].len();
        let name = format!("thing{}", self.chance.roll());
        let ran =
            self.tare(at, &["item", "add", &name, "--kind", "other", "--tag", &format!("t{name}")], way);
        self.look(at);
        if self.ledgers[at].len() > before {
            self.items.push(name);
        } else if ran.code == Some(0) {
            self.violate(Rule::OpLost, format!("device {at} has confirmed {name} and not kept it"));
        }
        ran
    }

    /// A sync, and what a person does upon its words.
    fn sync(&mut self, at: usize, way: Way) -> Ran {
        let ran = self.tare(at, &["sync"], way);
        self.look(at);
        if ran.err.contains("tare sync --reset") {
            self.tare(at, &["sync", "--reset"], Way::PLAIN);
            self.look(at);
        }
        ran
    }

    fn well(&mut self, at: usize, arguments: &[&str]) {
        let ran = self.tare(at, arguments, Way::PLAIN);
        assert_eq!(ran.code, Some(0), "{arguments:?}: {}", ran.err);
    }

    fn tare(&mut self, at: usize, arguments: &[&str], way: Way) -> Ran {
        self.runs += 1;
        let ran = self.hands[at].run(&self.stage.proxy, arguments, way);
        let is_excused = way.room.is_some() || ran.was_killed;
        // 2 would be a mistake of the test, 70 a fault of the program or the disk, 101 a panic.
        if !is_excused && !matches!(ran.code, Some(0 | 1 | 3 | 4)) {
            self.violate(Rule::OpLost, format!("tare {arguments:?} ended with {:?}: {}", ran.code, ran.err));
        }
        ran
    }

    fn look(&mut self, at: usize) {
        let store = self.hands[at].store();
        self.ledgers[at].look(at, &store, self.kitroom, &mut self.recorder);
    }

    /// Everything heals; answers how many rounds it took until nothing waited.
    fn heal(&mut self) -> usize {
        self.stage.proxy.breaks_one_in(0);
        for round in 1..=ROUNDS {
            // Who was killed a moment ago may only be going now.
            self.stage.stand_up();
            let mut waits = false;
            for at in 0..self.hands.len() {
                let ran = self.sync(at, Way::PLAIN);
                waits |= !matches!(ran.code, Some(0 | 4));
                let lost = "SELECT count(*) FROM recovery WHERE decided IS NULL";
                let lost: i64 =
                    self.hands[at].store().query_row(lost, [], |row| row.get(0)).expect("a store");
                if lost > 0 {
                    // The person says yes to bringing back what the service has lost.
                    self.tare(at, &["conflict", "settle", "--all-lost", "b"], Way::PLAIN);
                    self.look(at);
                    waits = true;
                }
            }
            let heads: Vec<(i64, i64)> = (0..self.hands.len()).map(|at| self.place(at)).collect();
            let is_same = heads.iter().all(|(waiting, head)| *waiting == 0 && *head == heads[0].1);
            if is_same && !waits {
                return round;
            }
        }
        ROUNDS + 1
    }

    /// How many ops of a device wait, and where it stands.
    fn place(&self, at: usize) -> (i64, i64) {
        let query = "SELECT (SELECT count(*) FROM outbox WHERE state NOT IN ('rejected', 'aside')), base_seq \
                     FROM kitrooms WHERE id = ?1";
        let read = |row: &rusqlite::Row<'_>| Ok((row.get(0)?, row.get(1)?));
        self.hands[at].store().query_row(query, [self.kitroom], read).expect("a store")
    }

    /// The client's own comparison says that all is well, and its file is sound.
    fn verify(&mut self, at: usize) {
        let ran = self.tare(at, &["sync", "--verify"], Way::PLAIN);
        self.look(at);
        if !matches!(ran.code, Some(0 | 4)) {
            self.violate(Rule::Digest, format!("device {at}: {}", ran.err));
        }
        let check = "PRAGMA integrity_check";
        let sound: String = self.hands[at].store().query_row(check, [], |row| row.get(0)).expect("a store");
        if sound != "ok" {
            self.violate(Rule::Differs, format!("the file of device {at} is damaged: {sound}"));
        }
    }
}
