//! Many random histories: `cargo run --release -p domain --example histories -- 1000000 [FIRST_SEED]`. The seeds begin
//! where those of the test end. Fails when an invariant is broken anywhere, or a mutant is not caught.

#[path = "../tests/it/histories/mod.rs"]
#[expect(dead_code, reason = "the tests use more of it")]
mod histories;

use std::process::ExitCode;

#[expect(clippy::print_stdout, reason = "this program's output")]
fn main() -> ExitCode {
    let number = |at: usize| std::env::args().nth(at).and_then(|text| text.parse::<u64>().ok());
    let (count, from) = (number(1).unwrap_or(10_000), number(2).unwrap_or(histories::TESTED));
    let outcome = histories::run_all(from, count);
    println!("{count} histories, {} ops, at most {} rounds to drain", outcome.ops, outcome.rounds);
    for (fault, times) in &outcome.fired {
        println!("{fault:?}: {times}");
    }
    for (invariant, (looked_at, broken)) in &outcome.tally {
        println!("{invariant}: held in {} of {looked_at} histories", looked_at - broken);
    }
    let mut is_good = outcome.violations.is_empty();
    for mutant in histories::mutants::ALL {
        match histories::caught(mutant, 1000) {
            Some((at, words)) => println!("{mutant:?} caught in history {at}: {words}"),
            None => {
                is_good = false;
                println!("{mutant:?} NOT CAUGHT in 1000 histories");
            }
        }
    }
    for violation in outcome.violations.iter().take(50) {
        println!("{violation}");
    }
    println!("seeds {from} to {}: {} violations", from + count - 1, outcome.violations.len());
    if is_good { ExitCode::SUCCESS } else { ExitCode::FAILURE }
}
