//! Random histories of two and three replicas against the real service and database, while a second connection holds
//! transactions open: one that has the kitroom's lock, one that has taken numbers and not committed, one that keeps an old
//! snapshot. The replicas are the client's own machine over a disk in memory; the network loses and doubles.

mod held;
mod wire;
mod world;

use std::collections::BTreeMap;

use super::checker;
use super::checker::Violation;
use super::truth::note_moves;
use crate::harness::app::TestApp;
use world::World;

/// What can happen to a history, and did.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Fault {
    /// A request never arrived.
    RequestLost,
    /// An answer never came back; what was asked was done.
    AnswerLost,
    /// A request arrived twice, at once.
    RequestDoubled,
    /// Instead of an answer came a request to come back later.
    Busy,
    /// A device died before it had stored what it had heard.
    CrashBeforeWrites,
    /// A device died after that.
    CrashAfterWrites,
    /// A transaction had the kitroom's lock.
    LockHeld,
    /// A transaction had written and taken numbers, and committed later.
    NumbersHeld,
    /// The same, and it was rolled back.
    NumbersGivenBack,
    /// A transaction kept a snapshot, with a number of its own, over all that others committed meanwhile.
    SnapshotHeld,
    /// A page was delivered while one of these was open.
    PulledBeside,
    /// A push was taken while a snapshot was held.
    PushedBeside,
    /// A push had to wait for one of these.
    PushWaited,
}

/// All of them.
pub const FAULTS: [Fault; 13] = [
    Fault::RequestLost,
    Fault::AnswerLost,
    Fault::RequestDoubled,
    Fault::Busy,
    Fault::CrashBeforeWrites,
    Fault::CrashAfterWrites,
    Fault::LockHeld,
    Fault::NumbersHeld,
    Fault::NumbersGivenBack,
    Fault::SnapshotHeld,
    Fault::PulledBeside,
    Fault::PushedBeside,
    Fault::PushWaited,
];

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
    /// The history of the first seed that failed, as lines of JSON.
    pub history: Option<String>,
}

/// Runs the histories of the seeds `from..from + count` one after the other, each in a kitroom of its own.
///
/// # Panics
/// When the service or its database cannot be had.
pub async fn run(from: u64, count: u64) -> Outcome {
    // Pushes that wait for a lock must not take all connections from those that read.
    let app = TestApp::start_with(|settings| settings.connections = 8).await;
    note_moves(&app.connection().await).await;
    let mut all = Outcome::default();
    for seed in from..from + count {
        let mut world = World::new(&app, seed).await;
        let case = world.run().await;
        let mut violations = world.take_violations();
        violations.extend(checker::check(&case));
        if !violations.is_empty() && all.history.is_none() {
            all.history = Some(super::history::Recorder::to_text(&case.lines));
        }
        all.violations.extend(violations.into_iter().map(|violation| (seed, violation)));
        all.rounds = all.rounds.max(case.rounds);
        all.ops += case.finals.iter().map(|replica| replica.made.len()).sum::<usize>();
        for (fault, times) in world.fired() {
            *all.fired.entry(*fault).or_default() += times;
        }
    }
    all
}
