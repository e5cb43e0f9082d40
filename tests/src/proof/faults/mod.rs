//! Short lives of real programs: the service as a process on a durable PostgreSQL, `tare` as a process a command, a line
//! between them that breaks, and everything that happens to machines. What people asked for and what came of it is
//! recorded from outside and handed to the checker.

mod deck;
mod hand;
mod ledger;
mod proxy;
mod stage;
mod world;

use std::collections::BTreeMap;

use super::checker::{self, Violation};
use super::history::Recorder;

/// What can happen, and did.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Fault {
    /// A request was not passed on.
    RequestDropped,
    /// Of a request only a part was passed on.
    RequestCut,
    /// A request was passed on twice at once.
    RequestDoubled,
    /// What was asked was done, and the answer not passed on.
    AnswerDropped,
    /// Of an answer only a part was passed on.
    AnswerCut,
    /// A request was late.
    Delayed,
    /// Instead of the service the line said 503, and when to come again.
    Busy,
    /// `tare` was killed when its push was on the way and the service had not got it.
    ClientKilledBeforeSend,
    /// `tare` was killed when the service had answered its push.
    ClientKilledBeforeAnswer,
    /// `tare` was killed while it stored what its person did, or a moment before or after.
    ClientKilledAtWork,
    /// The service was killed within a few milliseconds of getting a push.
    ServiceKilled,
    /// PostgreSQL was stopped at once, as by `pg_ctl stop -m immediate`, within a few milliseconds of a push.
    DatabaseStopped,
    /// The disk was full when a person did something; `tare` said so.
    DiskFullAtWork,
    /// The disk was full during a sync; `tare` said so.
    DiskFullAtSync,
    /// A device's clock jumped by years.
    ClockJumped,
    /// An older copy of a device's folder was written into its files.
    StorePutBack,
    /// An older copy of a device's folder took its place.
    StoreReplaced,
    /// The service was restored from a backup as the manual says.
    ServiceRestored,
    /// PostgreSQL's folder was put back to an older copy, and nobody was told.
    FolderPutBack,
}

/// All of them.
pub const FAULTS: [Fault; 19] = [
    Fault::RequestDropped,
    Fault::RequestCut,
    Fault::RequestDoubled,
    Fault::AnswerDropped,
    Fault::AnswerCut,
    Fault::Delayed,
    Fault::Busy,
    Fault::ClientKilledBeforeSend,
    Fault::ClientKilledBeforeAnswer,
    Fault::ClientKilledAtWork,
    Fault::ServiceKilled,
    Fault::DatabaseStopped,
    Fault::DiskFullAtWork,
    Fault::DiskFullAtSync,
    Fault::ClockJumped,
    Fault::StorePutBack,
    Fault::StoreReplaced,
    Fault::ServiceRestored,
    Fault::FolderPutBack,
];

/// The programs under test.
#[derive(Debug, Clone)]
pub struct Programs {
    /// The service.
    pub tarebook: String,
    /// The client.
    pub tare: String,
}

/// What came of histories.
#[derive(Debug, Default)]
pub struct Outcome {
    /// Each with its seed.
    pub violations: Vec<(u64, Violation)>,
    /// How often each fault was met.
    pub fired: BTreeMap<Fault, u64>,
    /// The most rounds until nothing waited.
    pub rounds: usize,
    /// The ops that people made.
    pub ops: usize,
    /// The runs of `tare`.
    pub runs: usize,
    /// The history of the first seed that failed, as lines of JSON.
    pub history: Option<String>,
}

impl Outcome {
    /// Adds what came of others.
    #[must_use]
    pub fn and(mut self, other: Self) -> Self {
        self.violations.extend(other.violations);
        for (fault, times) in other.fired {
            *self.fired.entry(fault).or_default() += times;
        }
        self.rounds = self.rounds.max(other.rounds);
        self.ops += other.ops;
        self.runs += other.runs;
        self.history = self.history.or(other.history);
        self
    }
}

/// Runs the history of a seed. Four seeds in a row meet every fault.
///
/// # Panics
/// When a program cannot be run, or does what no fault excuses.
#[must_use]
pub fn run(programs: &Programs, seed: u64) -> Outcome {
    let mut world = world::World::new(programs, seed);
    let case = world.run();
    let mut violations = world.take_violations();
    violations.extend(checker::check(&case));
    let history = (!violations.is_empty()).then(|| Recorder::to_text(&case.lines));
    Outcome {
        violations: violations.into_iter().map(|violation| (seed, violation)).collect(),
        fired: world.fired(),
        rounds: case.rounds,
        ops: case.finals.iter().map(|replica| replica.made.len()).sum(),
        runs: world.runs(),
        history,
    }
}
