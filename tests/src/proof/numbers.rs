//! The numbers test: four writers of twenty batches of twenty-five facts each, beside a reader that follows page by page.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use domain::wire::sync::Change;
use serde_json::Value;
use uuid::Uuid;

use crate::harness::actors::Kitroom;
use crate::harness::app::TestApp;
use crate::harness::bodies::{With, item, new_id, weighing};
use crate::harness::device::{Device, assert_page, digest_of, results_of};

const WRITERS: usize = 4;
const BATCHES: usize = 20;
const FACTS: usize = 25;
const ITEMS: usize = 10;

/// What went wrong: each number is to be 0.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Numbers {
    /// Rows that were committed and never delivered, or under another number than was acknowledged.
    pub never_delivered: usize,
    /// Rows that were acknowledged and are not in the table.
    pub missing: usize,
    /// Writes of fresh ids that were answered with anything but `applied`.
    pub spurious_conflicts: usize,
    /// Rows that came twice, or that nobody asked for.
    pub doubled: usize,
    /// Numbers that no change has, or that two have.
    pub gaps: usize,
}

impl Numbers {
    /// Both together.
    #[must_use]
    pub fn and(self, other: Self) -> Self {
        Self {
            never_delivered: self.never_delivered + other.never_delivered,
            missing: self.missing + other.missing,
            spurious_conflicts: self.spurious_conflicts + other.spurious_conflicts,
            doubled: self.doubled + other.doubled,
            gaps: self.gaps + other.gaps,
        }
    }
}

/// Follows the feed page by page until it is told to stop and has caught up; answers what it was given, and how often
/// something came twice.
async fn follow(device: Device, stop: Arc<AtomicBool>) -> (BTreeMap<Uuid, i64>, usize) {
    let (mut seen, mut twice, mut cursor, mut at) = (BTreeMap::new(), 0, None::<String>, 0);
    loop {
        let stopping = stop.load(Ordering::SeqCst);
        let page = device.page(cursor.as_deref(), 40).await;
        assert_page(&page, at, 40);
        for Change { id, seq, .. } in page.changes {
            at = seq;
            twice += usize::from(seen.insert(id, seq).is_some_and(|before| before >= seq));
        }
        cursor = Some(page.next_cursor);
        if stopping && !page.has_more {
            return (seen, twice);
        }
    }
}

/// Pushes its batches, some of them again and twice at once; answers what was acknowledged, and how many answers were
/// wrong.
async fn write(mut device: Device, shells: Vec<Uuid>) -> (Vec<(Uuid, i64)>, usize) {
    let (mut acknowledged, mut wrong) = (Vec::new(), 0);
    for batch in 0..BATCHES {
        let weighed = |n: usize| weighing(shells[n % shells.len()], 400.0 + n as f64);
        let ops: Vec<Value> =
            (0..FACTS).map(|n| device.op("append", "weighing", new_id(), 0, weighed(n))).collect();
        let mut answers = vec![results_of(&device.pushing(&ops).send().await, &ops)];
        if batch % 4 == 0 {
            // The answer was lost, and two processes of the device send it again at once.
            let (one, two) = tokio::join!(device.push(&ops), device.push(&ops));
            answers.extend([one, two]);
        }
        for results in &answers {
            let differs = |(result, first): &(&Value, &Value)| {
                result["status"] != "applied" || result["seq"] != first["seq"]
            };
            wrong += results.iter().zip(&answers[0]).filter(differs).count();
        }
        let ids = ops.iter().filter_map(|op| Uuid::parse_str(op.text("record_id")).ok());
        acknowledged.extend(ids.zip(answers[0].iter().map(|result| result["seq"].as_i64().unwrap_or(-1))));
    }
    (acknowledged, wrong)
}

/// One repeat in a kitroom of its own. Answers how many facts were acknowledged, and what went wrong.
///
/// # Panics
/// When the service does not answer as it should at all, or a digest or a mass is not there.
pub async fn repeat(app: &TestApp) -> (usize, Numbers) {
    let kit = app.kitroom().await;
    let shells: Vec<Uuid> = (0..ITEMS).map(|_| new_id()).collect();
    for shell in &shells {
        let body = item("shell").with("id", shell.to_string());
        let _ = kit.keeper.post(&kit.path("items"), &body).await.expect(201);
    }
    let stop = Arc::new(AtomicBool::new(false));
    let follower = tokio::spawn(follow(Device::new(&kit.viewer, kit.id), Arc::clone(&stop)));
    let actor = |writer: usize| if writer.is_multiple_of(2) { &kit.keeper } else { &kit.member };
    let writers: Vec<_> =
        (0..WRITERS).map(|n| tokio::spawn(write(Device::new(actor(n), kit.id), shells.clone()))).collect();
    let mut numbers = Numbers::default();
    let mut acknowledged: BTreeMap<Uuid, i64> = BTreeMap::new();
    for writer in writers {
        let (theirs, wrong) = writer.await.expect("a writer ends");
        acknowledged.extend(theirs);
        numbers.spurious_conflicts += wrong;
    }
    stop.store(true, Ordering::SeqCst);
    let (seen, twice) = follower.await.expect("the follower ends");
    numbers.never_delivered = acknowledged.iter().filter(|(id, seq)| seen.get(id) != Some(seq)).count();
    let asked = acknowledged.len() + shells.len();
    numbers.doubled = twice + seen.len().saturating_sub(asked);
    stored(app, &kit, &acknowledged, &mut numbers).await;
    (acknowledged.len(), numbers)
}

/// What is in the tables, and what a full pull brings.
async fn stored(app: &TestApp, kit: &Kitroom, acknowledged: &BTreeMap<Uuid, i64>, numbers: &mut Numbers) {
    let weighings = format!("select count(*) from weighings where kitroom_id = '{}'", kit.id);
    let there = usize::try_from(app.scalar::<i64>(&weighings).await).unwrap_or(0);
    numbers.doubled += there.saturating_sub(acknowledged.len());
    let head: i64 = app.scalar(&format!("select head_seq from kitrooms where id = '{}'", kit.id)).await;
    let device = Device::new(&kit.viewer, kit.id);
    let (changes, _) = device.pull(2000).await;
    let pulled: BTreeMap<Uuid, i64> = changes.iter().map(|change| (change.id, change.seq)).collect();
    let gone = acknowledged.iter().filter(|(id, seq)| pulled.get(id) != Some(seq)).count();
    numbers.missing = gone.max(acknowledged.len().saturating_sub(there));
    // Every record here is changed once, so each number is somebody's.
    let given: BTreeSet<i64> = pulled.values().copied().collect();
    let wanted: BTreeSet<i64> = (1..=head).collect();
    numbers.gaps = given.symmetric_difference(&wanted).count();
    assert_eq!(device.digest().await.kinds, digest_of(&changes));
    let shown = kit.viewer.get(&format!("{}?limit=500", kit.path("items"))).await.expect(200);
    for item in shown["items"].as_array().into_iter().flatten() {
        assert!(item["mass_g"].is_number(), "{item}");
    }
}
