//! Histories against the real service while transactions are held open; `sync-proof interleaved N` runs more.

use system_tests::proof::interleaved::{FAULTS, run};

const HISTORIES: u64 = 40;

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn interleaved_histories_hold_with_transactions_open_beside_them() {
    // Two halves at once, each with a service and a database of its own.
    let halves = [0, HISTORIES / 2].map(|from| tokio::spawn(run(from, HISTORIES / 2)));
    let mut ops = 0;
    let mut fired = std::collections::BTreeMap::new();
    for half in halves {
        let outcome = half.await.unwrap();
        let shown: Vec<String> =
            outcome.violations.iter().take(12).map(|(seed, words)| format!("seed {seed}: {words}")).collect();
        assert!(shown.is_empty(), "{}\n{}", shown.join("\n"), outcome.history.unwrap_or_default());
        ops += outcome.ops;
        for (fault, times) in outcome.fired {
            *fired.entry(fault).or_insert(0) += times;
        }
    }
    println!("{HISTORIES} histories, {ops} ops: {fired:?}");
    for fault in FAULTS {
        assert!(fired.get(&fault).is_some_and(|times| *times > 0), "{fault:?} was never met: {fired:?}");
    }
}
