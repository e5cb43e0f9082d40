//! Random histories of two to five replicas against a model of the service: the same merge and the same client machine
//! as the programs run, over a network and disks that fail.

pub mod chance;
pub mod checker;
pub mod device;
pub mod mutants;
pub mod person;
pub mod server;
pub mod world;

use std::collections::BTreeMap;
use std::sync::atomic::{AtomicU64, Ordering};

use mutants::Mutant;
use world::{Fault, World};

/// What came of a history, or of many.
#[derive(Debug, Default)]
pub struct Outcome {
    pub violations: Vec<String>,
    /// By invariant: in how many histories it was looked at, and in how many it was broken.
    pub tally: BTreeMap<&'static str, (u64, u64)>,
    pub fired: BTreeMap<Fault, u64>,
    pub rounds: usize,
    pub ops: usize,
}

/// Histories in the test command, from seed 0 on; `cargo run --release -p domain --example histories -- N` runs those
/// behind them.
pub const TESTED: u64 = 3000;

/// The most steps of a history.
const STEPS: usize = 60;

/// Runs the history of a seed.
pub fn run(seed: u64, mutant: Option<Mutant>) -> Outcome {
    let mut world = World::new(seed, mutant);
    let steps = 20 + world.chance.below(STEPS - 19);
    for _ in 0..steps {
        world.step();
    }
    let rounds = world.heal();
    let mut violations = std::mem::take(&mut world.violations);
    violations.extend(checker::finally(&world));
    let tally = tally(&world, &violations);
    Outcome { violations, tally, fired: world.fired.clone(), rounds, ops: world.made.len() }
}

fn tally(world: &World, violations: &[String]) -> BTreeMap<&'static str, (u64, u64)> {
    let broken = |invariant: &str| {
        violations.iter().any(|words| words.split_once(':').is_some_and(|(name, _)| name == invariant))
    };
    checker::looked_at(world).into_iter().map(|name| (name, (1, u64::from(broken(name))))).collect()
}

/// Runs many, on two threads; the first seeds that fail are named.
pub fn run_all(from: u64, count: u64) -> Outcome {
    let next = AtomicU64::new(from);
    let all = std::sync::Mutex::new(Outcome::default());
    std::thread::scope(|scope| {
        for _ in 0..2 {
            scope.spawn(|| {
                loop {
                    let seed = next.fetch_add(1, Ordering::Relaxed);
                    if seed >= from + count {
                        return;
                    }
                    let one = run(seed, None);
                    let Ok(mut all) = all.lock() else { return };
                    all.ops += one.ops;
                    all.rounds = all.rounds.max(one.rounds);
                    for (invariant, (looked_at, broken)) in one.tally {
                        let sum = all.tally.entry(invariant).or_default();
                        *sum = (sum.0 + looked_at, sum.1 + broken);
                    }
                    for (fault, times) in one.fired {
                        *all.fired.entry(fault).or_default() += times;
                    }
                    let named =
                        one.violations.into_iter().take(3).map(|words| format!("seed {seed}: {words}"));
                    all.violations.extend(named);
                }
            });
        }
    });
    all.into_inner().unwrap_or_default()
}

/// In which history a mutant is found first, if it is.
pub fn caught(mutant: Mutant, within: u64) -> Option<(u64, String)> {
    (0..within).find_map(|seed| {
        let first = run(seed, Some(mutant)).violations.into_iter().next()?;
        Some((seed + 1, first))
    })
}
