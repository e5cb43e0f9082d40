//! The histories of [`crate::histories`], and that the checker sees the mistakes that it is there for.

use crate::histories::{TESTED, caught, mutants, run_all, world::FAULTS};

#[test]
fn histories_every_invariant_holds_and_every_fault_has_fired() {
    let outcome = run_all(0, TESTED);
    println!("{TESTED} histories, {} ops, at most {} rounds to drain", outcome.ops, outcome.rounds);
    for fault in FAULTS {
        let times = outcome.fired.get(&fault).copied().unwrap_or(0);
        println!("{fault:?}: {times}");
        assert!(times >= TESTED / 60, "{fault:?} fired {times} times only");
    }
    for (invariant, (looked_at, broken)) in &outcome.tally {
        println!("{invariant}: held in {} of {looked_at} histories", looked_at - broken);
        assert!(*looked_at >= TESTED / 60, "{invariant} was looked at in {looked_at} histories only");
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
