//! The long versions of the proof that sync loses nothing:
//! `sync-proof interleaved N [FIRST]`, `sync-proof faults N [FIRST]`, `sync-proof numbers N`, or `sync-proof soak` for all
//! of them. The programs under test must be built beside it: `cargo build --workspace --all-targets`.
#![expect(clippy::print_stdout, reason = "this program's output")]

use std::collections::BTreeMap;
use std::fmt::Debug;
use std::process::ExitCode;
use std::sync::atomic::{AtomicU64, Ordering};

use system_tests::harness::app::TestApp;
use system_tests::proof::checker::Violation;
use system_tests::proof::numbers::Numbers;
use system_tests::proof::{faults, interleaved, numbers};

/// Histories at once.
const THREADS: u64 = 2;

fn main() -> ExitCode {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let number =
        |at: usize, otherwise: u64| arguments.get(at).and_then(|text| text.parse().ok()).unwrap_or(otherwise);
    let is_well = match arguments.first().map(String::as_str) {
        Some("interleaved") => run_interleaved(number(1, 500), number(2, 0)),
        Some("faults") => run_faults(number(1, 200), number(2, 0)),
        Some("numbers") => run_numbers(number(1, 1000)),
        // Each to its end, whatever came of the one before.
        Some("soak") => {
            [run_interleaved(500, 0), run_numbers(1000), run_faults(200, 0)].into_iter().all(|well| well)
        }
        _ => {
            println!("sync-proof interleaved|faults N [FIRST], sync-proof numbers N, sync-proof soak");
            return ExitCode::from(2);
        }
    };
    if is_well { ExitCode::SUCCESS } else { ExitCode::FAILURE }
}

fn tell(violations: &[(u64, Violation)], history: Option<String>, of: u64) -> bool {
    for (seed, violation) in violations.iter().take(50) {
        println!("seed {seed}: {violation}");
    }
    if let Some(history) = history {
        println!("the first of them:\n{history}");
    }
    let mut failed: Vec<u64> = violations.iter().map(|(seed, _)| *seed).collect();
    failed.dedup();
    println!("{} of {of} histories hold", of - failed.len() as u64);
    violations.is_empty()
}

fn counters<F: Debug + Ord>(fired: &BTreeMap<F, u64>, all: &[F]) -> bool {
    let times = |fault: &F| fired.get(fault).copied().unwrap_or(0);
    all.iter().for_each(|fault| println!("  {fault:?}: {}", times(fault)));
    all.iter().all(|fault| times(fault) > 0)
}

fn run_interleaved(count: u64, from: u64) -> bool {
    let runtime = tokio::runtime::Builder::new_multi_thread().worker_threads(2).enable_all().build();
    let outcome = runtime.expect("a runtime").block_on(interleaved::run(from, count));
    println!("interleaved: {count} histories, {} ops, at most {} rounds", outcome.ops, outcome.rounds);
    let all_met = counters(&outcome.fired, &interleaved::FAULTS);
    tell(&outcome.violations, outcome.history, count) && all_met
}

fn run_numbers(count: u64) -> bool {
    let runtime = tokio::runtime::Builder::new_multi_thread().worker_threads(2).enable_all().build();
    let (facts, numbers) = runtime.expect("a runtime").block_on(async {
        let app = TestApp::start().await;
        let mut all = (0, Numbers::default());
        for _ in 0..count {
            let (facts, numbers) = numbers::repeat(&app).await;
            all = (all.0 + facts, all.1.and(numbers));
        }
        all
    });
    println!("numbers: {count} repeats, {facts} facts acknowledged: {numbers:?}");
    numbers == Numbers::default()
}

fn run_faults(count: u64, from: u64) -> bool {
    let beside = |name: &str| {
        let exe = std::env::current_exe().expect("this program's place");
        exe.with_file_name(name).to_string_lossy().into_owned()
    };
    let programs =
        faults::Programs { tarebook: beside("tarebook-under-test"), tare: beside("tare-under-test") };
    let next = AtomicU64::new(from);
    let outcome = std::thread::scope(|scope| {
        let work = || {
            let mut all = faults::Outcome::default();
            loop {
                let seed = next.fetch_add(1, Ordering::Relaxed);
                if seed >= from + count {
                    return all;
                }
                all = all.and(faults::run(&programs, seed));
            }
        };
        let threads: Vec<_> = (0..THREADS).map(|_| scope.spawn(work)).collect();
        let join = |thread: std::thread::ScopedJoinHandle<'_, _>| thread.join().expect("a history ends");
        threads.into_iter().map(join).fold(faults::Outcome::default(), faults::Outcome::and)
    });
    println!(
        "faults: {count} histories, {} ops, {} runs of tare, at most {} rounds",
        outcome.ops, outcome.runs, outcome.rounds
    );
    let all_met = counters(&outcome.fired, &faults::FAULTS);
    tell(&outcome.violations, outcome.history, count) && all_met
}
