//! Real programs, killed and starved, on a line that breaks; `sync-proof faults N` runs more.

use system_tests::proof::faults::{FAULTS, Outcome, Programs, run};

const HISTORIES: u64 = 4;

#[test]
fn faults_of_every_sort_lose_nothing() {
    let programs = Programs {
        tarebook: env!("CARGO_BIN_EXE_tarebook-under-test").to_owned(),
        tare: env!("CARGO_BIN_EXE_tare-under-test").to_owned(),
    };
    let threads: Vec<_> = (0..2)
        .map(|half| {
            let programs = programs.clone();
            let seeds = (half..HISTORIES).step_by(2);
            std::thread::spawn(move || {
                seeds.fold(Outcome::default(), |all, seed| all.and(run(&programs, seed)))
            })
        })
        .collect();
    let outcome = threads.into_iter().fold(Outcome::default(), |all, half| all.and(half.join().unwrap()));
    let Outcome { violations, fired, rounds, ops, runs, history } = outcome;
    println!("{HISTORIES} histories, {ops} ops, {runs} runs of tare, at most {rounds} rounds: {fired:?}");
    let shown: Vec<String> =
        violations.iter().take(12).map(|(seed, words)| format!("seed {seed}: {words}")).collect();
    assert!(shown.is_empty(), "{}\n{}", shown.join("\n"), history.unwrap_or_default());
    for fault in FAULTS {
        assert!(fired.get(&fault).is_some_and(|times| *times > 0), "{fault:?} was never met: {fired:?}");
    }
}
