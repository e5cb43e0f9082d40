//! The histories of [`crate::histories`], and that the checker sees the mistakes that it is there for.

use crate::histories::{caught, mutants, run_all, world::FAULTS};

/// Histories in the test command; `cargo run --release -p domain --example histories -- N` runs more.
const HISTORIES: u64 = 3000;

#[test]
fn histories_every_invariant_holds_and_every_fault_has_fired() {
    let outcome = run_all(0, HISTORIES);
    println!("{HISTORIES} histories, {} ops, at most {} rounds to drain", outcome.ops, outcome.rounds);
    for fault in FAULTS {
        let times = outcome.fired.get(&fault).copied().unwrap_or(0);
        println!("{fault:?}: {times}");
        assert!(times >= HISTORIES / 60, "{fault:?} fired {times} times only");
    }
    let shown = outcome.violations.iter().take(20).cloned().collect::<Vec<_>>().join("\n");
    assert!(outcome.violations.is_empty(), "{} violations:\n{shown}", outcome.violations.len());
}

#[test]
fn histories_every_mutant_is_caught() {
    for mutant in mutants::ALL {
        let found = caught(mutant, 400);
        let Some((histories, words)) = found else { panic!("{mutant:?} is not caught in 400 histories") };
        println!("{mutant:?}: caught in history {histories}: {words}");
    }
}
